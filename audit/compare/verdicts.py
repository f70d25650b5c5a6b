"""Whether a joint got cleaner or messier: one plain rule."""

from __future__ import annotations

from typing import Literal

from audit.results import Row

Verdict = Literal["cleaner", "same", "messier"]
VERDICTS: tuple[Verdict, ...] = ("cleaner", "same", "messier")

KEYS_SHARE = 0.05
"""Edit keys that differ by a smaller share say nothing: rounding moves a key here and there (our choice)."""

KEYS_LEAST = 2
"""The same as a number of keys."""

SPREAD_LEAST = 0.05
"""Channel spreads that differ by less count as equal, in effective curves (our choice)."""


def verdict(before: Row, after: Row, *, same_range: bool = True) -> Verdict:
    """Tell whether a joint got cleaner or messier.

    Parameters
    ----------
    before, after
        Its joint rows in the results.
    same_range
        Whether both were measured over the same time. Edit keys of a longer and a shorter shot say nothing
        about axes, so then the spread alone decides.

    Returns
    -------
    str
        ``cleaner`` where it needs fewer edit keys, by more than 5 % and by at least 2. Where the keys are about
        equal, ``cleaner`` where its motion is spread over fewer curves, by more than 0.05 of a curve.
        ``messier`` the other way round, ``same`` otherwise. A joint that does not move in one of the two shots
        has no spread there.
    """
    if same_range:
        keys, now = before["edit_keys"], after["edit_keys"]
        change = now - keys
        if abs(change) >= KEYS_LEAST and abs(change) > KEYS_SHARE * max(keys, now):
            return "cleaner" if change < 0 else "messier"
    spread, spread_now = before["channel_spread"], after["channel_spread"]
    moves = before["moving_channels"] and after["moving_channels"]
    if spread is None or spread_now is None or not moves:
        return "same"
    if abs(spread_now - spread) <= SPREAD_LEAST:
        return "same"
    return "cleaner" if spread_now < spread else "messier"
