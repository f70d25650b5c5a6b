"""The demo: three invented shots of one invented machine, with faults whose size is known.

Wrackle is a wading salvage walker: two long legs, two three-fingered arms, a folding neck with a beak, and a
tail that steers. At low water it picks over the tidal flats. In one shot it wades along a bend, on a rig whose
axes are a mess and on a rig whose axes are clean, with the same motion to the last joint; in another it
strikes at something shiny, grabs it, and kicks for joy.

Nothing here is read from a file and nothing is left to chance, so every call gives the same numbers.
"""

from __future__ import annotations

import numpy as np

from audit.conventions import axis_indices
from audit.demo.faults import Fault, built_in_faults, messy_angles, messy_skeleton
from audit.demo.motion import Motion
from audit.demo.rig import HINGES, JOINTS, clean_skeleton
from audit.demo.strike import strike
from audit.demo.wade import wade
from audit.formats import bvh
from audit.model import Channels, Shot, Skeleton, Source
from audit.model.skeleton import Array

__all__ = ["HINGES", "Fault", "built_in_faults", "demo_files", "demo_shots"]

SECONDS_PER_FRAME = 1.0 / 30.0

DECIMALS = 6
"""Of the clean channels, in degrees and centimetres: they read back exactly and keep the files small."""


def demo_shots() -> dict[str, Shot]:
    """Return the demo's shots by file name: the wade on both rigs, and the strike on the messy one.

    Returns
    -------
    dict
        Shots of 40 joints at 30 frames a second, in centimetres, up +Y, made of channels.
    """
    wading, striking = wade(), strike()
    clean, messy = clean_skeleton(), messy_skeleton()
    angles = _clean_angles(wading)
    return {
        "wade_messy.bvh": _shot("wade_messy.bvh", messy, messy_angles(angles), wading.root),
        "wade_clean.bvh": _shot("wade_clean.bvh", clean, angles, wading.root),
        "strike_messy.bvh": _shot(
            "strike_messy.bvh", messy, messy_angles(_clean_angles(striking)), striking.root
        ),
    }


def demo_files() -> dict[str, bytes]:
    """Return the bytes of the demo's files by file name."""
    return {name: bvh.write(shot) for name, shot in demo_shots().items()}


def _clean_angles(motion: Motion) -> Array:
    """Return a motion's turns (J, 3, F) about X, Y and Z in degrees, rounded."""
    angles = np.zeros((len(JOINTS), 3, motion.root.shape[1]))
    for place, joint in enumerate(JOINTS):
        if joint.name in motion.turns:
            angles[place] = motion.turns[joint.name]
    # Adding 0 turns a rounded −0 into 0.
    return np.round(angles, DECIMALS) + 0.0


def _shot(name: str, skeleton: Skeleton, angles: Array, root: Array) -> Shot:
    """Return a shot whose channels stand as a file lists them: the root's position, then joint by joint."""
    joints, _, frames = angles.shape
    times_s: Array = np.arange(frames, dtype=np.float64) * SECONDS_PER_FRAME
    rotation_columns = np.zeros((joints, 3), dtype=np.int64)
    columns = [*np.round(root, DECIMALS)]
    for joint, order in enumerate(skeleton.orders):
        for axis in axis_indices(order or ""):
            rotation_columns[joint, axis] = len(columns)
            columns.append(angles[joint, axis])
    position_columns = np.full((joints, 3), -1, dtype=np.int64)
    position_columns[0] = (0, 1, 2)
    return Shot(
        skeleton,
        times_s,
        Source(name),
        channels=Channels(np.stack(columns, axis=1), rotation_columns, position_columns),
    )
