"""Joints are matched by name, then by place; what is renamed, lost, added or hung elsewhere is told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given

from audit.compare import Matching
from audit.model import Shot, Skeleton
from tests.strategies import shots
from tests.unit.compare.making import NAMES, OFFSETS, PARENTS, matched, turn, turned, walker


def pairs(before: Shot, after: Shot) -> dict[str, tuple[str, str]]:
    found = matched(before, after)
    return {
        before.skeleton.names[joint]: (after.skeleton.names[other], how)
        for joint, other, how in zip(found.before, found.after, found.how, strict=True)
    }


def rebuilt(shot: Shot, kept: list[int], parents: list[int] | None = None) -> Shot:
    """Return a shot with only some joints, in this order; offsets and motion stay as they are."""
    skeleton = shot.skeleton
    place = {joint: index for index, joint in enumerate(kept)}
    above = parents or [place.get(int(skeleton.parents[joint]), -1) for joint in kept]
    return Shot(
        Skeleton(
            tuple(skeleton.names[joint] for joint in kept),
            np.array(above),
            skeleton.offsets[kept],
            skeleton.rest_xyzw[kept],
            tuple(skeleton.orders[joint] for joint in kept),
        ),
        shot.times_s,
        rotations=shot.rotations_xyzw[:, kept],
        positions=shot.local_positions[:, kept],
    )


def renamed(shot: Shot, names: dict[str, str]) -> Shot:
    skeleton = shot.skeleton
    return replace(
        shot,
        skeleton=replace(skeleton, names=tuple(names.get(each, each) for each in skeleton.names)),
    )


def test_names_decide_whatever_the_order_of_the_joints() -> None:
    shot = walker()
    other = rebuilt(shot, [0, 7, 8, 4, 5, 6, 1, 2, 3])
    assert pairs(shot, other) == {name: (name, "name") for name in NAMES}


def test_a_renamed_joint_is_found_by_its_place() -> None:
    shot = walker()
    found = pairs(shot, renamed(shot, {"L_Knee": "LeftShin", "Head": "Skull"}))
    assert found["L_Knee"] == ("LeftShin", "place")
    assert found["Head"] == ("Skull", "place")
    assert found["L_Foot"] == ("L_Foot", "name")


@pytest.mark.parametrize("stretch", [1.0, 100.0])
def test_a_prefix_on_all_names_is_no_hindrance(stretch: float) -> None:
    other = walker(names=[f"walker:{name}" for name in NAMES], stretch=stretch)
    # The other way round in the file, so that order alone would pair left with right.
    other = rebuilt(other, [0, 4, 5, 6, 1, 2, 3, 7, 8])
    expected = {name: (f"walker:{name}", "place") for name in NAMES}
    assert pairs(walker(), other) == expected


def test_renamed_sides_are_told_apart_by_where_they_are_even_in_turned_axes() -> None:
    shot = walker(rest=False)
    other = turned(shot, {0: turn((0.0, 1.0, 0.0), 180.0), 1: turn((0.0, 1.0, 0.0), 90.0)})
    swap = {
        "L_Thigh": "A",
        "R_Thigh": "B",
        "L_Knee": "C",
        "R_Knee": "D",
        "L_Foot": "E",
        "R_Foot": "F",
    }
    found = pairs(shot, renamed(other, swap))
    assert {name: found[name][0] for name in swap} == swap


def test_lost_and_added_joints() -> None:
    shot = walker()
    without = rebuilt(shot, [0, 1, 2, 3, 4, 5, 6, 7])
    found = matched(shot, without)
    assert [NAMES[place] for place in found.lost] == ["Head"]
    assert len(found.added) == 0
    back = matched(without, shot)
    assert [NAMES[place] for place in back.added] == ["Head"]
    assert len(back) == len(found) == 8


def test_another_joint_on_the_same_parent_is_not_taken_for_a_renamed_one() -> None:
    shot = walker()
    skeleton = shot.skeleton
    offsets = skeleton.offsets.copy()
    offsets[8] = (0.0, 1.5, 2.0)
    other = replace(
        shot,
        skeleton=replace(skeleton, offsets=offsets, names=(*NAMES[:8], "Lantern")),
        positions=np.tile(offsets, (shot.frames, 1, 1)),
    )
    found = matched(shot, other)
    assert list(found.lost) == list(found.added) == [8]


def test_a_joint_put_in_between_changes_the_parent_of_those_below() -> None:
    shot = walker()
    parents = [*PARENTS[:7], 9, 7, 0]
    kept = [0, 1, 2, 3, 4, 5, 6, 7, 8]
    skeleton = shot.skeleton
    order = [*range(7), 9, 7, 8]
    names = (*NAMES, "Waist")
    offsets = np.array([*OFFSETS, (0.0, 0.5, 0.0)])
    place = {joint: index for index, joint in enumerate(order)}
    other = Shot(
        Skeleton(
            tuple(names[joint] for joint in order),
            np.array([-1 if parents[joint] < 0 else place[parents[joint]] for joint in order]),
            offsets[order],
            np.tile([0.0, 0.0, 0.0, 1.0], (10, 1)),
            (None,) * 10,
        ),
        shot.times_s[:1],
        rotations=np.tile([0.0, 0.0, 0.0, 1.0], (1, 10, 1)),
    )
    found = matched(shot, other)
    assert len(kept) == len(skeleton) == len(found)
    changed = [
        NAMES[joint]
        for joint, moved in zip(found.before, found.changed_parents, strict=True)
        if moved
    ]
    assert changed == ["Spine"]
    assert [other.skeleton.names[place] for place in found.added] == ["Waist"]


def test_a_renamed_parent_is_no_other_parent() -> None:
    shot = walker()
    assert not matched(shot, renamed(shot, {"L_Knee": "Shin"})).changed_parents.any()


def test_a_parent_that_is_lost_makes_a_root() -> None:
    shot = walker()
    other = rebuilt(shot, [1, 2, 3])
    found = matched(shot, other)
    assert list(found.changed_parents) == [True, False, False]


def test_a_name_that_is_there_twice_goes_by_the_names_above() -> None:
    names = ("Hips", "L", "Bone", "Tip", "R", "Bone", "Tip", "Spine", "Head")
    shot, other = walker(names=names), rebuilt(walker(names=names), [0, 4, 5, 6, 1, 2, 3, 7, 8])
    found = matched(shot, other)
    assert [int(place) for place in found.after] == [0, 4, 5, 6, 1, 2, 3, 7, 8]
    assert set(found.how) == {"name"}


def test_nothing_in_common() -> None:
    shot = walker()
    other = rebuilt(renamed(shot, {name: f"other {name}" for name in NAMES}), [2])
    found = matched(rebuilt(shot, [0, 1, 4]), other)
    # Two single roots are taken for each other; all else is lost.
    assert len(found) == 1
    assert len(found.lost) == 2


@given(shots())
def test_a_shot_matches_itself(shot: Shot) -> None:
    found: Matching = matched(shot, shot)
    names = shot.skeleton.names
    assert len(found) == len(shot.skeleton)
    assert not found.changed_parents.any()
    for joint, other in zip(found.before, found.after, strict=True):
        assert names[joint] == names[other]


@given(shots(), shots())
def test_every_joint_is_matched_once_or_told(first: Shot, second: Shot) -> None:
    found = matched(first, second)
    assert sorted([*found.before, *found.lost]) == list(range(len(first.skeleton)))
    assert sorted([*found.after, *found.added]) == list(range(len(second.skeleton)))
