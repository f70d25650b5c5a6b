"""The demo: fixtures are what the generator makes, both rigs move alike, faults are as large as said.

Everything is worked out a second time from the shots alone, with scipy's rotations as the independent route.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.demo import HINGES, Fault, built_in_faults, demo_files, demo_shots
from audit.formats import bvh
from audit.model import Channels, Shot

FIXTURES = Path(__file__).resolve().parent.parent / "fixtures"
SHOTS = demo_shots()
FAULTS = built_in_faults()
CASES = [(file, fault) for fault in FAULTS for file in fault.files]


def place_of(shot: Shot, joint: str) -> int:
    return shot.skeleton.names.index(joint)


def channels_of(shot: Shot, joint: str) -> np.ndarray:
    """Return the X, Y and Z channels (F, 3) of a joint in degrees."""
    assert shot.channels is not None
    return np.array(shot.channels.values[:, shot.channels.rotation_columns[place_of(shot, joint)]])


def rotations_of(shot: Shot, joint: str) -> Rotation:
    """Return a joint's rotations, with scipy's capital letters for turns about the moving axes."""
    order = shot.skeleton.orders[place_of(shot, joint)]
    assert order is not None
    written = channels_of(shot, joint)[:, ["XYZ".index(letter) for letter in order]]
    return Rotation.from_euler(order, written, degrees=True)


def world_points(shot: Shot) -> np.ndarray:
    """Return every joint and every tip (F, J + T, 3) in the world."""
    assert shot.channels is not None
    skeleton = shot.skeleton
    offsets, tips = np.array(skeleton.offsets), np.array(skeleton.tip_offsets)
    rotations: list[Rotation] = []
    points: list[np.ndarray] = []
    for place, parent in enumerate(skeleton.parents):
        own = rotations_of(shot, skeleton.names[place])
        if parent < 0:
            columns = shot.channels.position_columns[place]
            points.append(np.array(shot.channels.values[:, columns]))
            rotations.append(own)
        else:
            points.append(points[parent] + rotations[parent].apply(offsets[place]))
            rotations.append(rotations[parent] * own)
    for joint, tip in zip(skeleton.tip_joints, tips, strict=True):
        points.append(points[joint] + rotations[joint].apply(tip))
    return np.stack(points, axis=1)


def apart(left: Shot, right: Shot) -> float:
    """Return the largest distance between the same point of two shots, as a share of the height."""
    points = world_points(left)
    height = np.ptp(points[..., 1], axis=1).max()
    return float(np.linalg.norm(points - world_points(right), axis=-1).max() / height)


def motion_axes(shot: Shot, joint: str) -> tuple[np.ndarray, np.ndarray]:
    """Return the share (3,) of the motion on each principal axis, and those axes as columns."""
    rotation = rotations_of(shot, joint)
    vectors = (rotation.mean().inv() * rotation).as_rotvec()
    _, sizes, axes = np.linalg.svd(vectors, full_matrices=False)
    return sizes**2 / np.sum(sizes**2), axes.T


def limb_of(shot: Shot, joint: str) -> np.ndarray:
    """Return the unit vector from a joint to its only child or to its tip, in its own axes."""
    skeleton, place = shot.skeleton, place_of(shot, joint)
    below = [*skeleton.offsets[skeleton.parents == place]]
    below += [*skeleton.tip_offsets[skeleton.tip_joints == place]]
    assert len(below) == 1
    return np.array(below[0] / np.linalg.norm(below[0]))


def without_leaps(angle_deg: np.ndarray) -> np.ndarray:
    return np.asarray(np.rad2deg(np.unwrap(np.deg2rad(angle_deg), axis=0)))


# --- the files -----------------------------------------------------------------------------------------


def test_every_call_gives_the_same_bytes() -> None:
    assert demo_files() == demo_files()


def test_fixtures_are_what_the_generator_makes() -> None:
    made = demo_files()
    assert sorted(path.name for path in FIXTURES.glob("*.bvh")) == sorted(made)
    assert len(made) == 3
    for name, data in made.items():
        assert (FIXTURES / name).read_bytes() == data, (
            f"fixtures/{name}: make it anew, see README.md there"
        )


@pytest.mark.parametrize("name", SHOTS)
def test_files_are_small_and_read_back_exactly(name: str) -> None:
    data = (FIXTURES / name).read_bytes()
    assert len(data) < 1_000_000
    made, back = SHOTS[name], bvh.read(data, name)
    assert made.channels is not None
    assert back.channels is not None
    assert back.skeleton.names == made.skeleton.names
    assert back.skeleton.orders == made.skeleton.orders
    for one, other in (
        (back.channels.values, made.channels.values),
        (back.channels.rotation_columns, made.channels.rotation_columns),
        (back.channels.position_columns, made.channels.position_columns),
        (back.times_s, made.times_s),
        (back.skeleton.parents, made.skeleton.parents),
        (back.skeleton.offsets, made.skeleton.offsets),
        (back.skeleton.tip_joints, made.skeleton.tip_joints),
        (back.skeleton.tip_offsets, made.skeleton.tip_offsets),
    ):
        np.testing.assert_array_equal(one, other)


def test_shots_have_the_promised_length() -> None:
    assert {name: shot.frames for name, shot in SHOTS.items()} == {
        "wade_messy.bvh": 240,
        "wade_clean.bvh": 240,
        "strike_messy.bvh": 150,
    }
    for shot in SHOTS.values():
        np.testing.assert_allclose(np.diff(shot.times_s), 1.0 / 30.0, rtol=1e-12)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: f"{fault.joint}-{fault.kind}")
def test_readme_lists_each_fault_with_its_size(fault: Fault) -> None:
    rows = [
        [cell.strip() for cell in line.strip("|").split("|")]
        for line in (FIXTURES / "README.md").read_text(encoding="utf-8").splitlines()
        if line.startswith("|") and line.count("|") == 6
    ]
    files = "both messy" if len(fault.files) == 2 else fault.files[0].removesuffix(".bvh")
    fitting = [
        row
        for row in rows
        if row[0] == files and fault.joint in row[1].split(", ") and row[2] == fault.kind
    ]
    assert [row[3] for row in fitting] == [f"{fault.degrees:g}°"]


# --- one motion on two rigs ----------------------------------------------------------------------------


def test_messy_and_clean_rig_move_alike() -> None:
    assert apart(SHOTS["wade_clean.bvh"], SHOTS["wade_messy.bvh"]) < 1e-9


@pytest.mark.parametrize("joint", ["Pelvis", "L_Knee", "R_Finger2_3", "Tail4"])
def test_the_comparison_sees_a_hundred_thousandth_of_a_degree(joint: str) -> None:
    shot = SHOTS["wade_messy.bvh"]
    assert shot.channels is not None
    values = np.array(shot.channels.values)
    values[100, shot.channels.rotation_columns[place_of(shot, joint)]] += 1e-5
    channels = Channels(values, shot.channels.rotation_columns, shot.channels.position_columns)
    bent = Shot(shot.skeleton, shot.times_s, shot.source, channels=channels)
    assert apart(SHOTS["wade_clean.bvh"], bent) > 1e-9


# --- the clean rig -------------------------------------------------------------------------------------


def test_there_are_enough_hinges_of_every_sort() -> None:
    assert len(HINGES) == 25
    assert {"L_Knee", "R_Elbow", "L_Toe", "Jaw", "Neck2", "Tail3", "R_Finger3_2"} <= set(HINGES)


@pytest.mark.parametrize("joint", HINGES)
def test_clean_hinges_turn_on_one_channel_and_that_is_the_innermost(joint: str) -> None:
    shot = SHOTS["wade_clean.bvh"]
    moves = np.ptp(channels_of(shot, joint), axis=0) > 0.0
    assert [letter for letter, each in zip("XYZ", moves, strict=True) if each] == [HINGES[joint]]
    order = shot.skeleton.orders[place_of(shot, joint)]
    assert order is not None
    assert order[-1] == HINGES[joint]


@pytest.mark.parametrize("joint", HINGES)
def test_clean_limbs_lie_along_an_axis(joint: str) -> None:
    np.testing.assert_array_equal(
        np.sort(np.abs(limb_of(SHOTS["wade_clean.bvh"], joint))), (0, 0, 1)
    )


def test_no_other_joint_of_the_clean_rig_passes_for_a_hinge() -> None:
    """Otherwise the clean rig would have hinges that nobody planned, on axes that nobody chose."""
    shot = SHOTS["wade_clean.bvh"]
    others = [name for name in shot.skeleton.names if name not in HINGES and name != "Beak"]
    assert len(others) == 14
    for joint in others:
        assert motion_axes(shot, joint)[0][0] < 0.92, joint


def test_clean_curves_do_not_leap() -> None:
    shot = SHOTS["wade_clean.bvh"]
    for joint in shot.skeleton.names:
        assert np.abs(np.diff(channels_of(shot, joint), axis=0)).max() < 20.0, joint


@pytest.mark.parametrize("joint", [name for name in HINGES if "Finger" in name])
def test_fingers_curl_between_40_and_80_degrees(joint: str) -> None:
    assert 40.0 <= np.ptp(channels_of(SHOTS["wade_clean.bvh"], joint), axis=0).max() <= 80.0


@pytest.mark.parametrize("joint", [name for name in HINGES if "Tail" not in name])
def test_clean_hinges_never_pass_straight(joint: str) -> None:
    curve = channels_of(SHOTS["wade_clean.bvh"], joint)[:, "XYZ".index(HINGES[joint])]
    assert np.all(curve > 0.0) or np.all(curve < 0.0)


# --- the faults ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("joint", ["L_Knee", "R_Knee", "L_Elbow", "R_Elbow"])
@pytest.mark.parametrize("name", ["wade_messy.bvh", "strike_messy.bvh"])
def test_messy_knees_and_elbows_spread_over_several_channels(joint: str, name: str) -> None:
    assert np.count_nonzero(np.ptp(channels_of(SHOTS[name], joint), axis=0) > 5.0) >= 2


def cases_of(*kinds: str) -> pytest.MarkDecorator:
    chosen = [(file, fault) for file, fault in CASES if fault.kind in kinds]
    assert chosen
    return pytest.mark.parametrize(
        ("file", "fault"), chosen, ids=[f"{fault.joint}-{file}" for file, fault in chosen]
    )


@cases_of("twist")
def test_twisted_hinges_turn_about_an_axis_turned_the_other_way(file: str, fault: Fault) -> None:
    """Seen from axes that are turned by θ about the limb, the hinge axis is turned by −θ about it."""
    shot = SHOTS[file]
    shares, axes = motion_axes(shot, fault.joint)
    assert shares[0] > 1.0 - 1e-9
    limb, hinge = limb_of(shot, fault.joint), axes[:, 0]
    straight = limb_of(SHOTS["wade_clean.bvh"], fault.joint)
    # Put the aim right first, by the smallest turn; for a limb with clean aim that is none.
    aside = np.cross(limb, straight)
    sine = np.linalg.norm(aside)
    if sine > 1e-9:
        hinge = Rotation.from_rotvec(aside / sine * np.arcsin(sine)).apply(hinge)
    target = np.eye(3)["XYZ".index(HINGES[fault.joint])]
    hinge = hinge * np.sign(hinge @ target)
    turn = np.rad2deg(np.arctan2(np.cross(target, hinge) @ straight, target @ hinge))
    assert turn == pytest.approx(-fault.degrees, abs=1e-5)
    assert hinge @ straight == pytest.approx(0.0, abs=1e-7)


@cases_of("aim")
def test_badly_aimed_joints_miss_their_limb(file: str, fault: Fault) -> None:
    error = np.rad2deg(np.arccos(np.abs(limb_of(SHOTS[file], fault.joint)).max()))
    assert error == pytest.approx(fault.degrees, abs=1e-6)


@pytest.mark.parametrize("joint", [fault.joint for fault in FAULTS if fault.kind == "twist"])
def test_only_the_tail_is_badly_aimed(joint: str) -> None:
    error = np.rad2deg(np.arccos(np.abs(limb_of(SHOTS["wade_messy.bvh"], joint)).max()))
    assert (error > 1e-4) == joint.startswith("Tail")


@cases_of("order")
def test_the_folding_joint_has_clean_axes_and_a_bad_order(file: str, fault: Fault) -> None:
    shot = SHOTS[file]
    shares, axes = motion_axes(shot, fault.joint)
    assert shares[0] > 1.0 - 1e-9
    np.testing.assert_allclose(np.abs(axes[:, 0]), (1, 0, 0), atol=1e-7)
    order = shot.skeleton.orders[place_of(shot, fault.joint)]
    assert order is not None
    assert order[1] == HINGES[fault.joint]
    assert np.ptp(without_leaps(channels_of(shot, fault.joint)), axis=0).min() > 20.0
    # With the hinge innermost the same rotations are one curve, and it reaches the fold.
    better = rotations_of(shot, fault.joint).as_euler("ZYX", degrees=True)
    assert np.ptp(better[:, :2], axis=0).max() < 1e-5
    assert better[:, 2].max() == pytest.approx(fault.degrees, abs=1e-6)


@cases_of("two-axis")
def test_the_wagging_joint_is_no_hinge(file: str, fault: Fault) -> None:
    shares, _ = motion_axes(SHOTS[file], fault.joint)
    assert shares[0] < 0.9
    assert shares[0] + shares[1] > 0.97
    # Seen from the axes that the rest of the hand needs (12° back about −X), it wags about Y.
    back = Rotation.from_euler("X", 12.0, degrees=True)
    seen = back.inv() * rotations_of(SHOTS[file], fault.joint) * back
    wag = seen.as_euler("XYZ", degrees=True)[:, 1]
    assert np.ptp(wag) == pytest.approx(fault.degrees, rel=0.01)


@cases_of("wrap jump")
def test_the_heading_leaps_by_a_turn_once_and_the_pose_does_not(file: str, fault: Fault) -> None:
    shot = SHOTS[file]
    steps = np.diff(channels_of(shot, fault.joint), axis=0)
    leaps = np.argwhere(np.abs(steps) > 180.0)
    assert len(leaps) == 1
    frame, channel = leaps[0]
    assert "XYZ"[channel] == "Y"
    clean = np.diff(channels_of(SHOTS["wade_clean.bvh"], fault.joint), axis=0)
    assert abs(steps[frame, 1] - clean[frame, 1]) == pytest.approx(fault.degrees, abs=1e-5)
    rotation = rotations_of(shot, fault.joint)
    turned = (rotation[:-1].inv() * rotation[1:]).magnitude()
    assert np.rad2deg(turned.max()) < 5.0


def test_no_other_curve_of_the_messy_shots_leaps() -> None:
    for name, shot in SHOTS.items():
        leaping = [
            joint
            for joint in shot.skeleton.names
            if np.abs(np.diff(channels_of(shot, joint), axis=0)).max() > 180.0
        ]
        assert leaping == (["Pelvis"] if name == "wade_messy.bvh" else [])


def bend_of(shot: Shot, joint: str) -> np.ndarray:
    """Return the bend (F,) of a hinge in degrees, counted from straight, its working direction positive."""
    bend = np.rad2deg(rotations_of(shot, joint).as_rotvec() @ motion_axes(shot, joint)[1][:, 0])
    return np.asarray(bend * np.sign(np.sum(bend)))


@cases_of("back-bend")
def test_the_knee_passes_straight_for_a_few_frames(file: str, fault: Fault) -> None:
    bend = bend_of(SHOTS[file], fault.joint)
    assert bend.min() == pytest.approx(-fault.degrees, abs=1e-5)
    assert bend.max() > 90.0
    assert np.count_nonzero(bend < 0.0) == 6


def test_no_other_plain_hinge_of_the_strike_bends_back() -> None:
    # Neck2 stands on a constant, and the wagging finger is no hinge there: neither has a bend to count.
    others = [name for name in HINGES if name not in ("R_Knee", "Neck2", "R_Finger3_2")]
    for joint in others:
        assert bend_of(SHOTS["strike_messy.bvh"], joint).min() > 0.0, joint
