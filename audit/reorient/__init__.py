"""Turning the axes of joints, and proving that nothing moved.

An offset changes every curve and every mechanism of a joint: constraints, drivers, corrective shapes. What is
done here keeps the motion of joints and skins; whatever else hangs on a joint's axes in a rig has to be looked
after by whoever owns it.
"""

from audit.reorient.proof import SAME_INSTANT_S, Deviation, deviation, skin_bound
from audit.reorient.turn import turn_axes

__all__ = [
    "SAME_INSTANT_S",
    "Deviation",
    "deviation",
    "skin_bound",
    "turn_axes",
]
