"""Advice on free joints, and chains whose side axes jump."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from audit.conventions import ORDERS
from audit.demo.rig import clean_skeleton
from audit.model import Skeleton
from audit.pool import Pool, advise, chain_twist, chains, evidence_of
from tests.strategies import Array
from tests.unit.pool.making import hinge, limbs, shot_of, wave


def free_joint(main_deg: float, side_deg: float, turn_deg: float) -> Pool:
    """Return a pool of an upper arm along X: swings about an axis turned from Y by 25°, and beside it."""
    main = Rotation.from_euler("x", 25, degrees=True).apply([0, 1, 0])
    side = Rotation.from_euler("x", 25, degrees=True).apply([0, 0, 1])
    pool = Pool(limbs(1, (1.0, 0.0, 0.0)))
    for cycles in (1.0, 2.0, 3.0):
        turns = (
            hinge(main, wave(-main_deg / 2, main_deg / 2, 180, cycles))
            * hinge(side, wave(-side_deg / 2, side_deg / 2, 180, cycles + 1.0))
            * hinge([1, 0, 0], wave(-turn_deg / 2, turn_deg / 2, 180, cycles + 2.0))
        )
        pool.add(evidence_of(shot_of([turns], skeleton=limbs(1, (1.0, 0.0, 0.0)))))
    return pool


@pytest.mark.parametrize("turn_deg", [0.0, 30.0, 60.0])
def test_the_main_swing_is_put_on_a_channel(turn_deg: float) -> None:
    """However much the arm also turns about itself: that is no part of the swing."""
    result = free_joint(60.0, 25.0, turn_deg).result()
    assert result.kind[0] in ("two-axis", "free")
    advice = advise(result)
    assert abs(advice.swing_twist_deg[0] - 25.0) < 4.0
    assert advice.swing_channel[0] == 1
    assert not result.has_offset[0]


def test_a_swing_that_does_not_stand_out_gets_no_advice() -> None:
    advice = advise(free_joint(40.0, 38.0, 10.0).result())
    assert np.isnan(advice.swing_twist_deg[0])
    assert advice.swing_channel[0] == -1


def test_hinges_get_no_swing_advice() -> None:
    advice = advise(free_joint(60.0, 0.0, 0.0).result())
    assert np.isnan(advice.swing_twist_deg[0])


def test_the_steadiest_order_keeps_the_wide_axis_off_the_middle() -> None:
    """Ninety degrees about Z in one shot: the orders with Z in the middle lock, whatever the others do."""
    pool = Pool(limbs(1))
    for axis, reach in (([0, 0, 1], 88.0), ([1, 0, 0], 40.0), ([0, 1, 0], 5.0)):
        pool.add(evidence_of(shot_of([hinge(axis, wave(0, reach, 200))])))
    result = pool.result()
    advice = advise(result)
    np.testing.assert_allclose(
        advice.least_margin_deg[0],
        [90 - {"X": 40, "Y": 5, "Z": 88}[order[1]] for order in ORDERS],
        atol=0.1,
    )
    assert advice.order[0][1] == "Y"
    locked = advice.near_lock[0] > 0.0
    assert [order for order, near in zip(ORDERS, locked, strict=True) if near] == ["XZY", "YZX"]
    # In each of three equal shots: the share of one cosine wave that lies over 75 of 88 degrees.
    over = np.mean(wave(0, 88.0, 200) > 75.0) / 3.0
    np.testing.assert_allclose(advice.near_lock[0][locked], over, atol=0.01)


def finger(twists: list[float], bends: list[float] | None = None) -> Skeleton:
    """Return a chain along X whose joints' side axes are turned about it, with bends between the bones."""
    bends = [0.0] * len(twists) if bends is None else bends
    world = [Rotation.identity()]
    limb = [
        Rotation.from_euler("z", float(np.sum(bends[: n + 1])), degrees=True)
        for n in range(len(twists))
    ]
    for bent, twist in zip(limb, twists, strict=True):
        world.append(bent * Rotation.from_euler("x", twist, degrees=True))
    rest = [world[n].inv() * world[n + 1] for n in range(len(twists))]
    return Skeleton(
        tuple(f"Finger_{n}" for n in range(len(twists))),
        np.arange(len(twists)) - 1,
        np.tile([2.0, 0.0, 0.0], (len(twists), 1)),
        np.stack([each.as_quat() for each in rest]),
        (None,) * len(twists),
        np.array([len(twists) - 1]),
        np.array([[2.0, 0.0, 0.0]]),
    )


