"""A messy limb and a leg with two animations, and the sheets that turn them."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.sheet import Offset, Sheet
from tests.formats.gltf_making import Making

KNEE = Sheet((Offset("L_Knee", twist_offset_deg=25.0, advised_order="YZX"),))


LEG = Sheet(
    (
        Offset("hip", full_offset_xyzw=(0.0, 0.6, 0.0, 0.8)),
        Offset("knee", full_offset_xyzw=(0.36, 0.48, 0.0, 0.8)),
    )
)


def limb(angle_deg: float = 25.0, frames: int = 30) -> Shot:
    """Return a limb of a format without rest rotations whose knee is turned by an angle about the limb."""
    angle = np.deg2rad(angle_deg)
    axis = (float(np.cos(angle)), 0.0, float(np.sin(angle)))
    shot = limb_shot(hinge_channels(axis, bend(frames=frames)), seconds=1.0)
    return dataclasses.replace(shot, has_rest_rotations=False)


def moving_glb(scales: Sequence[Sequence[float] | None] = (None, None)) -> Making:
    """Return two animations of a hip, knee and foot; in each the knee may end at a scale."""
    making = Making()
    making.node(name="hip", children=[1], translation=[0, 4, 0])
    making.node(name="knee", children=[2], translation=[0, -2, 0])
    making.node(name="foot", translation=[0, -2, 0.5])
    making.skin([0, 1, 2])
    clock = making.times([0, 0.5, 1])
    turns = making.accessor([[0.0, 0.0, 0.0, 1.0], [0.28, 0.0, 0.0, 0.96], [0.0, 0.0, 0.6, 0.8]])
    for number, scale in enumerate(scales):
        channels = [(0, "rotation", clock, turns), (1, "rotation", clock, turns)]
        if scale is not None:
            values = making.accessor(np.stack((np.ones(3), np.ones(3), np.array(scale))))
            channels.append((1, "scale", clock, values))
        making.animation(*channels, name=f"take {number + 1}")
    return making
