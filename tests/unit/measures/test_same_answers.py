"""The same motion gives the same figures, however it is stored and however the work is cut up."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.measures import Cost, Measures, blocks, measure_shot
from audit.model import Shot, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.settings import Settings
from tests.strategies import as_channels, orders, shots
from tests.unit.measures.making import KNEE, turn


def assert_same(
    first: Measures, second: Measures, *, within: float = 0.0, but: tuple[str, ...] = ()
) -> None:
    """Assert that all figures of two measurements are equal, to within an absolute tolerance."""
    for field in fields(Measures):
        left, right = getattr(first, field.name), getattr(second, field.name)
        if field.name in but or field.name == "settings":
            continue
        if isinstance(left, Cost):
            for part in fields(Cost):
                np.testing.assert_allclose(
                    getattr(left, part.name),
                    getattr(right, part.name),
                    rtol=0,
                    atol=within,
                    err_msg=f"{field.name}.{part.name}",
                )
        elif isinstance(left, np.ndarray):
            np.testing.assert_allclose(left, right, rtol=0, atol=within, err_msg=field.name)
        else:
            assert left == right, field.name


def assert_alike(first: Measures, second: Measures) -> None:
    """Assert that two measurements agree where rounding may move a key across the tolerance.

    Shares are left to joints that move, and the figures along the keys may differ by a key or two.
    """
    along_keys = ("now", "after_twist", "after_full", "causes")
    assert_same(first, second, within=1e-6, but=("shares", "wrap_jumps", *along_keys))
    moving = np.array([kind != "still" for kind in first.kind])
    np.testing.assert_allclose(first.shares[moving], second.shares[moving], atol=1e-9)
    np.testing.assert_allclose(first.causes, second.causes, atol=0.02)
    for name in along_keys[:3]:
        left, right = getattr(first, name), getattr(second, name)
        np.testing.assert_allclose(left.range_deg, right.range_deg, atol=1e-6)
        np.testing.assert_allclose(left.channel_spread, right.channel_spread, atol=0.02)
        np.testing.assert_allclose(left.keys, right.keys, atol=2)


references = st.sampled_from(["rest", "parent"])


@given(shots(), references)
def test_measuring_twice_gives_identical_arrays(shot: Shot, reference: str) -> None:
    settings = Settings(reference=reference)  # type: ignore[arg-type]
    # Not to the last bit: the matrix product's order of summing hangs on where an array lies in memory.
    # Results are written with six decimals.
    assert_same(measure_shot(shot, settings), measure_shot(shot, settings), within=1e-6)


@given(shots())
def test_measuring_leaves_the_shot_as_it_is(shot: Shot) -> None:
    before = shot.rotations_xyzw.copy()
    times = shot.times_s.copy()
    measure_shot(shot)
    np.testing.assert_array_equal(shot.rotations_xyzw, before)
    np.testing.assert_array_equal(shot.times_s, times)


@given(
    shots(made_of="channels", motions=("hinge", "two axes", "free", "wheel", "offset hinge")),
    references,
)
def test_channels_and_rotations_give_the_same(shot: Shot, reference: str) -> None:
    settings = Settings(reference=reference)  # type: ignore[arg-type]
    rotations = replace(shot, channels=None, rotations=shot.rotations_xyzw)
    from_channels = measure_shot(shot, settings)
    assert_alike(from_channels, measure_shot(rotations, settings))
    np.testing.assert_array_equal(from_channels.wrap_jumps, 0)


@given(shots(made_of="rotations"))
def test_signs_of_quaternions_do_not_matter(shot: Shot) -> None:
    generator = np.random.default_rng(0)
    assert shot.rotations is not None
    signs = generator.choice([-1.0, 1.0], (*shot.rotations.shape[:2], 1))
    flipped = replace(shot, rotations=shot.rotations * signs)
    assert_alike(measure_shot(shot), measure_shot(flipped))


@pytest.mark.parametrize("keys_at_a_time", [1, 50, 200])
def test_blocks_do_not_matter(keys_at_a_time: int) -> None:
    @given(shots(), references)
    def check(shot: Shot, reference: str) -> None:
        settings = Settings(reference=reference)  # type: ignore[arg-type]
        whole = measure_shot(shot, settings)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(blocks, "KEYS_AT_A_TIME", keys_at_a_time)
            cut = measure_shot(shot, settings)
        assert_same(whole, cut, within=1e-9)

    check()


@pytest.mark.parametrize("reference", ["rest", "parent"])
def test_the_rest_rotation_of_one_joint_does_not_hide_the_leaps_of_another(reference: str) -> None:
    settings = Settings(reference=reference)  # type: ignore[arg-type]
    leaping = hinge_channels((1.0, 0.0, 0.0), bend())
    leaping[40:, 0] += 360.0
    sample = limb_shot(leaping)
    assert measure_shot(sample, settings).wrap_jumps[KNEE] == 1
    rests = sample.skeleton.rest_xyzw.copy()
    rests[2] = turn([1, 0, 0], 20.0)
    shot = replace(sample, skeleton=replace(sample.skeleton, rest_xyzw=rests))
    assert measure_shot(shot, settings).wrap_jumps[KNEE] == 1


@given(shots(made_of="rotations", rests=False), orders)
def test_the_order_of_the_joints_does_not_matter(shot: Shot, order: str) -> None:
    # Roots only: any order of roots is a skeleton.
    settings = Settings(order=order)
    count = len(shot.skeleton)
    roots = np.full(count, -1)
    loose = replace(shot, skeleton=replace(shot.skeleton, parents=roots))
    back = np.arange(count)[::-1]
    assert loose.rotations is not None
    skeleton = loose.skeleton
    turned = replace(
        loose,
        rotations=loose.rotations[:, back],
        skeleton=replace(
            skeleton,
            names=skeleton.names[::-1],
            orders=skeleton.orders[::-1],
            offsets=skeleton.offsets[back],
            tip_joints=count - 1 - skeleton.tip_joints,
        ),
    )
    first, second = measure_shot(loose, settings), measure_shot(turned, settings)
    assert first.kind == second.kind[::-1]
    np.testing.assert_allclose(first.twist_offset_deg, second.twist_offset_deg[::-1], atol=1e-9)
    np.testing.assert_array_equal(first.now.keys, second.now.keys[::-1])


@given(
    shots(made_of="rotations", frame_counts=(2, 9, 24)), st.floats(0.01, 100.0), st.floats(0, 99)
)
def test_the_clock_does_not_matter(shot: Shot, faster: float, start: float) -> None:
    other = replace(shot, times_s=start + faster * shot.times_s)
    first, second = measure_shot(shot), measure_shot(other)
    assert first.kind == second.kind
    np.testing.assert_allclose(first.range_deg, second.range_deg, atol=1e-6)
    np.testing.assert_allclose(first.twist_offset_deg, second.twist_offset_deg, atol=1e-6)
    np.testing.assert_array_equal(first.now.keys, second.now.keys)


def test_a_shot_of_channels_made_from_rotations_is_the_same_shot() -> None:
    sample = limb_shot(hinge_channels((0.8, 0.0, 0.6), bend()))
    again = as_channels(replace(sample, channels=None, rotations=sample.rotations_xyzw))
    assert_same(measure_shot(sample), measure_shot(again), within=1e-6)


def as_tracks(shot: Shot, strides: tuple[int, ...]) -> Shot:
    """Return a shot whose joints have their own keys: in turn each so-many-th frame, and none for 0."""
    tracks: list[Track | None] = []
    for joint in range(len(shot.skeleton)):
        stride = strides[joint % len(strides)]
        keys = shot.rotations_xyzw[:: stride or 1, joint]
        tracks.append(Track(shot.times_s[::stride], keys) if stride else None)
    none = (None,) * len(tracks)
    return replace(shot, rotations=None, tracks=Tracks(tuple(tracks), none, none))


@given(shots(made_of="rotations"), references)
def test_tracks_with_a_key_on_every_frame_give_the_same(shot: Shot, reference: str) -> None:
    settings = Settings(reference=reference)  # type: ignore[arg-type]
    apart = measure_shot(as_tracks(shot, (1,)), settings)
    assert_same(measure_shot(shot, settings), apart, within=1e-6)


@given(shots(made_of="rotations", frame_counts=(1, 9, 61)), references)
def test_each_joint_of_tracks_is_measured_on_its_own_keys(shot: Shot, reference: str) -> None:
    settings = Settings(reference=reference)  # type: ignore[arg-type]
    strides = (1, 2, 0, 3)
    together = measure_shot(as_tracks(shot, strides), settings)
    for joint in range(len(shot.skeleton)):
        stride = strides[joint % len(strides)]
        assert shot.rotations is not None
        if stride:
            alone = replace(
                shot, times_s=shot.times_s[::stride], rotations=shot.rotations[::stride]
            )
        else:
            rest = shot.skeleton.rest_xyzw[None]
            alone = replace(shot, times_s=shot.times_s[:1], rotations=rest)
        measures = measure_shot(alone, settings)
        assert together.kind[joint] == measures.kind[joint]
        assert together.orders[joint] == measures.orders[joint]
        np.testing.assert_array_equal(together.now.keys[joint], measures.now.keys[joint])
        for name in ("range_deg", "twist_offset_deg", "twist_interval_deg", "causes"):
            left, right = getattr(together, name)[joint], getattr(measures, name)[joint]
            np.testing.assert_allclose(left, right, atol=1e-9, err_msg=name)