@pytest.mark.parametrize(
    ("twists", "expected"),
    [
        ([0, 0, 0, 0], [0, 0, 0, 0]),
        ([0, 0, 30, 0], [0, 0, -30, 0]),  # one joint turns, not three
        ([0, 30, 30, 30], [30, 0, 0, 0]),
        ([10, 40, -25, 40], [30, 0, 65, 0]),
        ([0, 90, 100], [90, 0, -10]),  # two have to turn anyway: the least total, 100 of 190
        ([170, -170, 170], [0, -20, 0]),  # the short way round
    ],
)
@pytest.mark.parametrize("bends", [None, [0, 20, 20, 20]])
def test_the_smallest_set_of_turns(
    twists: list[float], expected: list[float], bends: list[float] | None
) -> None:
    skeleton = finger(twists, bends[: len(twists)] if bends else None)
    (found,) = chain_twist(skeleton)
    np.testing.assert_allclose(found.twist_deg, expected, atol=1e-9)
    np.testing.assert_allclose(
        (np.array(found.side_deg) - (np.array(twists) - twists[0]) + 180) % 360 - 180, 0, atol=1e-9
    )
    assert found.jumps == any(expected)


@given(st.lists(st.floats(-179.0, 179.0), min_size=2, max_size=5))
def test_the_turns_make_the_chain_agree(twists: list[float]) -> None:
    (found,) = chain_twist(finger(twists))
    mended = finger(list(np.array(twists) + np.array(found.twist_deg)))
    (again,) = chain_twist(mended)
    assert np.max(np.abs(again.side_deg)) <= 1.0 + 1e-6
    assert not again.jumps
    assert 0.0 in found.twist_deg


def test_limbs_along_any_axis() -> None:
    """A spine along Y and a finger along −Z jump by the same turn about themselves."""
    for along in ([0, 1, 0], [0, 0, -1], [0, -1, 0]):
        limb: Array = np.array(along, dtype=float)
        rest = [
            Rotation.identity(),
            Rotation.from_rotvec(np.deg2rad(25.0) * limb),
            Rotation.identity(),
        ]
        skeleton = Skeleton(
            ("a", "b", "c"),
            np.array([-1, 0, 1]),
            np.tile(2.0 * limb, (3, 1)),
            np.stack([each.as_quat() for each in rest]),
            (None,) * 3,
            np.array([2]),
            2.0 * limb[None],
        )
        (found,) = chain_twist(skeleton)
        np.testing.assert_allclose(found.side_deg, [0.0, 25.0, 25.0], atol=1e-9)
        np.testing.assert_allclose(found.twist_deg, [25.0, 0.0, 0.0], atol=1e-9)


def test_chains_of_a_whole_rig() -> None:
    """Fingers, legs and tail are chains; the demo's rig is clean, so none of them jumps."""
    rig = clean_skeleton()
    found = [[rig.names[joint] for joint in run] for run in chains(rig)]
    assert ["L_Finger2_1", "L_Finger2_2", "L_Finger2_3"] in found
    assert ["Tail1", "Tail2", "Tail3", "Tail4"] in found
    assert ["L_Hip", "L_Knee", "L_Ankle", "L_Toe"] in found
    assert not any(each.jumps for each in chain_twist(rig))


def test_a_foot_ends_the_chain_of_a_leg() -> None:
    skeleton = Skeleton.plain(
        ["hip", "knee", "ankle", "toe"],
        [-1, 0, 1, 2],
        np.array([[0, 0, 0], [0, -1, 0], [0, -1, 0], [0, -0.2, 1.0]]),
    )
    # The toe goes straight on from the ankle, and is a chain with it.
    assert chains(skeleton) == ((0, 1), (2, 3))
