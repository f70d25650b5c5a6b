"""Why a joint gets no offset, in words that may stand after its name."""

from __future__ import annotations

from audit.settings import Settings

ALONG_LIMB_DEG = 60.0
"""From this residual on a joint turns about its own limb: a turn about the limb has no hold on it."""


def why_no_offset(
    kind: str,
    turned_deg: float,
    has_limb: bool,
    along_limb_deg: float,
    settings: Settings,
    *,
    many_shots: bool = False,
) -> str | None:
    """Return why a joint gets no offset, None where it may have one.

    Parameters
    ----------
    kind
        Of its motion: ``still``, ``hinge``, ``two-axis`` or ``free``.
    turned_deg
        How far it turns, in degrees.
    has_limb
        Whether its limb axis is known.
    along_limb_deg
        What is left between hinge and target axis after the best twist, in degrees; not looked at where the
        joint is no hinge or has no limb axis.
    settings
        Gives the least range for a suggestion.
    many_shots
        Whether this is about all shots of a rig together.
    """
    if kind == "still":
        return f"it hardly moves in {'any' if many_shots else 'this'} shot ({turned_deg:.1f}°)"
    if turned_deg < settings.suggestion_range_deg:
        together = " in all shots together" if many_shots else ""
        return (
            f"it turns only {turned_deg:.1f}°{together}, and an axis cannot be told well from less than "
            f"{settings.suggestion_range_deg:g}°"
        )
    if kind != "hinge":
        moves = "it moves on two axes" if kind == "two-axis" else "it moves freely"
        return f"{moves}, so no single axis can be put on one channel"
    if not has_limb:
        return "it has no limb axis: no child, no tip and no parent with a direction"
    if along_limb_deg > ALONG_LIMB_DEG:
        return "it turns about its own limb, and a turn about the limb has no hold on that"
    return None
