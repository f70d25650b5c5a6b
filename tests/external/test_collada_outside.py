"""COLLADA held against another reader of it, and curves against scipy's polynomials."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation

from audit.model import Shot
from audit.model.kinematics import world_transforms
from tests.formats.collada_making import Curve, Joint, bending, document, shot_of

Array = npt.NDArray[np.float64]


@pytest.fixture(scope="module")
def reader() -> Any:
    return pytest.importorskip(
        "collada", reason="pycollada, whose transforms this checks against, is not installed"
    )


def worlds_by(reader: Any, data: bytes) -> dict[str, Array]:
    """Return the world matrix (4, 4) of every node, as the other reader multiplies the transforms."""
    found: dict[str, Array] = {}
    waiting = [(each, np.eye(4)) for each in reader.Collada(io.BytesIO(data)).scene.nodes]
    while waiting:
        node, above = waiting.pop()
        world = above @ node.matrix
        found[node.id] = world
        waiting += [(child, world) for child in node.children if hasattr(child, "matrix")]
    return found


def assert_alike(shot: Shot, frame: int, expected: dict[str, Array]) -> None:
    """Check the world places and axes of a shot's joints against matrices in single precision."""
    rotations = np.ascontiguousarray(shot.rotations_xyzw.T)
    positions = np.ascontiguousarray(shot.local_positions.T)
    turns, places, _ = world_transforms(shot.skeleton, rotations, positions)
    for joint, name in enumerate(shot.skeleton.names):
        matrix = expected[name]
        assert np.allclose(places[:, joint, frame], matrix[:3, 3], rtol=0, atol=1e-4), name
        own = Rotation.from_quat(turns[:, joint, frame]).as_matrix()
        assert np.allclose(own, matrix[:3, :3], rtol=0, atol=1e-5), name


def random_tree(seed: int) -> tuple[list[Joint], list[str]]:
    """Return a tree of joints with any stacks of translations, rotations and rotation matrices."""
    rng = np.random.default_rng(seed)
    joints: list[Joint] = []
    rotations: list[str] = []
    for number in range(int(rng.integers(1, 7))):
        transforms: list[tuple[str, str, list[float]]] = []
        for place in range(int(rng.integers(0, 6))):
            kind = rng.choice(["rotate", "translate", "matrix"])
            if kind == "rotate":
                # Of unit length: the other reader takes an axis as it is.
                axis = rng.normal(size=3)
                axis /= np.linalg.norm(axis)
                numbers = [*axis.tolist(), float(rng.uniform(-200.0, 200.0))]
                rotations.append(f"j{number}/t{place}")
            elif kind == "translate":
                numbers = rng.normal(size=3).tolist()
            else:
                matrix = np.eye(4)
                matrix[:3, :3] = Rotation.random(rng=rng).as_matrix()
                matrix[:3, 3] = rng.normal(size=3)
                numbers = np.ravel(matrix).tolist()
            transforms.append((str(kind), f"t{place}", numbers))
        joint = Joint(f"j{number}", transforms, [])
        if joints:
            list_below = joints[int(rng.integers(len(joints)))].below
            assert isinstance(list_below, list)
            list_below.append(joint)
        joints.append(joint)
    return joints[:1], rotations


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_stacks_of_transforms(reader: Any, seed: int) -> None:
    roots, _ = random_tree(seed)
    data = document(roots)
    assert_alike(shot_of(data), 0, worlds_by(reader, data))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_animated_stacks_at_their_keys(reader: Any, seed: int) -> None:
    roots, rotations = random_tree(seed)
    if not rotations:
        return
    rng = np.random.default_rng(seed)
    chosen = [each for each in rotations if rng.uniform() < 0.7] or rotations[:1]
    angles = {each: rng.uniform(-170.0, 170.0, 3) for each in chosen}
    curves = [Curve(f"{each}.ANGLE", [0.0, 0.5, 2.0], angles[each].tolist()) for each in chosen]
    shot = shot_of(document(roots, curves))
    assert shot.times_s.tolist() == [0.0, 0.5, 2.0]
    for frame in range(3):
        # The other reader knows no animation, so it gets a document for each pose.
        assert_alike(shot, frame, worlds_by(reader, document(posed(roots, angles, frame))))


def posed(joints: list[Joint], angles: dict[str, Array], frame: int) -> list[Joint]:
    """Return the tree with the angles of one key in place of the stated ones."""
    return [
        Joint(
            joint.name,
            [
                (kind, sid, [*numbers[:3], float(angles[f"{joint.name}/{sid}"][frame])])
                if f"{joint.name}/{sid}" in angles
                else (kind, sid, numbers)
                for kind, sid, numbers in joint.transforms
            ],
            posed(list(joint.below), angles, frame),
        )
        for joint in joints
    ]


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_one_dimensional_tangents_against_a_spline(seed: int) -> None:
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.1, 1.0, 5))
    values, arrive, leave = rng.uniform(-40.0, 40.0, (3, 5))
    asked = np.sort(rng.uniform(times[0], times[-1], 12))
    curve = Curve(
        "Knee/rotateX.ANGLE",
        times.tolist(),
        values.tolist(),
        "BEZIER",
        arrive=arrive.tolist(),
        leave=leave.tolist(),
    )
    shot = shot_of(bending(curve, Curve("Knee/rotateZ.ANGLE", asked.tolist(), [0.0] * 12)))
    assert shot.tracks is not None
    track = shot.tracks.rotations[0]
    assert track is not None
    got = np.rad2deg(2.0 * np.arctan2(track.values[:, 0], track.values[:, 3]))
    for time, angle in zip(track.times_s, got, strict=True):
        key = int(np.clip(np.searchsorted(times, time, side="right") - 1, 0, 3))
        gap = times[key + 1] - times[key]
        # A tangent is the change over the whole gap, so the slope is that over the gap.
        spline = CubicHermiteSpline(
            times[key : key + 2], values[key : key + 2], [leave[key] / gap, arrive[key + 1] / gap]
        )
        assert angle == pytest.approx(float(spline(time)), abs=1e-8)
