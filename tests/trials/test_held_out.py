"""Secret twists on shots that nobody tuned anything on: are they found, and does the correction work?

Noise-free, seeded, and made with scipy alone. The fast run takes 20 shots, the slow one 200.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.conventions import AXES, ORDERS
from audit.measures import joint_curves, measure_shot
from audit.model import Channels, Shot, Skeleton, Source

FAST, ALL = 20, 200


@dataclass(frozen=True)
class Secret:
    """A shot of one limb, and what nobody tells the program about it."""

    shot: Shot
    twist_deg: float
    bend_deg: float


def secret(seed: int) -> Secret:
    """Return a shot whose hinge is off by a twist within ±40° about a limb along any half-axis."""
    rng = np.random.default_rng([4242, seed])
    order = str(rng.choice(ORDERS))
    frames, wide = int(rng.integers(60, 601)), float(rng.uniform(20.0, 120.0))
    twist = float(rng.uniform(-40.0, 40.0))
    along, beside = rng.permutation(3)[:2]
    limb, across = np.zeros(3), np.zeros(3)
    limb[along], across[beside] = rng.choice([-1.0, 1.0], 2)

    time = np.linspace(0.0, 1.0, frames)
    waves = rng.normal(size=4) @ np.sin(
        2.0 * np.pi * np.arange(1, 5)[:, None] * time + rng.uniform(0.0, 2.0 * np.pi, (4, 1))
    )
    bend = (waves - waves.min()) * (wide / np.ptp(waves))
    bend -= wide * rng.uniform(0.0, 1.0) * rng.integers(0, 2)  # rest at one end, or anywhere within

    axis = Rotation.from_rotvec(limb * np.deg2rad(twist)).apply(across)
    motion = Rotation.from_rotvec(np.deg2rad(bend)[:, None] * axis)
    values = np.zeros((frames, 9))
    values[:, 3:6] = motion.as_euler(cast("Any", order), degrees=True)
    columns = np.zeros((3, 3), dtype=np.int64)
    columns[:, [AXES.index(letter) for letter in order]] = np.arange(9).reshape(3, 3)
    skeleton = Skeleton.plain(
        ["top", "middle", "end"],
        [-1, 0, 1],
        np.stack((np.zeros(3), limb, limb)) * rng.uniform(0.1, 50.0),
        orders=order,
    )
    channels = Channels(values, columns, np.full((3, 3), -1))
    shot = Shot(
        skeleton, time * frames / rng.uniform(24.0, 120.0), Source(f"secret {seed}"), channels
    )
    return Secret(shot, twist, wide)


def assert_found(seed: int) -> None:
    hidden = secret(seed)
    measures = measure_shot(hidden.shot)
    assert measures.kind[1] == "hinge"
    assert abs(measures.range_deg[1] - hidden.bend_deg) < 1e-6
    offset = float(measures.twist_offset_deg[1])
    # A quarter turn further on the next half-axis takes over; the twists here never come that far.
    assert abs(offset - hidden.twist_deg) < 0.5
    low, high = measures.twist_interval_deg[1]
    assert low - 1e-6 <= hidden.twist_deg <= high + 1e-6
    assert measures.aim_error_deg[1] == 0.0
    assert measures.residual_deg[1] < 1e-6
    assert measures.after_twist.moving_channels[1] == 1
    assert measures.after_twist.channel_spread[1] < 1.0 + 1e-6
    assert measures.after_twist.edit_keys[1] <= measures.now.edit_keys[1]
    # The one curve that is left is the bend itself, whatever its sign.
    curves = joint_curves(hidden.shot, measures, 1).after_twist
    assert curves is not None
    assert abs(np.max(np.ptp(curves, axis=1)) - hidden.bend_deg) < 1e-6


@pytest.mark.parametrize("seed", range(FAST))
def test_secret_twist_is_found(seed: int) -> None:
    assert_found(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(FAST, ALL))
def test_secret_twist_is_found_on_more_shots(seed: int) -> None:
    assert_found(seed)


@pytest.mark.slow
def test_secrets_cover_what_they_are_said_to_cover() -> None:
    """All orders, all half-axes, both ends of the twist and of the range: the draw is not a narrow one."""
    hidden = [secret(seed) for seed in range(ALL)]
    assert {each.shot.skeleton.orders[0] for each in hidden} == set(ORDERS)
    limbs = {tuple(np.sign(each.shot.skeleton.offsets[1]).astype(int)) for each in hidden}
    assert len(limbs) == 6
    twists = [each.twist_deg for each in hidden]
    assert min(twists) < -35.0
    assert max(twists) > 35.0
    bends = [each.bend_deg for each in hidden]
    assert min(bends) < 25.0
    assert max(bends) > 115.0
    frames = [each.shot.frames for each in hidden]
    assert min(frames) < 80
    assert max(frames) > 580
