"""What is written reads back as it was, to the last bit; what BVH cannot hold is refused."""

import random
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from audit.conventions import ORDERS
from audit.errors import UsageError
from audit.formats.bvh import read, sample, write
from audit.model import Channels, Shot, Skeleton

CHANNELS = [f"{axis}{kind}" for kind in ("position", "rotation") for axis in "XYZ"]
IDENTITY = [0.0, 0.0, 0.0, 1.0]

finite = st.floats(allow_nan=False, allow_infinity=False)
vectors = st.tuples(finite, finite, finite)
names = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="{}\r\n"), min_size=1, max_size=12
).filter(lambda name: name == name.strip(" \t"))


def channels_of(shot: Shot) -> Channels:
    """Return the channels of a shot that has them, as each that is read from BVH does."""
    assert shot.channels is not None
    return shot.channels


def expected_order(rotations: str) -> str:
    """Return the order of a joint's rotation letters: the missing ones first."""
    missing = [axis for axis in "XYZ" if axis not in rotations]
    return "".join(missing) + rotations if rotations else "ZXY"


@st.composite
def shots(draw: st.DrawFn, joint_names: st.SearchStrategy[str] = names) -> Shot:
    """Random shots as a BVH file can hold them: depth first, columns joint by joint, tips by joint."""
    count = draw(st.integers(1, 6))
    parents: list[int] = [-1]
    for joint in range(1, count):
        # Depth first, a joint hangs on the one before it or on one of that one's ancestors.
        choices, above = [-1], joint - 1
        while above >= 0:
            choices.append(above)
            above = parents[above]
        parents.append(draw(st.sampled_from(choices)))
    listed = [
        draw(st.lists(st.sampled_from(CHANNELS), unique=True, max_size=6)) for _ in range(count)
    ]
    if not any(listed):
        listed[0] = ["Xrotation"]
    rotation_columns = np.full((count, 3), -1)
    position_columns = np.full((count, 3), -1)
    columns = [(joint, name) for joint, own in enumerate(listed) for name in own]
    for column, (joint, name) in enumerate(columns):
        table = rotation_columns if name.endswith("rotation") else position_columns
        table[joint, "XYZ".index(name[0])] = column
    orders = [
        expected_order("".join(name[0] for name in own if name.endswith("rotation")))
        for own in listed
    ]
    tips = sorted(draw(st.lists(st.integers(0, count - 1), max_size=4)))
    frames = draw(st.integers(1, 4))
    values = draw(st.lists(finite, min_size=frames * len(columns), max_size=frames * len(columns)))
    skeleton = Skeleton(
        names=tuple(draw(st.lists(joint_names, min_size=count, max_size=count))),
        parents=np.array(parents),
        offsets=np.array([draw(vectors) for _ in range(count)]),
        rest_xyzw=np.tile(IDENTITY, (count, 1)),
        orders=tuple(orders),
        tip_joints=np.array(tips, dtype=np.int64),
        tip_offsets=np.array([draw(vectors) for _ in tips]).reshape(-1, 3),
    )
    return Shot(
        skeleton,
        np.arange(frames, dtype=np.float64) * draw(st.floats(1e-6, 1e6)),
        channels=Channels(
            np.array(values).reshape(frames, len(columns)), rotation_columns, position_columns
        ),
    )


def assert_same(left: Shot, right: Shot) -> None:
    """Check that two shots hold the same, to the last bit (so that 0 and −0 differ)."""
    assert left.skeleton.names == right.skeleton.names
    assert left.skeleton.orders == right.skeleton.orders
    for name in ("parents", "offsets", "rest_xyzw", "tip_joints", "tip_offsets"):
        one, other = getattr(left.skeleton, name), getattr(right.skeleton, name)
        assert (one.shape, one.tobytes()) == (other.shape, other.tobytes()), name
    for name in ("values", "rotation_columns", "position_columns"):
        one, other = getattr(channels_of(left), name), getattr(channels_of(right), name)
        assert (one.shape, one.tobytes()) == (other.shape, other.tobytes()), name
    assert left.times_s.tobytes() == right.times_s.tobytes()


