"""The proof finds what moved, whatever and wherever it is, and says how far a skin can have moved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from audit.errors import UsageError
from audit.model import Shot, Skeleton, Skin, Track, Tracks
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.reorient import Deviation, deviation, proof, skin_bound, turn_axes
from audit.reorient.turning import Turn
from audit.rotations import conjugate, multiply
from tests.strategies import random_quaternions, seeds
from tests.unit.reorient.making import IDENTITY, moving_shots, played, some_axes, tracked

Array = npt.NDArray[np.float64]

CLOCK = np.array([0.0, 0.4, 1.0, 1.5])
LIMIT = 1e-5


def rig(interpolation: str = "linear", *, scaled: bool = False) -> Shot:
    """Return a chain of three joints with a tip; all turn, the first one travels, and it may be scaled."""
    generator = np.random.default_rng(8)
    skeleton = Skeleton(
        ("hip", "knee", "foot"),
        np.array([-1, 0, 1]),
        np.array([[0.0, 4.0, 0.0], [0.0, -2.0, 0.0], [0.0, -2.0, 0.0]]),
        random_quaternions(generator, 3).T,
        (None,) * 3,
        np.array([2]),
        np.array([[0.0, 0.0, 1.0]]),
    )

    def track(values: Array) -> Track:
        if interpolation != "cubic":
            return Track(CLOCK, values, interpolation)  # type: ignore[arg-type]
        tangents = generator.normal(size=(2, *values.shape))
        return Track(CLOCK, values, "cubic", tangents[0], tangents[1])

    angles = np.deg2rad([[0.0], [40.0], [75.0], [20.0]])
    turns = [
        track(Rotation.from_rotvec(angles * axis).as_quat())
        for axis in ([1.0, 0.0, 0.0], [0.6, 0.0, 0.8], [0.0, 1.0, 0.0])
    ]
    travel = track(np.column_stack((CLOCK, np.full((4, 1), 4.0), 0.0 * CLOCK)))
    even = Track(CLOCK, np.array([[1.0], [2.0], [1.0], [0.5]]) * np.ones(3)) if scaled else None
    tracks = Tracks(tuple(turns), (travel, None, None), (even, None, None))
    return Shot(skeleton, CLOCK, tracks=tracks)


def with_track(shot: Shot, part: str, joint: int, track: Track) -> Shot:
    assert shot.tracks is not None
    given = list(getattr(shot.tracks, part))
    given[joint] = track
    return replace(shot, tracks=replace(shot.tracks, **{part: tuple(given)}))


def track_of(shot: Shot, part: str, joint: int) -> Track:
    assert shot.tracks is not None
    track = getattr(shot.tracks, part)[joint]
    assert isinstance(track, Track)
    return track


class TestTheSame:
    @given(data=st.data(), seed=seeds)
    def test_a_turned_shot_does_not_deviate(self, data: st.DataObject, seed: int) -> None:
        shot = data.draw(moving_shots())
        axes = some_axes(np.random.default_rng(seed), len(shot.skeleton))
        after, _ = turn_axes(shot, axes)
        found = deviation(shot, after)
        size = float(np.abs(shot.local_positions).max()) * len(shot.skeleton) + 1.0
        assert found.position < 1e-11 * size
        assert found.rotation_deg < 1e-9
        # The other way round the turns are undone.
        back = deviation(after, shot)
        assert back.position < 1e-11 * size
        assert back.rotation_deg < 1e-9

    @given(data=st.data(), seed=seeds)
    def test_it_is_what_a_plain_player_finds(self, data: st.DataObject, seed: int) -> None:
        """Against SciPy's rotations and 4 × 4 matrices at the same instants, for two shots that do differ."""
        generator = np.random.default_rng(seed)
        shot = data.draw(moving_shots(make="tracks"))
        other = tracked(shot.skeleton, generator)
        found = deviation(shot, other)
        start = other.times_s[0] - shot.times_s[0]
        groups, offset = proof._instants(shot, other)
        assert offset == start
        times = np.concatenate(groups)
        turns, worlds = played(shot, times)
        turns_other, worlds_other = played(other, times + start)
        apart = np.linalg.norm((worlds_other - worlds)[..., :3, 3], axis=-1)
        ends = np.column_stack((shot.skeleton.tip_offsets, np.ones(len(shot.skeleton.tip_joints))))
        both = [
            np.einsum("tnrc,nc->tnr", each[:, shot.skeleton.tip_joints], ends)
            for each in (worlds, worlds_other)
        ]
        gaps = np.linalg.norm(both[1] - both[0], axis=-1)
        wanted = apart.max(axis=0)
        for tip, joint in enumerate(shot.skeleton.tip_joints):
            wanted[joint] = max(wanted[joint], gaps[:, tip].max())
        np.testing.assert_allclose(found.joint_positions, wanted, atol=1e-9, rtol=1e-9)
        assert found.position == pytest.approx(wanted.max(), abs=1e-9)
        relative = np.swapaxes(turns, -1, -2) @ turns_other
        angles = Rotation.from_matrix(relative.reshape(-1, 3, 3)).magnitude().reshape(apart.shape)
        # Near half a turn the arcsine has no more digits than this.
        np.testing.assert_allclose(
            found.joint_rotations_deg, np.rad2deg(angles.max(axis=0)), atol=2e-5
        )

    def test_axes_given_and_axes_remembered_say_the_same(self) -> None:
        shot = rig()
        generator = np.random.default_rng(5)
        once, _ = turn_axes(shot, random_quaternions(generator, 3).T)
        axes = random_quaternions(generator, 3).T
        twice, _ = turn_axes(once, axes)
        assert deviation(once, twice).rotation_deg < 1e-9
        assert deviation(once, twice, axes=axes).rotation_deg < 1e-9
        assert deviation(once, twice, axes=np.tile(IDENTITY, (3, 1))).rotation_deg > 1.0

    @pytest.mark.parametrize("joints", [[0, 1, 2], [2], [2, 0], []])
    def test_chosen_joints_alone_are_compared(self, joints: list[int]) -> None:
        shot = rig()
        other = with_track(shot, "rotations", 1, replace(track_of(shot, "rotations", 0)))
        found = deviation(shot, other, places=(joints, joints))
        assert found.joint_positions.shape == (len(joints),)
        every = deviation(shot, other)
        np.testing.assert_array_equal(found.joint_positions, every.joint_positions[joints])
        if not joints:
            assert (found.position, found.rotation_deg, found.position_joint) == (0.0, 0.0, -1)

    def test_other_joints_need_places(self) -> None:
        shot = rig()
        other = replace(shot, skeleton=replace(shot.skeleton, names=("a", "b", "c")))
        with pytest.raises(UsageError, match="other joints"):
            deviation(shot, other)
        assert deviation(shot, other, places=([0, 1, 2], [0, 1, 2])).position == 0.0


