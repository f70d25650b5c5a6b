"""What a layer states about the world that its skeleton stands in: the up axis and the unit of length."""

from __future__ import annotations

import math
from typing import Any

from audit.formats.usd._layer import library
from audit.model import World

UP = {"Y": "+Y", "Z": "+Z"}


def stated_world(layer: Any, skeleton: str) -> World | None:
    """Return what a layer states about the space of a skeleton, None where that is nothing.

    Only what is written down counts: the fallbacks of the library are what many programs leave out without
    meaning them.

    Parameters
    ----------
    layer
        The layer.
    skeleton
        Path of the ``Skeleton`` prim. Where it or a prim above it is moved, turned or scaled, its space is not
        the stage's, and what is stated of the stage says nothing of it.
    """
    path = library("Sdf").Path(skeleton)
    while not path.IsAbsoluteRootPath():
        order = layer.GetAttributeAtPath(path.AppendProperty("xformOpOrder"))
        if order is not None and order.HasInfo("default") and len(order.default or ()):
            return None
        path = path.GetParentPath()
    stage = layer.pseudoRoot
    up = UP.get(stage.GetInfo("upAxis")) if stage.HasInfo("upAxis") else None
    metres = float(stage.GetInfo("metersPerUnit")) if stage.HasInfo("metersPerUnit") else math.nan
    known = metres if math.isfinite(metres) and metres > 0.0 else None
    return None if up is None and known is None else World(up=up, metres=known)