@settings(max_examples=250, deadline=None)
@given(shots())
def test_a_shot_reads_back_as_it_was(shot: Shot) -> None:
    data = write(shot)
    again = read(data, "a.bvh")
    assert_same(again, shot)
    assert write(again) == data


@settings(max_examples=150, deadline=None)
@given(shots(st.text("abcXYZ_19.:é", min_size=1, max_size=6)), st.randoms(use_true_random=False))
def test_layout_noise_makes_no_difference(shot: Shot, rng: random.Random) -> None:
    lines = write(shot).decode().split("\n")[:-1]
    first_row = len(lines) - shot.frames
    noisy: list[str] = []
    for place, line in enumerate(lines):
        words = line.split()
        is_row = place >= first_row
        for at, word in enumerate(words):
            # Everything but a joint's name may be in any case; a row may run over several lines.
            is_name = at == 1 and words[0] in ("ROOT", "JOINT")
            noisy.append(word if is_name else rng.choice([word, word.lower(), word.upper()]))
            gaps = [" ", "\t", " \t "] + ["\n", "\r\n", " \r\t"] * is_row
            if at < len(words) - 1:
                noisy.append(rng.choice(gaps))
        endings = ["\n", "\r\n", "\r", " \n\n\t", "\n \t\r\n"]
        noisy.append(rng.choice(endings + [" "] * 5 if words[0] in "{}" else endings))
    text = "".join(noisy)
    assert_same(read((text.rstrip() if rng.random() < 0.5 else text).encode(), "a.bvh"), shot)


def test_the_sample_is_written_as_it_stands() -> None:
    assert write(read(sample(), "a.bvh")) == sample()


def test_numbers_are_the_shortest_that_read_back() -> None:
    text = write(read(sample().replace(b"-2.5", b"0.1000000000000000055"), "a.bvh")).decode()
    assert " 5.0 0.1 0.25 " in text
    assert "Frame Time: 0.04\n" in text


def test_a_chain_of_thousands_stays_small() -> None:
    count = 5000
    skeleton = Skeleton.plain(
        [f"j{joint}" for joint in range(count)],
        range(-1, count - 1),
        np.tile([0.0, 1.0, 0.0], (count, 1)),
        orders="YZX",
    )
    columns = np.full((count, 3), -1)
    columns[:, 0] = np.arange(count)
    channels = Channels(np.arange(2.0 * count).reshape(2, count), columns, np.full((count, 3), -1))
    shot = Shot(skeleton, np.array([0.0, 0.5]), channels=channels)
    data = write(shot)
    assert len(data) < 1_000_000
    assert_same(read(data, "a.bvh"), shot)


# --- shots that were not read from BVH ---------------------------------------------------------------------


def by_hand(
    order: str | None, columns: list[int], positions: list[int], values: list[float]
) -> Shot:
    skeleton = Skeleton.plain(["a"], [-1], [[1.0, 2.0, 3.0]], orders=order)
    return Shot(
        skeleton,
        np.zeros(1),
        channels=Channels(np.array([values]), np.array([columns]), np.array([positions])),
    )


