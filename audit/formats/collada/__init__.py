"""COLLADA: scenes as XML, with one curve for each animated number of each node. Read only.

What is read
    COLLADA 1.4 and 1.5 (.dae): the nodes of the visual scene that the document shows. Joints are nodes of type
    JOINT and nodes with an animated transform, with all nodes above them. Of their transforms translate,
    rotate, scale and matrix, in any number and order; of the animations every channel that targets one of
    them, as a whole (``Hips/matrix``) or one number of it (``Knee/rotateX.ANGLE``, ``Hips/translate.Y``,
    ``Hips/translate(1)``). Curves may be STEP, LINEAR, BEZIER or HERMITE, each key its own, and LINEAR where
    the document does not say; tangents are pairs of time and value, or in older files single values. A
    document without animation is one frame at rest. Reading needs the package lxml: ``pip install
    'hinge-audit[collada]'``.

How it is understood
    A joint's transforms are multiplied in the order of the document, for column vectors. Its rest pose has
    every animated rotation at zero and everything else as the document states it: fixed rotations that orient
    a joint belong to the rest, and the animated ones are what is measured. Where the last three rotations are
    about three different principal axes and hold all that is animated, the document states the rotation order.
    Keys stay at their own times: a joint has rotation keys where any of its rotation curves has one, and all
    of its curves are evaluated there; between them the joint turns the straight way, so that a curve's bend
    between two keys is not seen, nor a turn of more than half a circle. A step is kept where all curves of a
    joint are steps. The unit of length and the up axis are not applied: positions are in the document's own.
    What ``asset`` states of them is handed on to the checks of the rest pose.
    Animation clips, instances of other nodes, and everything that is no transform are left out.

What is kept
    Nothing but the shot: the format is read and not written. Write the shot as another one.

What is refused
    Documents that are not well-formed, that declare a document type, or that exceed 512 MB; targets and
    sources that name nothing; curves of other kinds, that run back in time, or with tangents of another size;
    numbers that are none; counts past an array; a number that is animated twice; a joint with skew or lookat,
    or one whose transforms shear it. Each error names the line and the element. Files that the document names
    are never opened. An error reads:

        takes/crane.dae: line 21, channel: the target 'Boom/rotateW.ANGLE' names nothing in the file. No
        transform below 'Boom' has the sid 'rotateW'
"""

from __future__ import annotations

import re

import numpy as np

from audit.errors import FormatError
from audit.formats.collada._asset import stated_world
from audit.formats.collada._joints import Joint, joint_of
from audit.formats.collada._scene import Scene
from audit.formats.collada._xml import fault, kind, parse
from audit.model import Shot, Skeleton, Tracks
from audit.plugins import Format, Opened

__all__ = ["FORMAT", "read", "recognises", "sample"]

_ROOT = re.compile(rb"<(?:[\w.-]+:)?COLLADA[\s>/]")


def recognises(head: bytes) -> bool:
    """Tell whether the first bytes of a file say that it is COLLADA."""
    bare = head.replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    return bare.startswith(b"<") and _ROOT.search(bare) is not None


def read(opened: Opened) -> tuple[Shot, ...]:
    """Read a COLLADA document.

    Parameters
    ----------
    opened
        The file; it has no separate skeleton.

    Returns
    -------
    tuple of one Shot
        Made of tracks.

    Raises
    ------
    InputError
        Where lxml is not installed, the file is too large, or a separate skeleton is given.
    FormatError
        Where the document breaks the format's rules, or holds no joint.
    """
    path = opened.path
    opened.check_whole()
    root = parse(opened.data, path)
    if kind(root) != "COLLADA":
        raise fault(path, root, f"is XML, but its root is {kind(root)[:40]!r}", "COLLADA is needed")
    scene = Scene(root, path)
    places = scene.joints()
    if not places:
        raise fault(
            path,
            root,
            "has no joint: no node of type JOINT and no animated node",
            "Write the file with its skeleton",
        )
    joints = [joint_of(path, scene.nodes[place]) for place in places]
    at = {place: number for number, place in enumerate(places)}
    skeleton = _skeleton(
        path,
        [scene.nodes[place].name for place in places],
        [at.get(scene.nodes[place].parent, -1) for place in places],
        joints,
    )
    tracks = Tracks(
        tuple(joint.rotations for joint in joints),
        tuple(joint.positions for joint in joints),
        tuple(joint.scales for joint in joints),
    )
    used = [t for each in joints for t in (each.rotations, each.positions, each.scales) if t]
    times = np.unique(np.concatenate([track.times_s for track in used])) if used else np.zeros(1)
    return (
        Shot(
            skeleton=skeleton,
            times_s=times,
            source=opened.source("collada"),
            tracks=tracks,
            every_frame=all(len(track.times_s) == len(times) for track in used),
            world=stated_world(root),
        ),
    )


def _skeleton(path: str, names: list[str], parents: list[int], joints: list[Joint]) -> Skeleton:
    """Return the skeleton of some joints."""
    offsets = np.stack([joint.rest.positions[:, 0] for joint in joints])
    scales = np.stack([joint.rest.scales[:, 0] for joint in joints])
    if not (np.isfinite(offsets).all() and np.isfinite(scales).all()):
        raise FormatError(
            "the numbers are too large to work with",
            path=path,
            where="line 1",
            hint="Write the file again",
        )
    return Skeleton(
        names=tuple(names),
        parents=np.array(parents),
        offsets=offsets,
        rest_xyzw=np.stack([joint.rest.rotations[:, 0] for joint in joints]),
        orders=tuple(joint.order for joint in joints),
        rest_scales=scales,
    )


_SAMPLE = b"""<?xml version="1.0" encoding="utf-8"?>
<COLLADA xmlns="http://www.collada.org/2005/11/COLLADASchema" version="1.4.1">
  <library_animations>
    <animation id="bend">
      <source id="bend-time">
        <float_array id="bend-time-array" count="2">0 0.5</float_array>
        <technique_common>
          <accessor source="#bend-time-array" count="2"><param name="TIME" type="float"/></accessor>
        </technique_common>
      </source>
      <source id="bend-value">
        <float_array id="bend-value-array" count="2">0 30</float_array>
        <technique_common>
          <accessor source="#bend-value-array" count="2"><param name="ANGLE" type="float"/></accessor>
        </technique_common>
      </source>
      <sampler id="bend-curve">
        <input semantic="INPUT" source="#bend-time"/>
        <input semantic="OUTPUT" source="#bend-value"/>
      </sampler>
      <channel source="#bend-curve" target="Boom/rotateX.ANGLE"/>
    </animation>
  </library_animations>
  <library_visual_scenes>
    <visual_scene id="scene">
      <node id="Mast" type="JOINT">
        <translate sid="translate">0 1 0</translate>
        <node id="Boom" type="JOINT">
          <translate sid="translate">0 2.5 0</translate>
          <rotate sid="rotateZ">0 0 1 0</rotate>
          <rotate sid="rotateY">0 1 0 0</rotate>
          <rotate sid="rotateX">1 0 0 0</rotate>
        </node>
      </node>
    </visual_scene>
  </library_visual_scenes>
  <scene><instance_visual_scene url="#scene"/></scene>
</COLLADA>
"""


def sample() -> Opened:
    """Return a tiny valid file: two joints, one curve of two keys."""
    return Opened(_SAMPLE, "sample.dae")


FORMAT = Format(
    name="collada",
    title="Scenes as XML, one curve for each animated number (read only)",
    suffixes=(".dae",),
    recognises=recognises,
    read=read,
    sample=sample,
)
