"""What a document states about its world: the up axis and the unit of length."""

from __future__ import annotations

import math
from typing import Final

from audit.formats.collada._xml import Element, first
from audit.model import World

UP: Final = {"X_UP": "+X", "Y_UP": "+Y", "Z_UP": "+Z"}


def stated_world(root: Element) -> World | None:
    """Return what the ``asset`` of a document states, None where that is nothing.

    Only what is written down counts: the defaults of the format, Y up and one metre, are what many programs
    leave out without meaning them. A unit that is no number above 0 states nothing either.
    """
    asset = first(root, "asset")
    if asset is None:
        return None
    up, unit = first(asset, "up_axis"), first(asset, "unit")
    axis = None if up is None else UP.get((up.text or "").strip())
    metres = None if unit is None else _metres(unit.get("meter"))
    return None if axis is None and metres is None else World(up=axis, metres=metres)


def _metres(text: str | None) -> float | None:
    try:
        value = float(text or "")
    except ValueError:
        return None
    return value if math.isfinite(value) and value > 0.0 else None