@pytest.mark.parametrize(
    ("order", "columns", "positions", "written", "row"),
    [
        ("ZXY", [0, 1, 2], [-1] * 3, "3 Zrotation Xrotation Yrotation", "30.0 10.0 20.0"),
        ("ZYX", [0, -1, -1], [-1] * 3, "3 Zrotation Yrotation Xrotation", "0.0 0.0 10.0"),
        ("YZX", [0, -1, -1], [-1] * 3, "1 Xrotation", "10.0"),
        (
            "XYZ",
            [-1] * 3,
            [2, -1, -1],
            "4 Xposition Xrotation Yrotation Zrotation",
            "30.0 0.0 0.0 0.0",
        ),
        ("ZXY", [-1] * 3, [2, -1, 0], "2 Zposition Xposition", "10.0 30.0"),
        (
            "YZX",
            [-1, -1, 1],
            [2, -1, -1],
            "4 Xposition Yrotation Zrotation Xrotation",
            "30.0 0.0 20.0 0.0",
        ),
    ],
)
def test_the_order_is_kept_whatever_columns_there_are(
    order: str, columns: list[int], positions: list[int], written: str, row: str
) -> None:
    shot = by_hand(order, columns, positions, [10.0, 20.0, 30.0])
    text = write(shot).decode()
    assert f"CHANNELS {written}\n" in text
    assert text.endswith(f"\n{row}\n")
    again = read(text.encode(), "a.bvh")
    assert again.skeleton.orders == (order,)
    assert np.array_equal(again.rotations_xyzw, shot.rotations_xyzw)
    assert np.array_equal(again.local_positions, shot.local_positions)


def test_joints_are_written_depth_first() -> None:
    skeleton = Skeleton.plain(["a", "b", "c", "d"], [-1, 0, 0, 1], np.eye(4, 3), orders="YZX")
    columns = np.full((4, 3), -1)
    columns[:, 0] = [0, 1, 2, 3]
    channels = Channels(np.array([[1.0, 2.0, 3.0, 4.0]]), columns, np.full((4, 3), -1))
    again = read(write(Shot(skeleton, np.zeros(1), channels=channels)), "a.bvh")
    assert again.skeleton.names == ("a", "b", "d", "c")
    assert again.skeleton.parents.tolist() == [-1, 0, 1, 0]
    assert channels_of(again).values.tolist() == [[1, 2, 4, 3]]
    assert again.skeleton.offsets.tolist() == np.eye(4, 3)[[0, 1, 3, 2]].tolist()


@pytest.mark.parametrize("order", [*ORDERS, None])
def test_a_shot_made_of_rotations(order: str | None) -> None:
    rng = np.random.default_rng(11)
    frames, joints = 40, 4
    # Steady turns, so that the channels pass ±180° and the lock.
    axes = rng.normal(size=(joints, 3))
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    angles = np.linspace(0.0, 9.0, frames)[:, None, None]
    turns = (
        Rotation.from_rotvec((angles * axes).reshape(-1, 3)).as_quat().reshape(frames, joints, 4)
    )
    skeleton = Skeleton.plain(
        ["root", "one", "two", "other"], [-1, 0, 1, -1], rng.normal(size=(joints, 3)), orders=order
    )
    positions = np.tile(skeleton.offsets, (frames, 1, 1))
    positions[:, 0] += rng.normal(size=(frames, 3))
    positions[3, 2, 1] += 0.25
    shot = Shot(skeleton, np.arange(frames) / 24.0, rotations=turns, positions=positions)
    data = write(shot)
    again = read(data, "a.bvh")
    assert again.skeleton.orders == (order or "ZXY",) * joints
    assert np.array_equal(again.local_positions, positions)
    np.testing.assert_allclose(again.times_s, shot.times_s, rtol=1e-15)
    # Roots and the joint that leaves its offset have positions, the others have none.
    assert (channels_of(again).position_columns[:, 0] >= 0).tolist() == [True, False, True, True]
    difference = Rotation.from_quat(again.rotations_xyzw.reshape(-1, 4)).inv() * Rotation.from_quat(
        turns.reshape(-1, 4)
    )
    assert np.max(difference.magnitude()) < 1e-7
    assert write(again) == data


def test_positions_given_beside_channels_are_written() -> None:
    base = by_hand("ZXY", [0, 1, 2], [-1] * 3, [10.0, 20.0, 30.0])
    shot = Shot(
        base.skeleton, base.times_s, channels=base.channels, positions=np.array([[[7.0, 8.0, 9.0]]])
    )
    again = read(write(shot), "a.bvh")
    assert again.local_positions.tolist() == [[[7.0, 8.0, 9.0]]]
    np.testing.assert_allclose(channels_of(again).values[0, 3:], [30.0, 10.0, 20.0], rtol=1e-14)


