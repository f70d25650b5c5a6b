"""BVH as read here against two general readers from the package index: an independent view of the format."""

from pathlib import Path

import numpy as np
import pytest

from audit.conventions import ORDERS
from audit.formats.bvh import read
from audit.model import Shot
from audit.rotations import multiply, rotate

MISSING = "the package {}, an independent reader of BVH, is not installed"


def hierarchy(orders: list[str], rng: np.random.Generator) -> tuple[list[str], int]:
    """Return a random skeleton's lines, and its count of channels: six at the root, three at all others."""
    lines, open_joints = ["HIERARCHY"], 0
    for joint, order in enumerate(orders):
        channels = " ".join(f"{letter}rotation" for letter in order)
        head = "CHANNELS 3" if joint else "CHANNELS 6 Xposition Yposition Zposition"
        offset = " ".join(
            map(repr, np.round(rng.normal(size=3), 4).tolist() if joint else [0.0] * 3)
        )
        # Now and then a branch ends, and the next joint hangs on one further up.
        while open_joints > 1 and rng.random() < 0.35:
            tip = " ".join(map(repr, np.round(rng.normal(size=3), 4).tolist()))
            if lines[-1] != "}":
                lines += ["End Site", "{", f"OFFSET {tip}", "}"]
            lines.append("}")
            open_joints -= 1
        lines += [
            f"{'JOINT' if joint else 'ROOT'} j{joint}",
            "{",
            f"OFFSET {offset}",
            f"{head} {channels}",
        ]
        open_joints += 1
    lines += ["End Site", "{", "OFFSET 0.0 0.5 0.0", "}"] + ["}"] * open_joints
    return lines, 3 + 3 * len(orders)


def random_file(seed: int) -> bytes:
    rng = np.random.default_rng(seed)
    orders = [str(order) for order in rng.choice(ORDERS, size=14)]
    lines, channels = hierarchy(orders, rng)
    values = np.round(rng.uniform(-180.0, 180.0, size=(25, channels)), 5)
    rows = [" ".join(map(repr, row)) for row in values.tolist()]
    lines += ["MOTION", f"Frames: {len(rows)}", "Frame Time: 0.04", *rows]
    return ("\n".join(lines) + "\n").encode()


def world_positions(shot: Shot) -> np.ndarray:
    """Return world positions of joints (F, J, 3), by this project's own rotations."""
    rotations: list[np.ndarray] = []
    places: list[np.ndarray] = []
    for joint, parent in enumerate(shot.skeleton.parents):
        local = shot.rotations_xyzw[:, joint].T
        offset = shot.local_positions[:, joint].T
        if parent >= 0:
            offset = places[parent] + rotate(rotations[parent], offset)
            local = multiply(rotations[parent], local)
        places.append(offset)
        rotations.append(local)
    return np.stack([place.T for place in places], axis=1)


@pytest.mark.parametrize("seed", range(6))
def test_joint_positions_agree_with_an_independent_reader(seed: int, tmp_path: Path) -> None:
    pybvh = pytest.importorskip("pybvh", reason=MISSING.format("pybvh"))
    path = tmp_path / "shot.bvh"
    path.write_bytes(random_file(seed))
    shot = read(path.read_bytes(), str(path))
    other = pybvh.read_bvh_file(path, world_up="+y", warn_on_world_up_disagreement=False)
    assert shot.skeleton.names == tuple(other.joint_names)
    assert shot.skeleton.orders == tuple(other.euler_orders)
    np.testing.assert_allclose(other.joint_positions(), world_positions(shot), atol=1e-9)
    # Each channel on its own, too: theirs are in radians and in the order written.
    assert shot.channels is not None
    for joint, order in enumerate(shot.skeleton.orders):
        assert order is not None
        np.testing.assert_allclose(
            other.joint_angles[:, joint].T,
            shot.channels.angles_rad([joint], order)[:, 0],
            atol=1e-12,
        )


@pytest.mark.parametrize("seed", range(3))
def test_the_numbers_agree_with_another_reader(seed: int) -> None:
    bvh = pytest.importorskip("bvh", reason=MISSING.format("bvh"))
    data = random_file(seed)
    shot = read(data, "shot.bvh")
    other = bvh.Bvh(data.decode())
    assert list(shot.skeleton.names) == other.get_joints_names()
    assert other.frame_time == shot.times_s[1]
    assert shot.channels is not None
    values = np.array(other.frames, dtype=np.float64)
    assert np.array_equal(values, shot.channels.values)
    for joint, name in enumerate(shot.skeleton.names):
        assert other.joint_offset(name) == tuple(shot.skeleton.offsets[joint])
        channels = other.joint_channels(name)
        first = other.get_joint_channels_index(name)
        for place, channel in enumerate(channels):
            table = (
                shot.channels.rotation_columns
                if channel.endswith("rotation")
                else shot.channels.position_columns
            )
            assert table[joint, "XYZ".index(channel[0])] == first + place
