"""Which of two partners is to blame, and which faults only come of a pair that is not mirrored."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from audit.model import Skeleton
from audit.rest.measures import RestMeasures
from audit.rest.mirror import turn_vectors

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

CLEARLY_DEG = 0.05
"""So much worse must one partner's own axes fit before it gets the blame."""

PLACE_LIMIT = 1e-3
"""Share of the height from which a place counts as not mirrored, and an axis likewise from the next."""

TURN_LIMIT_DEG = 0.5


def unlike_pairs(rest: RestMeasures) -> Flags:
    """Return the joints (J,) of pairs that are not mirrored, by their own doing."""
    count = len(rest.pairs.partner)
    blamed = np.zeros(count, dtype=bool)
    if rest.mirror is None:
        return blamed
    moved = np.linalg.norm(rest.mirror.place_own, axis=1) > PLACE_LIMIT * rest.world.height
    turned = np.linalg.norm(rest.mirror.turn_own, axis=1) > np.deg2rad(TURN_LIMIT_DEG)
    for rows in (rest.mirror.left, rest.mirror.right):
        blamed[rows[moved | turned]] = True
    return blamed


def one_sided(faulty: Flags, skeleton: Skeleton, rest: RestMeasures) -> Flags:
    """Return which faults (J,) are on one side only, of a pair that is not mirrored there.

    The pair is what is to be mended; the fault is what comes of it. A joint that is out of place changes the
    limbs and bends of the joints next to it as well, so pairs above and below count too.
    """
    blamed = unlike_pairs(rest)
    parents, child = skeleton.parents, rest.limbs.child
    near = blamed | (blamed[parents] & (parents >= 0)) | (blamed[child] & (child >= 0))
    partner = rest.pairs.partner
    other = np.where(partner >= 0, faulty[partner], True)
    return np.asarray(faulty & ~other & near)


def blamed_side(skeleton: Skeleton, rest: RestMeasures, joint: int) -> int:
    """Return which joint of a pair is likelier the broken one; the given one where nothing tells.

    The one whose axes fit its own limb and bend worse; of equal ones that whose axes are turned further against
    those of its parent and child.
    """
    other = int(rest.pairs.partner[joint])
    worse = _misfit(rest, other) - _misfit(rest, joint)
    if abs(worse) <= CLEARLY_DEG:
        worse = _break(skeleton, rest, other) - _break(skeleton, rest, joint)
    return other if worse > CLEARLY_DEG else joint


def _misfit(rest: RestMeasures, joint: int) -> float:
    """Return by how much a joint's axes miss its limb and its bend, in degrees."""
    aim = float(rest.limbs.aim_raw_deg[joint])
    plane = float(rest.bends.plane_deg[joint])
    total = 0.0 if np.isnan(aim) or rest.limbs.branching[joint] else aim
    return total + (0.0 if np.isnan(plane) else abs(plane))


def _break(skeleton: Skeleton, rest: RestMeasures, joint: int) -> float:
    """Return the turns from the parent's axes to the joint's and on to its child's, in degrees."""
    axes = rest.world.axes
    total = 0.0
    for beside in (skeleton.parents[joint], rest.limbs.child[joint]):
        if beside >= 0:
            turn = turn_vectors((axes[beside].T @ axes[joint])[None])[0]
            total += float(np.rad2deg(np.linalg.norm(turn)))
    return total
