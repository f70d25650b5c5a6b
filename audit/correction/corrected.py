"""A shot before and after its correction, and whether its motion counts as kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.measures import Measures
from audit.model import Shot
from audit.pipeline import Turned
from audit.reorient import Deviation

LIMIT = 1e-5
"""Share of the rig's height that a joint may move, and radians that it may turn: well above what the 32-bit
numbers of glTF and OpenUSD leave, well below what an eye sees. Our choice."""


@dataclass(frozen=True, eq=False)
class Corrected:
    """A shot before and after, and what was found between them.

    Attributes
    ----------
    before, after
        As it was read, and as the corrected file reads.
    turned
        What was done.
    found
        How far they differ.
    skin
        Distance that no point of a skin moves further than; None where there is no skin.
    measures
        What was measured on both; None where that was not asked for.
    """

    before: Shot
    after: Shot
    turned: Turned
    found: Deviation
    skin: float | None
    measures: tuple[Measures, Measures] | None = None

    @property
    def messier(self) -> tuple[str, ...]:
        """Hinges that move on more channels than before: a sign that the sheet was made for other axes."""
        if self.measures is None:
            return ()
        before, after = self.measures
        more = after.now.moving_channels > before.now.moving_channels
        names = self.before.skeleton.names
        return tuple(
            name
            for joint, name in enumerate(names)
            if more[joint] and before.kind[joint] == "hinge"
        )

    @property
    def problem(self) -> str | None:
        """Why the motion does not count as kept, None where it does."""
        found = self.found
        names = self.before.skeleton.names
        label = self.before.source.label
        if not found.share_of_height <= LIMIT:
            return (
                f"in {label} joint {names[found.position_joint]} would move by {found.position:.3g}, "
                f"{found.share_of_height:.2g} of the rig's height, at {found.position_time_s:.3f} s"
            )
        if not np.deg2rad(found.rotation_deg) <= LIMIT:
            return (
                f"in {label} joint {names[found.rotation_joint]} would turn by {found.rotation_deg:.3g}° at "
                f"{found.rotation_time_s:.3f} s"
            )
        if self.skin is not None and not self.skin <= LIMIT * (found.height or 1.0):
            return f"in {label} a point of the skin could move by {self.skin:.3g}"
        return None