class TestFindsIt:
    def test_one_joint_moved_by_a_known_distance(self) -> None:
        shot = rig()
        offsets = np.array(shot.skeleton.offsets)
        offsets[2, 0] += 0.03
        moved = replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))
        found = deviation(shot, moved)
        assert found.position == pytest.approx(0.03)
        np.testing.assert_allclose(found.joint_positions, [0.0, 0.0, 0.03], atol=1e-12)
        assert found.position_joint == 2
        assert found.rotation_deg < 1e-9
        assert found.share_of_height == pytest.approx(0.03 / found.height)

    def test_one_key_of_one_joint(self) -> None:
        shot = rig()
        track = track_of(shot, "rotations", 1)
        values = np.array(track.values)
        turn = Rotation.from_euler("Y", 2.0, degrees=True)
        values[2] = (Rotation.from_quat(values[2]) * turn).as_quat()
        found = deviation(shot, with_track(shot, "rotations", 1, replace(track, values=values)))
        assert found.rotation_deg == pytest.approx(2.0, abs=1e-9)
        assert found.rotation_joint in (1, 2)
        assert found.rotation_time_s == CLOCK[2]
        np.testing.assert_allclose(found.joint_rotations_deg, [0.0, 2.0, 2.0], atol=1e-9)
        assert found.joint_positions[1] == 0.0
        assert found.joint_positions[2] > 0.01

    def test_a_travelling_joint(self) -> None:
        shot = rig()
        track = track_of(shot, "positions", 0)
        values = np.array(track.values)
        values[1, 2] += 0.5
        found = deviation(shot, with_track(shot, "positions", 0, replace(track, values=values)))
        np.testing.assert_allclose(found.joint_positions, 0.5, atol=1e-9)
        assert found.position_time_s == CLOCK[1]

    @pytest.mark.parametrize("part", ["rotations", "positions"])
    @pytest.mark.parametrize(
        ("comes", "leaves"),
        [(1.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, -1.0)],
    )
    def test_a_changed_tangent_shows_between_keys_only(
        self, part: str, comes: float, leaves: float
    ) -> None:
        """Also where both ends change by the same: half-way the two changes cancel, and nowhere else."""
        shot = rig("cubic")
        track = track_of(shot, part, 0)
        assert track.in_tangents is not None
        assert track.out_tangents is not None
        change = np.zeros(track.values.shape[1])
        change[0] = 1e-2
        arrive, leave = np.array(track.in_tangents), np.array(track.out_tangents)
        leave[1] += leaves * change
        arrive[2] += comes * change
        changed = replace(track, in_tangents=arrive, out_tangents=leave)
        found = deviation(shot, with_track(shot, part, 0, changed))
        worst = max(found.share_of_height, np.deg2rad(found.rotation_deg))
        assert worst > 2e-5
        assert CLOCK[1] < max(found.position_time_s, found.rotation_time_s) < CLOCK[2]

    def test_another_rule_between_keys(self) -> None:
        shot = rig()
        track = track_of(shot, "rotations", 0)
        stepped = with_track(shot, "rotations", 0, replace(track, interpolation="step"))
        found = deviation(shot, stepped)
        assert found.rotation_deg == pytest.approx(27.5, abs=1e-9)  # half of the last 55°
        assert found.rotation_time_s not in CLOCK

    def test_a_tip(self) -> None:
        shot = rig()
        moved = replace(shot.skeleton, tip_offsets=shot.skeleton.tip_offsets * 1.25)
        found = deviation(shot, replace(shot, skeleton=moved))
        assert found.position == pytest.approx(0.25)
        assert found.position_joint == 2

    @pytest.mark.parametrize("scaled", [False, True])
    def test_a_turn_of_a_leaf_without_a_tip(self, scaled: bool) -> None:
        shot = rig(scaled=scaled)
        bare = replace(
            shot.skeleton, tip_joints=np.zeros(0, dtype=np.int64), tip_offsets=np.zeros((0, 3))
        )
        shot = replace(shot, skeleton=bare)
        axes = np.tile(IDENTITY, (3, 1))
        axes[2] = Rotation.from_euler("Z", 0.01, degrees=True).as_quat()
        after, _ = turn_axes(shot, axes)
        forgotten = replace(after, turned=None)
        found = deviation(shot, forgotten)
        assert found.position < 1e-12
        assert found.rotation_deg == pytest.approx(0.01, rel=1e-6)
        assert found.rotation_joint == 2
        # With the largest scale of 2 a point at a distance of one goes twice as far; Frobenius adds √2.
        far = np.deg2rad(0.01) * (2.0 * np.sqrt(2.0) if scaled else 1.0)
        assert found.reach[2] == pytest.approx(far, rel=1e-6)

    def test_a_changed_scale(self) -> None:
        shot = rig(scaled=True)
        track = track_of(shot, "scales", 0)
        found = deviation(
            shot, with_track(shot, "scales", 0, replace(track, values=track.values * 1.01))
        )
        assert found.rotation_deg < 1e-9
        assert found.position > 0.03
        assert found.joint_positions[0] == 0.0
        assert found.reach[0] == pytest.approx(0.02 * np.sqrt(3.0))

    def test_the_sign_of_a_quaternion_is_no_difference(self) -> None:
        shot = rig("step")
        track = track_of(shot, "rotations", 1)
        flipped = replace(track, values=track.values * [[1.0], [-1.0], [-1.0], [1.0]])
        assert deviation(shot, with_track(shot, "rotations", 1, flipped)).rotation_deg < 1e-9

    @pytest.mark.filterwarnings("ignore:(invalid value|overflow):RuntimeWarning")
    @pytest.mark.parametrize("joint", [1, 2])
    def test_numbers_beyond_measure_do_not_vanish(self, joint: int) -> None:
        shot = rig()
        offsets = np.array(shot.skeleton.offsets)
        offsets[joint] = 1.5e308
        huge = replace(shot, skeleton=replace(shot.skeleton, offsets=offsets))
        found = deviation(huge, huge)
        assert not found.position < 1e300
        assert not found.share_of_height <= LIMIT

    def test_heights_are_those_of_the_scaled_rig(self) -> None:
        """A rig in centimetres below a root of scale 0.01: a millimetre counts as one of 0.05, not of 5."""
        shot = rig()
        scales = np.ones((3, 3))
        scales[0] = 0.01
        small = replace(shot, skeleton=replace(shot.skeleton, rest_scales=scales))
        offsets = np.array(shot.skeleton.offsets)
        offsets[2, 0] += 0.03
        moved = replace(small, skeleton=replace(small.skeleton, offsets=offsets))
        found = deviation(small, moved)
        assert found.position == pytest.approx(0.0003)
        _, worlds = played(replace(small, tracks=Tracks((None,) * 3, (None,) * 3, (None,) * 3)))
        places = worlds[0, :, :3, 3]
        tip = (worlds[0, 2] @ [0.0, 0.0, 1.0, 1.0])[:3]
        assert found.height == pytest.approx(np.ptp(np.vstack((places, tip)), axis=0).max())


