"""What people do on a live page, and what they read there."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tests.browser.waiting import settle

if TYPE_CHECKING:
    from playwright.sync_api import Page


def state(page: Page) -> dict[str, Any]:
    found: dict[str, Any] = page.evaluate(
        "() => { const { joint, ...rest } = window.hingeAudit.live.state;"
        " return { ...rest, joint: joint.name }; }"
    )
    return found


def pick(page: Page, name: str) -> None:
    page.locator("#live-rows button").get_by_text(name, exact=True).click()
    settle(page)


def figures(page: Page, which: str = "") -> tuple[int, float, int]:
    """Return moving curves, channel spread and edit keys as the page shows them."""
    ids = [f"#live-{name}{which}" for name in ("channels", "spread", "keys")]
    channels, spread, keys = (page.inner_text(each).replace(",", "") for each in ids)
    return int(channels), float(spread), int(keys)


def figures_of(row: dict[str, Any]) -> tuple[int, float, int]:
    """Return the same of a joint row of the results, or of one of its stages, as two decimals show it."""
    return row["moving_channels"], float(f"{row['channel_spread']:.2f}"), row["edit_keys"]


def rows_of(path: Path) -> dict[str, dict[str, Any]]:
    document = json.loads((path.parent / "results.json").read_text(encoding="utf-8"))
    return {row["joint"]: row for row in document["joints"]}


def on_dial(page: Page, angle_deg: float) -> tuple[float, float]:
    """Return the place on the screen where the dial's knob stands at an angle."""
    box = page.locator("#live-dial").bounding_box()
    assert box is not None
    angle, far = np.deg2rad(angle_deg), 80.0
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    return float(x + far * np.cos(angle)), float(y + far * np.sin(angle))