def test_channels_made_from_rotations_do_not_leap() -> None:
    turn = np.deg2rad(np.arange(0.0, 720.0, 10.0))
    rotations = Rotation.from_euler("Z", turn[:, None]).as_quat()[:, None]
    skeleton = Skeleton.plain(["a"], [-1], np.zeros((1, 3)), orders="ZXY")
    again = read(write(Shot(skeleton, np.arange(72.0), rotations=rotations)), "a.bvh")
    heading = channels_of(again).values.T[channels_of(again).rotation_columns[0, 2]]
    np.testing.assert_allclose(np.diff(heading), 10.0, atol=1e-9)


# --- times -------------------------------------------------------------------------------------------------


def shot_at(times_s: list[float]) -> Shot:
    skeleton = Skeleton.plain(["a"], [-1], np.zeros((1, 3)), orders="YZX")
    values = np.zeros((len(times_s), 1))
    channels = Channels(values, np.array([[0, -1, -1]]), np.full((1, 3), -1))
    return Shot(skeleton, np.array(times_s), channels=channels)


def frame_time(shot: Shot) -> str:
    found = re.search(r"Frame Time: (\S+)", write(shot).decode())
    assert found
    return found[1]


def test_frame_times() -> None:
    assert frame_time(shot_at([0.0, 0.04, 0.08])) == "0.04"
    assert frame_time(shot_at([0.0])) == repr(1.0 / 30.0)
    # A shot that starts late starts at 0 in BVH; times kept as 32-bit numbers are even enough.
    assert frame_time(shot_at([2.0, 2.5, 3.0])) == "0.5"
    late = [float(np.float32(100.0 + frame / 30.0)) for frame in range(31)]
    assert float(frame_time(shot_at(late))) == pytest.approx(1.0 / 30.0, rel=1e-5)


def test_uneven_times_are_refused() -> None:
    with pytest.raises(UsageError, match="not evenly spaced") as caught:
        write(shot_at([0.0, 0.04, 0.09]))
    assert "Resample" in (caught.value.hint or "")


# --- what BVH cannot hold ----------------------------------------------------------------------------------


def test_rest_rotations_are_refused() -> None:
    rest = np.array([IDENTITY, [0.6, 0.0, 0.0, 0.8]])
    skeleton = Skeleton(("a", "b"), np.array([-1, 0]), np.zeros((2, 3)), rest, (None, None))
    shot = Shot(skeleton, np.zeros(1), rotations=np.tile(IDENTITY, (1, 2, 1)))
    with pytest.raises(UsageError, match="BVH has no rest rotations, but joint 'b' has one"):
        write(shot)


def test_a_negated_identity_is_no_rest_rotation() -> None:
    skeleton = Skeleton(("a",), np.array([-1]), np.zeros((1, 3)), -np.array([IDENTITY]), (None,))
    assert read(write(Shot(skeleton, np.zeros(1), rotations=np.tile(IDENTITY, (1, 1, 1)))), "a.bvh")


@pytest.mark.parametrize("name", ["", "a{", "}", "a\nb", "a\rb", " a", "a\t", "\ud800"])
def test_names_that_would_not_survive_are_refused(name: str) -> None:
    skeleton = Skeleton.plain([name], [-1], np.zeros((1, 3)))
    with pytest.raises(UsageError, match="cannot hold the joint name") as caught:
        write(Shot(skeleton, np.zeros(1), rotations=np.tile(IDENTITY, (1, 1, 1))))
    assert "Rename it" in (caught.value.hint or "")


def test_a_shot_without_channels_is_refused() -> None:
    with pytest.raises(UsageError, match="without channels"):
        write(by_hand("ZXY", [-1] * 3, [-1] * 3, []))
