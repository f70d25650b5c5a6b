"""What COLLADA documents are read to: stacks of transforms, curves, rest, orders."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.formats import collada
from audit.formats.collada import _curves
from audit.model import Track
from audit.plugins import Opened
from audit.rotations import conjugate, multiply
from tests.formats.collada_making import NAMESPACE, Curve, Joint, bending, document, shot_of
from tests.strategies import turn_between


def track_of(data: bytes, joint: int = 0) -> Track:
    """Return the rotation track of a joint."""
    shot = shot_of(data)
    assert shot.tracks is not None
    track = shot.tracks.rotations[joint]
    assert track is not None
    return track


def degrees_about(track: Track, axis: int) -> list[float]:
    """Return the angle in degrees of turns that are all about one principal axis."""
    others = [each for each in range(3) if each != axis]
    assert np.abs(track.values[:, others]).max() < 1e-12
    degrees: list[float] = np.rad2deg(
        2.0 * np.arctan2(track.values[:, axis], track.values[:, 3])
    ).tolist()
    return degrees


def xyzw(*wxyz: float) -> np.ndarray:
    """Return a quaternion with the scalar last, of unit length."""
    values = np.roll(np.array(wxyz), -1)
    unit: np.ndarray = values / np.linalg.norm(values)
    return unit


def test_the_published_sample_joint() -> None:
    # community.khronos.org/t/question-on-node-rotations/5446: orient Z Y X, then animated Z Y X. The
    # quaternions (scalar first) were worked out from these numbers by hand, apart from this project.
    transforms = [
        ("rotate", "jointOrientZ", (0.0, 0.0, 1.0, -81.9269)),
        ("rotate", "jointOrientY", (0.0, 1.0, 0.0, -3.10948)),
        ("rotate", "jointOrientX", (1.0, 0.0, 0.0, 0.0)),
        ("rotate", "rotateZ", (0.0, 0.0, 1.0, 42.183)),
        ("rotate", "rotateY", (0.0, 1.0, 0.0, -5.78704)),
        ("rotate", "rotateX", (1.0, 0.0, 0.0, -150.0)),
    ]
    curves = [
        Curve("Hip/rotateZ.ANGLE", [0.0], [42.183]),
        Curve("Hip/rotateY.ANGLE", [0.0], [-5.78704]),
        Curve("Hip/rotateX.ANGLE", [0.0], [-150.0]),
    ]
    shot = shot_of(document([Joint("Hip", transforms)], curves))
    rest = shot.skeleton.rest_xyzw[0]
    orient = xyzw(0.754850, -0.017787, -0.020488, -0.655336)
    animated = xyzw(0.258719, -0.895365, -0.359343, 0.047526)
    total = xyzw(0.203151, -0.916932, 0.311059, -0.145625)
    local = shot.rotations_xyzw[0, 0]
    assert turn_between(rest, orient) < 5e-6
    assert turn_between(local, total) < 5e-6
    assert turn_between(multiply(conjugate(rest), local), animated) < 5e-6
    assert shot.skeleton.orders == ("ZYX",)
    # Without curves all six are the rest: no animated rotation is left to be put to zero.
    still = shot_of(document([Joint("Hip", transforms)]))
    assert turn_between(still.skeleton.rest_xyzw[0], total) < 5e-6
    assert still.skeleton.orders == (None,)
    assert still.times_s.tolist() == [0.0]


def test_the_published_bezier_check() -> None:
    # P0 (0,0), C0 (1/3,0), C1 (2/3,90), P1 (1,90): time runs evenly, and the value at a quarter is 14.0625.
    curve = Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 1.0],
        [0.0, 90.0],
        "BEZIER",
        arrive=[-1 / 3, 0.0, 2 / 3, 90.0],
        leave=[1 / 3, 0.0, 4 / 3, 90.0],
    )
    other = Curve("Knee/rotateZ.ANGLE", [0.0, 0.25, 0.5, 1.0], [0.0] * 4)
    track = track_of(bending(curve, other))
    assert track.times_s.tolist() == [0.0, 0.25, 0.5, 1.0]
    assert degrees_about(track, 0) == pytest.approx([0.0, 14.0625, 45.0, 90.0], abs=1e-9)


def test_the_parameter_of_a_bezier_curve_is_not_its_time() -> None:
    curve = Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 1.0],
        [0.0, 80.0],
        "BEZIER",
        arrive=[0.0, 0.0, 0.9, 80.0],
        leave=[0.7, 0.0, 1.0, 80.0],
    )
    # At s = 1/2: time (0 + 3·0.7 + 3·0.9 + 1) / 8 = 0.725, value (3·80 + 80) / 8 = 40.
    track = track_of(bending(curve, Curve("Knee/rotateZ.ANGLE", [0.0, 0.725], [0.0, 0.0])))
    assert degrees_about(track, 0)[1] == pytest.approx(40.0, abs=1e-9)


def test_one_dimensional_tangents_of_older_files() -> None:
    # Sample values l_hip_rotateZ of community.khronos.org/t/animations-in-1-4-1-release-notes-revision-a/5513,
    # with the control points given there: ((2 t0 + t1) / 3, v0 + out / 3), ((t0 + 2 t1) / 3, v1 - in / 3).
    curve = Curve(
        "Knee/rotateZ.ANGLE",
        [0.0, 0.416667, 0.833333],
        [0.0, 43.0, 0.0],
        "BEZIER",
        arrive=[43.0, 0.0, -17.9167],
        leave=[17.9167, 0.0, -43.0],
    )
    middle = 0.416667 / 2
    track = track_of(bending(curve, Curve("Knee/rotateX.ANGLE", [middle], [0.0])))
    by_hand = 0.125 * (0.0 + 43.0) + 0.375 * (17.9167 / 3 + 43.0)
    assert degrees_about(track, 2) == pytest.approx([0.0, by_hand, 43.0, 0.0], abs=1e-9)


def test_hermite_tangents() -> None:
    # Pairs of time and value: p(1/2) = (p0 + p1) / 2 + (t0 - t1) / 8 of both.
    pairs = Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 2.0],
        [10.0, 30.0],
        "HERMITE",
        arrive=[0.0, 0.0, 2.0, -8.0],
        leave=[2.0, 16.0, 0.0, 0.0],
    )
    single = Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 2.0],
        [10.0, 30.0],
        "HERMITE",
        arrive=[0.0, -8.0],
        leave=[16.0, 0.0],
    )
    other = Curve("Knee/rotateZ.ANGLE", [1.0], [0.0])
    for curve in (pairs, single):
        track = track_of(bending(curve, other))
        assert degrees_about(track, 0) == pytest.approx([10.0, 23.0, 30.0], abs=1e-9)


def test_every_key_may_go_on_in_its_own_way() -> None:
    curve = Curve(
        "Knee/rotateX.ANGLE",
        [0.0, 1.0, 2.0, 3.0],
        [0.0, 10.0, 30.0, 60.0],
        ["STEP", "LINEAR", "BEZIER", "LINEAR"],
        # Where no curve asks for them, tangents may be anything.
        arrive=[9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 2 + 2 / 3, 60.0],
        leave=[9.0, 9.0, 9.0, 9.0, 2 + 1 / 3, 30.0, 9.0, 9.0],
    )
    other = Curve("Knee/rotateZ.ANGLE", [0.5, 1.5, 2.5], [0.0, 0.0, 0.0])
    track = track_of(bending(curve, other))
    assert track.times_s.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    assert degrees_about(track, 0) == pytest.approx([0, 0, 10, 20, 30, 45, 60], abs=1e-9)


def test_steps_stay_steps_where_all_are() -> None:
    first = Curve("Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 10.0], "STEP")
    assert track_of(bending(first)).interpolation == "step"
    second = Curve("Knee/rotateY.ANGLE", [0.5, 1.5], [0.0, 0.0], "STEP")
    assert track_of(bending(first, second)).interpolation == "step"
    line = Curve("Knee/rotateY.ANGLE", [0.0, 1.5], [0.0, 0.0], "LINEAR")
    assert track_of(bending(first, line)).interpolation == "linear"


def test_keys_at_their_own_times() -> None:
    shot = shot_of(
        bending(
            Curve("Knee/rotateX.ANGLE", [0.0, 0.3], [0.0, 90.0]),
            Curve("Knee/rotateZ.ANGLE", [0.2, 1.0], [20.0, 40.0]),
            Curve("Knee/translate.Y", [0.1, 0.4], [1.0, 2.0]),
            Curve("Knee/scale", [0.7, 0.8], [1.0, 1.0, 1.0, 2.0, 2.0, 3.0]),
        )
    )
    assert shot.tracks is not None
    turn, move, stretch = (
        each[0] for each in (shot.tracks.rotations, shot.tracks.positions, shot.tracks.scales)
    )
    assert turn is not None
    assert move is not None
    assert stretch is not None
    assert turn.times_s.tolist() == [0.0, 0.2, 0.3, 1.0]
    assert move.times_s.tolist() == [0.1, 0.4]
    assert move.values.tolist() == [[0.0, 1.0, 0.0], [0.0, 2.0, 0.0]]
    assert stretch.times_s.tolist() == [0.7, 0.8]
    assert stretch.values.tolist() == [[1.0, 1.0, 1.0], [2.0, 2.0, 3.0]]
    assert shot.times_s.tolist() == [0.0, 0.1, 0.2, 0.3, 0.4, 0.7, 0.8, 1.0]
    assert not shot.every_frame
    # Before its first key and after its last a curve holds.
    expected = Rotation.from_euler(
        "ZYX", [[20, 0, 0], [20, 0, 60], [22.5, 0, 90], [40, 0, 90]], degrees=True
    )
    assert turn_between(turn.values.T, expected.as_quat().T).max() < 1e-12
    assert shot.skeleton.offsets.tolist() == [[0.0, 1.0, 0.0]]


@pytest.mark.parametrize(
    ("stack", "animated", "order"),
    [
        ("ZYX", "ZYX", "ZYX"),
        ("XYZ", "XYZ", "XYZ"),
        ("YXZ", "Z", "YXZ"),  # the others stand at zero
        ("YX", "YX", None),
        ("XYX", "X", None),
        ("ZYXZYX", "345", "ZYX"),
        ("ZYXXYZ", "345", "XYZ"),
        ("ZYXXYZ", "2345", None),
    ],
)
def test_orders(stack: str, animated: str, order: str | None) -> None:
    axes = {"X": (1.0, 0.0, 0.0), "Y": (0.0, -1.0, 0.0), "Z": (0.0, 0.0, 2.0)}
    names = [f"r{place}" for place in range(len(stack))]
    places = [int(each) if each.isdigit() else stack.index(each) for each in animated]
    transforms = [
        ("rotate", name, (*axes[letter], 0.0)) for name, letter in zip(names, stack, strict=True)
    ]
    curves = [Curve(f"J/r{place}.ANGLE", [0.0, 1.0], [0.0, 20.0]) for place in places]
    assert shot_of(document([Joint("J", transforms)], curves)).skeleton.orders == (order,)


def test_a_still_rotation_that_is_not_zero_states_no_order() -> None:
    transforms = [
        ("rotate", "z", (0.0, 0.0, 1.0, 15.0)),
        ("rotate", "y", (0.0, 1.0, 0.0, 0.0)),
        ("rotate", "x", (1.0, 0.0, 0.0, 0.0)),
    ]
    curves = [Curve("J/x.ANGLE", [0.0, 1.0], [10.0, 20.0])]
    shot = shot_of(document([Joint("J", transforms)], curves))
    assert shot.skeleton.orders == (None,)
    assert Rotation.from_quat(shot.skeleton.rest_xyzw[0]).as_euler(
        "ZYX", degrees=True
    ) == pytest.approx([15.0, 0.0, 0.0])


def test_an_oblique_axis() -> None:
    curves = [Curve("J/r.ANGLE", [0.0, 1.0], [0.0, 120.0])]
    shot = shot_of(document([Joint("J", [("rotate", "r", (1.0, 1.0, 1.0, 30.0))])], curves))
    assert shot.skeleton.orders == (None,)
    assert shot.rotations_xyzw[1, 0] == pytest.approx([0.5, 0.5, 0.5, 0.5])


def turns_about(*degrees: float) -> list[np.ndarray]:
    return [
        np.block(
            [
                [
                    Rotation.from_euler("Z", angle, degrees=True).as_matrix(),
                    np.array([[1.0], [2.0], [3.0]]),
                ],
                [np.zeros((1, 3)), np.ones((1, 1))],
            ]
        )
        for angle in degrees
    ]


def test_animated_matrices() -> None:
    still, *keys = turns_about(10.0, 20.0, 170.0, 190.0)
    values = np.concatenate([np.ravel(key) for key in keys]).tolist()
    shot = shot_of(
        document(
            [Joint("Hips", [("matrix", "matrix", np.ravel(still).tolist())])],
            [Curve("Hips/matrix", [0.0, 0.5, 1.0], values)],
        )
    )
    assert shot.tracks is not None
    track = shot.tracks.rotations[0]
    assert track is not None
    turns = Rotation.from_quat(track.values)
    assert turns.as_euler("ZYX", degrees=True)[:, 0] == pytest.approx([20.0, 170.0, -170.0])
    # No sign flips of our own making.
    assert np.all(np.sum(track.values[1:] * track.values[:-1], axis=1) > 0.0)
    assert shot.tracks.positions == (None,)
    assert shot.tracks.scales == (None,)
    assert shot.skeleton.offsets.tolist() == [[1.0, 2.0, 3.0]]
    rest = Rotation.from_quat(shot.skeleton.rest_xyzw[0])
    assert rest.as_euler("ZYX", degrees=True)[0] == pytest.approx(10.0)
    assert shot.skeleton.orders == (None,)


def test_a_mirrored_and_scaled_matrix() -> None:
    turn = Rotation.from_euler("XYZ", [10.0, 20.0, 30.0], degrees=True).as_matrix()
    matrix = np.eye(4)
    matrix[:3, :3] = turn @ np.diag([-2.0, -3.0, -0.5])
    shot = shot_of(document([Joint("J", [("matrix", "m", np.ravel(matrix).tolist())])]))
    assert shot.skeleton.rest_scales[0] == pytest.approx([-2.0, -3.0, -0.5])
    assert Rotation.from_quat(shot.skeleton.rest_xyzw[0]).as_matrix() == pytest.approx(turn)


def test_a_turn_about_a_pivot_moves_the_joint() -> None:
    transforms = [
        ("translate", "pivot", (0.0, 2.0, 0.0)),
        ("rotate", "z", (0.0, 0.0, 1.0, 0.0)),
        ("translate", "back", (0.0, -2.0, 0.0)),
    ]
    curves = [Curve("J/z.ANGLE", [0.0, 1.0], [0.0, 90.0])]
    shot = shot_of(document([Joint("J", transforms)], curves))
    assert shot.skeleton.offsets.tolist() == [[0.0, 0.0, 0.0]]
    assert shot.local_positions[:, 0] == pytest.approx(np.array([[0, 0, 0], [2, 2, 0]]), abs=1e-12)


def test_an_even_scale_before_a_rotation_is_carried_through() -> None:
    transforms = [
        ("scale", "s", (2.0, 2.0, 2.0)),
        ("rotate", "z", (0.0, 0.0, 1.0, 90.0)),
        ("translate", "t", (1.0, 0.0, 0.0)),
    ]
    shot = shot_of(document([Joint("J", transforms)]))
    assert shot.skeleton.offsets[0] == pytest.approx([0.0, 2.0, 0.0])
    assert shot.skeleton.rest_scales.tolist() == [[2.0, 2.0, 2.0]]


def test_which_nodes_are_joints() -> None:
    leaf = Joint("Leaf", type="NODE")
    moved = Joint("Moved", [("rotate", "r", (1.0, 0.0, 0.0, 0.0))], [leaf], type="NODE")
    tree = Joint(
        "World",
        [("translate", "t", (5.0, 0.0, 0.0))],
        [Joint("Lamp", type="NODE"), moved],
        type="NODE",
    )
    shot = shot_of(document([tree], [Curve("Moved/r.ANGLE", [0.0, 1.0], [0.0, 9.0])]))
    assert shot.skeleton.names == ("World", "Moved")
    assert shot.skeleton.parents.tolist() == [-1, 0]
    assert shot.tracks is not None
    assert shot.tracks.rotations[0] is None


def test_targets_in_all_spellings() -> None:
    for target in ("Knee/rotateX.ANGLE", "Knee/rotateX(3)"):
        track = track_of(bending(Curve(target, [0.0, 1.0], [0.0, 50.0])))
        assert degrees_about(track, 0) == pytest.approx([0.0, 50.0])
    whole = Curve("Knee/rotateX", [0.0, 1.0], [1.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 50.0])
    shot = shot_of(bending(whole))
    assert shot.rotations_xyzw[1, 0] == pytest.approx(
        [0.0, np.sin(np.deg2rad(25)), 0.0, np.cos(np.deg2rad(25))]
    )
    assert shot.skeleton.orders == (None,)
    # By way of the sids of nodes below.
    below = Joint("Shin", [("rotate", "x.y", (1.0, 0.0, 0.0, 0.0))])
    data = document(
        [Joint("Hip", below=[below])], [Curve("Hip/Shin/x.y.ANGLE", [0.0, 1.0], [0.0, 5.0])]
    )
    assert degrees_about(track_of(data, 1), 0) == pytest.approx([0.0, 5.0])


def test_what_is_no_transform_is_left_out() -> None:
    lamp = (
        '<library_lights><light id="lamp"><technique_common><point><color sid="color">1 1 1</color>'
        "</point></technique_common></light></library_lights>"
        '<library_controllers><controller id="c"><morph><source id="weights"/></morph></controller>'
        "</library_controllers>"
    )
    data = document(
        [Joint("Knee", [("rotate", "r", (1.0, 0.0, 0.0, 0.0))])],
        [
            Curve("lamp/color.R", [0.0, 1.0], [0.0, 1.0]),
            Curve("weights(0)", [0.0, 1.0], [0.0, 1.0]),
            Curve("Knee/r.ANGLE", [0.0, 2.0], [0.0, 1.0]),
        ],
        lamp,
    )
    assert shot_of(data).times_s.tolist() == [0.0, 2.0]


def test_strides_offsets_and_params_without_names() -> None:
    data = bending(Curve("Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 50.0]))
    interleaved = data.replace(
        b'<source id="c0-v"><float_array id="c0-v-a" count="2">0.0 50.0</float_array><technique_common>'
        b'<accessor source="#c0-v-a" count="2" stride="1"><param type="float"/>',
        b'<source id="c0-v"><float_array id="c0-v-a" count="6">9 8 0.0 9 8 50.0</float_array>'
        b'<technique_common><accessor source="#c0-v-a" count="2" stride="3" offset="0">'
        b'<param type="float"/><param type="float"/><param name="ANGLE" type="float"/>',
    )
    assert interleaved != data
    assert degrees_about(track_of(interleaved), 0) == pytest.approx([0.0, 50.0])


@pytest.mark.parametrize("coding", ["utf-8", "utf-16", "iso-8859-1"])
def test_encodings(coding: str) -> None:
    data = bending(Curve("Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 50.0])).decode()
    named = data.replace("Knee", "Genou_é").replace('encoding="utf-8"', f'encoding="{coding}"')
    encoded = named.encode(coding)
    assert collada.recognises(encoded[:4096])
    assert shot_of(encoded).skeleton.names == ("Genou_é",)


@pytest.mark.parametrize("namespace", ["http://www.collada.org/2008/03/COLLADASchema", NAMESPACE])
def test_both_versions_and_prefixes(namespace: str) -> None:
    data = bending(Curve("Knee/rotateX.ANGLE", [0.0, 1.0], [0.0, 50.0])).decode()
    spaced = data.replace(NAMESPACE, namespace)
    prefixed = spaced.replace("</", "<@").replace("<", "<c:").replace("<c:@", "</c:")
    prefixed = prefixed.replace("<c:?", "<?").replace("xmlns=", "xmlns:c=")
    for text in (spaced, prefixed):
        assert collada.recognises(text.encode())
        assert shot_of(text.encode()).times_s.tolist() == [0.0, 1.0]


def test_a_deep_chain() -> None:
    joint = Joint("j0", [("translate", "t", (0.0, 1.0, 0.0))])
    for number in range(1, 200):
        joint = Joint(f"j{number}", [("translate", "t", (0.0, 1.0, 0.0))], [joint])
    assert len(shot_of(document([joint])).skeleton) == 200


def test_a_document_over_ten_megabytes_in_one_array() -> None:
    keys = 500_000
    times = np.arange(keys) / 100.0
    curve = Curve("Knee/rotateX.ANGLE", times.tolist(), (np.sin(times) * 40.123456789012).tolist())
    data = bending(curve)
    assert data.count(b" ") > keys
    assert len(data) > 10_500_000
    assert shot_of(data).frames == keys


def test_curves_meet_their_keys_exactly() -> None:
    rng = np.random.default_rng(4)
    times = np.cumsum(rng.uniform(0.1, 1.0, 20))
    values = rng.normal(size=20) * 50.0
    points = np.stack([times - 0.03, rng.normal(size=20)], axis=1)
    after = np.stack([times + 0.03, rng.normal(size=20)], axis=1)
    curve = _curves.Curve(
        times,
        values[:, None],
        np.full(20, _curves.BEZIER),
        after[:, None],
        np.roll(points, -1, axis=0)[:, None],
    )
    assert curve.at(times)[:, 0].tolist() == values.tolist()
    assert curve.at(np.array([-1.0, 1e9]))[:, 0].tolist() == [values[0], values[-1]]
    # Between them: the value at the time that a parameter gives, both by the polynomial's own definition.
    for share in (0.2, 0.5, 0.9):
        weights = np.array(
            [(1 - share) ** 3, 3 * share * (1 - share) ** 2, 3 * share**2 * (1 - share), share**3]
        )
        time = weights @ [times[4], after[4, 0], points[5, 0], times[5]]
        value = weights @ [values[4], after[4, 1], points[5, 1], values[5]]
        assert curve.at(np.array([time]))[0, 0] == pytest.approx(value, abs=1e-9)


def test_the_sample_reads() -> None:
    (shot,) = collada.read(Opened(collada.sample().data, "sample.dae"))
    assert shot.skeleton.orders == (None, "ZYX")
