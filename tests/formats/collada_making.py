"""COLLADA documents made in code."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from audit.formats import collada
from audit.model import Shot
from audit.plugins import Opened

NAMESPACE = "http://www.collada.org/2005/11/COLLADASchema"


@dataclass
class Curve:
    """A curve to write: target, times, and rows of numbers; tangents as they stand in the file."""

    target: str
    times: Sequence[float]
    values: Sequence[float]
    kinds: str | Sequence[str] | None = None
    arrive: Sequence[float] | None = None
    leave: Sequence[float] | None = None


@dataclass
class Joint:
    """A node to write: its transforms as (kind, sid, numbers), and its children."""

    name: str
    transforms: Sequence[tuple[str, str, Sequence[float]]] = ()
    below: Sequence[Joint] = field(default_factory=list)
    type: str = "JOINT"


def row(numbers: Sequence[float]) -> str:
    return " ".join(map(repr, numbers))


def source(name: str, numbers: Sequence[float], stride: int) -> str:
    params = '<param type="float"/>' * stride
    return (
        f'<source id="{name}"><float_array id="{name}-a" count="{len(numbers)}">{row(numbers)}'
        f'</float_array><technique_common><accessor source="#{name}-a" count="{len(numbers) // stride}" '
        f'stride="{stride}">{params}</accessor></technique_common></source>'
    )


def animation(number: int, curve: Curve) -> str:
    keys = len(curve.times)
    parts = [
        source(f"c{number}-t", curve.times, 1),
        source(f"c{number}-v", curve.values, len(curve.values) // keys),
    ]
    inputs = [("INPUT", "t"), ("OUTPUT", "v")]
    if curve.kinds is not None:
        words = [curve.kinds] * keys if isinstance(curve.kinds, str) else curve.kinds
        parts.append(
            f'<source id="c{number}-k"><Name_array id="c{number}-k-a" count="{keys}">{" ".join(words)}'
            f'</Name_array><technique_common><accessor source="#c{number}-k-a" count="{keys}" stride="1">'
            f'<param name="INTERPOLATION" type="Name"/></accessor></technique_common></source>'
        )
        inputs.append(("INTERPOLATION", "k"))
    for tangents, semantic, letter in (
        (curve.arrive, "IN_TANGENT", "i"),
        (curve.leave, "OUT_TANGENT", "o"),
    ):
        if tangents is not None:
            parts.append(source(f"c{number}-{letter}", tangents, len(tangents) // keys))
            inputs.append((semantic, letter))
    wired = "".join(f'<input semantic="{s}" source="#c{number}-{letter}"/>' for s, letter in inputs)
    return (
        f'<animation>{"".join(parts)}<sampler id="c{number}">{wired}</sampler>'
        f'<channel source="#c{number}" target="{curve.target}"/></animation>'
    )


def node(joint: Joint) -> str:
    transforms = "".join(
        f'<{kind} sid="{sid}">{row(numbers)}</{kind}>' for kind, sid, numbers in joint.transforms
    )
    below = "".join(node(child) for child in joint.below)
    return (
        f'<node id="{joint.name}" name="{joint.name}" sid="{joint.name}" type="{joint.type}">'
        f"{transforms}{below}</node>"
    )


def document(joints: Sequence[Joint], curves: Sequence[Curve] = (), extra: str = "") -> bytes:
    animations = "\n".join(animation(number, curve) for number, curve in enumerate(curves))
    return (
        f'<?xml version="1.0" encoding="utf-8"?>\n<COLLADA xmlns="{NAMESPACE}" version="1.4.1">'
        "<asset><created>2020-01-01T00:00:00</created><modified>2020-01-01T00:00:00</modified>"
        '<unit name="centimeter" meter="0.01"/><up_axis>Z_UP</up_axis></asset>\n'
        f"<library_animations>{animations}</library_animations>{extra}\n"
        f'<library_visual_scenes><visual_scene id="s">\n{"".join(node(each) for each in joints)}\n'
        '</visual_scene></library_visual_scenes>\n<scene><instance_visual_scene url="#s"/></scene></COLLADA>\n'
    ).encode()


def shot_of(data: bytes) -> Shot:
    (shot,) = collada.read(Opened(data, "takes/rig.dae"))
    return shot


def bending(curve: Curve, *more: Curve) -> bytes:
    """Return a document with one joint whose rotations Z, Y, X stand at zero."""
    transforms = [
        ("translate", "translate", (0.0, 1.0, 0.0)),
        ("rotate", "rotateZ", (0.0, 0.0, 1.0, 0.0)),
        ("rotate", "rotateY", (0.0, 1.0, 0.0, 0.0)),
        ("rotate", "rotateX", (1.0, 0.0, 0.0, 0.0)),
        ("scale", "scale", (1.0, 1.0, 1.0)),
    ]
    return document([Joint("Knee", transforms)], [curve, *more])
