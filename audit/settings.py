"""The thresholds of the measures, with where each one comes from.

The limits of the checks stand with the checks. Both are written into every ``results.json``.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

from audit.conventions import ORDERS
from audit.errors import UsageError

Reference = Literal["rest", "parent"]


@dataclass(frozen=True, slots=True)
class Settings:
    """What the measures need to be told; the defaults are the project's definitions.

    Attributes
    ----------
    reference
        ``rest`` measures the rotation away from the rest pose, in the joint's own axes: what a person
        animates. ``parent`` measures the plain local rotation.
    order
        Rotation order for joints whose file states none. Without it each such joint is measured in the
        best of the six orders.
    still_range_deg
        A joint that turns less is ``still`` (our choice).
    hinge_share, two_axis_share
        Share of the motion on the first axis, and on the first two, that makes a hinge or a two-axis
        joint (our choice).
    suggestion_range_deg
        Below this range no offset is suggested. Published functional-axis methods lose more than a
        factor of ten in accuracy between 90° and 5° of range (Ehrig et al., J. Biomech. 40, 2007); no
        source gives a universal minimum, so the figure is our choice.
    confidence
        Of the intervals.
    moving_range_deg
        A channel with a larger range counts as moving (our choice).
    key_tolerance_deg
        How far straight lines between keys may leave the curve (our choice; no published
        just-noticeable joint rotation was found).
    aim_limit_deg
        From here on a joint's nearest principal axis counts as not lying along the limb (our choice).
    """

    reference: Reference = "rest"
    order: str | None = None
    still_range_deg: float = 1.0
    hinge_share: float = 0.95
    two_axis_share: float = 0.97
    suggestion_range_deg: float = 5.0
    confidence: float = 0.95
    moving_range_deg: float = 1.0
    key_tolerance_deg: float = 0.25
    aim_limit_deg: float = 0.5

    def __post_init__(self) -> None:
        if self.reference not in ("rest", "parent"):
            raise UsageError(f"reference is 'rest' or 'parent', not {self.reference!r}")
        if self.order is not None and self.order not in ORDERS:
            raise UsageError(
                f"{self.order!r} is not a rotation order", hint=f"Use one of {', '.join(ORDERS)}"
            )

    def as_dict(self) -> dict[str, object]:
        """Return the settings as plain values, for ``results.json``."""
        return asdict(self)