class TestTimes:
    def test_instants_are_all_keys_and_half_way_between(self) -> None:
        found = deviation(rig(), rig())
        assert found.times == 4 + 3
        assert deviation(rig("cubic"), rig("cubic")).times == 4 + 3 + 3

    def test_a_shot_that_starts_later_is_laid_on_the_first(self) -> None:
        shot = rig()
        assert shot.tracks is not None
        late = CLOCK + 12.5
        parts: dict[str, Any] = {
            name: tuple(
                None if track is None else replace(track, times_s=late)
                for track in getattr(shot.tracks, name)
            )
            for name in ("rotations", "positions", "scales")
        }
        other = replace(shot, times_s=late, tracks=replace(shot.tracks, **parts))
        found = deviation(shot, other)
        assert found.position < 1e-12
        assert found.times == 7

    def test_other_lengths_are_compared_as_far_as_both_go(self) -> None:
        whole = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(frames=97)), seconds=4.0)
        half = limb_shot(hinge_channels((1.0, 0.0, 0.0), bend(frames=97)[:49]), seconds=2.0)
        for one, two in ((whole, half), (half, whole)):
            found = deviation(one, two)
            assert found.times == 49 + 48
            assert found.position < 1e-12

    def test_other_rates_are_compared_at_the_keys_of_both(self) -> None:
        fine = limb_shot(np.column_stack((np.linspace(0.0, 40.0, 9), np.zeros((9, 2)))))
        coarse = limb_shot(np.column_stack((np.linspace(0.0, 40.0, 5), np.zeros((5, 2)))))
        found = deviation(coarse, fine)
        assert found.times == 9 + 8
        assert found.position < 1e-12
        bent = limb_shot(np.column_stack((np.linspace(0.0, 40.0, 9) ** 2 / 40.0, np.zeros((9, 2)))))
        assert deviation(coarse, bent).rotation_deg > 1.0

    @pytest.mark.parametrize("frames", [1, 2, 4095, 4096, 4097])
    def test_no_block_is_left_out(self, frames: int) -> None:
        angles = np.zeros((frames, 3))
        shot = limb_shot(angles, seconds=frames / 30.0)
        for frame in {0, frames // 2, frames - 1}:
            changed = angles.copy()
            changed[frame, 0] = 1.0
            found = deviation(shot, limb_shot(changed, seconds=frames / 30.0))
            assert found.rotation_deg == pytest.approx(1.0)
            assert found.rotation_time_s == shot.times_s[frame]


def plain_limb() -> Shot:
    """Return a limb of a format without rest rotations, in whose channels a turn remains."""
    return replace(limb_shot(np.full((5, 3), 20.0)), has_rest_rotations=False)


def left_out(monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Leave one part of the turning out."""

    def kept(self: Turn, joint: int, values: Array) -> Array:
        return values

    if name == "parents":

        def without_parents(self: Turn, joint: int, quaternion: Array) -> Array:
            return multiply(quaternion, self.axes[:, joint, None])

        monkeypatch.setattr(Turn, "rotations", without_parents)
    elif name == "positions":
        monkeypatch.setattr(Turn, "positions", kept)
    elif name == "own":

        def without_own(self: Turn, joint: int, quaternion: Array) -> Array:
            return multiply(conjugate(self._parent_axes[:, joint])[:, None], quaternion)

        monkeypatch.setattr(Turn, "rotations", without_own)


class TestMutants:
    """What a correction could forget, one thing at a time: the proof has to find each."""

    AXES = random_quaternions(np.random.default_rng(11), 3).T

    def worst(self, before: Shot, after: Shot) -> float:
        found = deviation(before, after, axes=self.AXES)
        return max(found.share_of_height, float(np.deg2rad(found.rotation_deg)))

    @pytest.mark.parametrize("kind", ["step", "linear", "cubic"])
    def test_nothing_forgotten(self, kind: str) -> None:
        shot = rig(kind)
        assert self.worst(shot, turn_axes(shot, self.AXES)[0]) < 1e-12

    @pytest.mark.parametrize("part", ["parents", "positions", "own"])
    @pytest.mark.parametrize("kind", ["step", "linear", "cubic"])
    def test_parents_positions_or_its_own_turn(
        self, monkeypatch: pytest.MonkeyPatch, part: str, kind: str
    ) -> None:
        left_out(monkeypatch, part)
        shot = rig(kind)
        assert self.worst(shot, turn_axes(shot, self.AXES)[0]) > LIMIT

    @pytest.mark.parametrize("field", ["tip_offsets", "offsets"])
    def test_tips_or_offsets(self, field: str) -> None:
        shot = rig()
        after, _ = turn_axes(shot, self.AXES)
        kept: dict[str, Any] = {field: getattr(shot.skeleton, field)}
        forgotten = replace(after, skeleton=replace(after.skeleton, **kept))
        assert self.worst(shot, forgotten) > LIMIT

    @pytest.mark.parametrize("field", ["in_tangents", "out_tangents"])
    @pytest.mark.parametrize("part", ["rotations", "positions"])
    def test_tangents(self, field: str, part: str) -> None:
        shot = rig("cubic")
        # Something above the travelling joint has to be turned for its positions to change.
        skeleton = replace(shot.skeleton, parents=np.array([-1, 0, 1]))
        assert shot.tracks is not None
        moving = (None, track_of(shot, "positions", 0), None)
        shot = replace(shot, skeleton=skeleton, tracks=replace(shot.tracks, positions=moving))
        after, _ = turn_axes(shot, self.AXES)
        joint = 1
        old = getattr(track_of(shot, part, joint), field)
        forgotten = replace(track_of(after, part, joint), **{field: old})
        assert self.worst(shot, with_track(after, part, joint, forgotten)) > LIMIT

    @pytest.mark.parametrize("joint", [0, 1, 2])
    @pytest.mark.parametrize("make", [rig, plain_limb])
    def test_keys_of_one_joint(self, joint: int, make: Callable[[], Shot]) -> None:
        shot = make()
        after, _ = turn_axes(shot, self.AXES)
        if after.tracks is not None:
            kept = track_of(shot, "rotations", joint)
            assert self.worst(shot, with_track(after, "rotations", joint, kept)) > LIMIT
            return
        assert shot.channels is not None
        assert after.channels is not None
        values = np.array(after.channels.values)
        columns = after.channels.rotation_columns[joint]
        values[:, columns] = shot.channels.values[:, columns]
        forgotten = replace(after, channels=replace(after.channels, values=values))
        assert self.worst(shot, forgotten) > LIMIT


def skin_of(seed: int, joints: int, points: int = 80) -> Skin:
    generator = np.random.default_rng(seed)
    binds = np.tile(np.eye(4), (joints, 1, 1))
    binds[:, :3, :3] = Rotation.random(joints, random_state=seed).as_matrix()
    binds[:, :3, 3] = generator.normal(size=(joints, 3))
    weights = generator.uniform(0.0, 1.0, (points, 2))
    weights[generator.random(points) < 0.5, 1] = 0.0
    weights /= weights.sum(axis=1, keepdims=True)
    return Skin(
        "skin",
        np.arange(joints),
        binds,
        generator.normal(size=(points, 3)),
        generator.integers(0, joints, (points, 2)),
        weights,
    )


def carried(skin: Skin, worlds: Array) -> Array:
    """Return the points (T, V, 3) of a skin: the sum of weight · W · inverse_bind · p."""
    matrices = worlds[:, skin.joints] @ skin.inverse_binds
    ends = np.column_stack((skin.points, np.ones(len(skin.points))))
    each = np.einsum("tvkrc,vc->tvkr", matrices[:, skin.influences], ends)[..., :3]
    placed: Array = np.einsum("vk,tvkr->tvr", skin.weights, each)
    return placed


class TestSkinBound:
    @given(seeds, st.booleans(), st.sampled_from(["step", "linear", "cubic"]))
    def test_no_point_moves_further_and_some_not_much_less(
        self, seed: int, scaled: bool, kind: str
    ) -> None:
        """Against all points, computed at the same instants, after turned axes with errors of every sort."""
        generator = np.random.default_rng(seed)
        shot = rig(kind, scaled=scaled)
        axes = random_quaternions(generator, 3).T
        after, _ = turn_axes(shot, axes)
        skin = skin_of(seed, 3)
        turned = Rotation.from_quat(axes).as_matrix()
        binds = np.array(skin.inverse_binds)
        binds[:, :3] = np.swapaxes(turned, 1, 2) @ binds[:, :3]
        which = generator.integers(4)
        if which == 0:
            binds[1, :3] += 1e-3 * generator.normal(size=(3, 4))
        elif which == 1:
            offsets = after.skeleton.offsets + 1e-3 * generator.normal(size=(3, 3))
            after = replace(after, skeleton=replace(after.skeleton, offsets=offsets))
        elif which == 2:
            track = track_of(after, "rotations", 1)
            slight = Rotation.from_rotvec(1e-3 * generator.normal(size=(4, 3)))
            turns = slight * Rotation.from_quat(track.values)
            if kind != "cubic":
                after = with_track(
                    after, "rotations", 1, replace(track, values=turns.as_quat(canonical=False))
                )
        new = replace(skin, inverse_binds=binds)
        found = deviation(shot, after, axes=axes)
        bound = skin_bound((skin,), (new,), found, axes)
        times = np.concatenate(proof._instants(shot, after)[0])
        apart = carried(new, played(after, times)[1]) - carried(skin, played(shot, times)[1])
        moved = float(np.linalg.norm(apart, axis=-1).max())
        assert bound >= moved - 1e-12
        if moved > 1e-6:
            assert bound < 20.0 * moved

    def test_binds_that_were_forgotten_are_found(self) -> None:
        shot, axes = rig(), random_quaternions(np.random.default_rng(2), 3).T
        found = deviation(shot, turn_axes(shot, axes)[0])
        skin = skin_of(1, 3)
        assert skin_bound((skin,), (skin,), found, axes) > 0.1
        assert skin_bound((skin,), (skin,), found, None) < 1e-12

    def test_a_joint_without_weight_does_not_count(self) -> None:
        shot = rig()
        skin = skin_of(1, 3)
        alone = replace(skin, influences=np.zeros_like(skin.influences))
        binds = np.array(skin.inverse_binds)
        binds[1:, 0, 3] += 5.0
        found = deviation(shot, shot)
        assert skin_bound((alone,), (replace(alone, inverse_binds=binds),), found, None) < 1e-12

    def test_nan_does_not_vanish(self) -> None:
        shot = rig()
        found = replace(deviation(shot, shot), joint_positions=np.full(3, np.nan))
        skin = skin_of(1, 3)
        assert not skin_bound((skin, skin), (skin, skin), found, None) <= LIMIT

    @pytest.mark.parametrize("change", ["joints", "points", "influences", "weights", "count"])
    def test_other_skins_are_refused(self, change: str) -> None:
        skin = skin_of(1, 3)
        other: tuple[Skin, ...] = ()
        if change != "count":
            values = np.array(getattr(skin, change))
            values[0] = values[1] + 1 if change != "influences" else (values[0] + 1) % 3
            changes: dict[str, Any] = {change: values}
            other = (replace(skin, **changes),)
        found: Deviation = deviation(rig(), rig())
        with pytest.raises(UsageError, match="other"):
            skin_bound((skin,), other, found, None)
