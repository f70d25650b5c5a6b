"""What the page works out is what Python works out: rotations, curves, keys and figures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from audit.conventions import ORDERS, axis_indices
from audit.demo import demo_shots
from audit.measures.joints import measure_shot
from audit.measures.keys import straight_line_keys
from audit.measures.spread import channel_curves, cost_of
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import examine
from audit.rotations import (
    conjugate,
    multiply,
    quaternion_from_angles,
    quaternion_from_rotation_vector,
)
from tests.browser.waiting import live

if TYPE_CHECKING:
    from playwright.sync_api import Page

    from tests.browser.conftest import OpenPage, WritePage

pytestmark = pytest.mark.slow

WITHIN_DEG = 1e-6

ASK = """([rotations, order, times, limb, twist, aim]) => {
  const { maths } = window.hingeAudit;
  const given = rotations.map((row) => Float64Array.from(row));
  const seen = limb ? maths.seenFrom(maths.newAxes(limb, twist, aim), given) : given;
  const curves = maths.channelCurves(seen, order);
  return { curves: curves.map((row) => [...row]), cost: maths.costOf(curves, times, 0.25, 1) };
}"""


@pytest.fixture
def page(wade_page: Path, open_page: OpenPage) -> Page:
    return live(open_page(wade_page))


def motions(frames: int = 400) -> dict[str, Any]:
    """Return rotations (4, F) that take the maths to its edges."""
    chance = np.random.default_rng(5)
    times = np.linspace(0.0, 1.0, frames)
    waves = np.stack([np.sin(2 * np.pi * rate * times + rate) for rate in (1.0, 1.7, 2.9)])
    spin = np.stack([0.3 * waves[0], 12.0 * times * np.pi, 0.2 * waves[1]])
    walk = np.cumsum(chance.normal(scale=0.2, size=(3, frames)), axis=1)
    through = np.stack([0.4 * waves[1], np.pi / 2 * waves[0] * 1.4, 0.3 * waves[2]])
    middle = np.zeros((3, frames))
    middle[1] = np.where((times > 0.3) & (times < 0.5), np.pi / 2, waves[0])
    middle[0] = 0.5 * waves[1]
    return {
        "gentle": quaternion_from_rotation_vector(0.6 * waves),
        "spin": quaternion_from_angles(spin, "ZXY"),
        "wild": quaternion_from_rotation_vector(walk),
        "random": quaternion_from_rotation_vector(chance.normal(size=(3, frames)) * 2.0),
        "through the lock": quaternion_from_angles(through, "YXZ"),
        "standing at the lock": quaternion_from_angles(middle, "XYZ"),
    }


@pytest.mark.parametrize("order", ORDERS)
def test_curves_and_cost_are_those_of_python(page: Page, order: str) -> None:
    for rotations in motions().values():
        compare(page, rotations, order)


def compare(page: Page, rotations: Any, order: str) -> None:
    """Hold curves and cost of rotations (4, F) in the page against those of Python."""
    times = np.arange(rotations.shape[1]) / 30.0
    curves = channel_curves(rotations[:, None], order)
    cost = cost_of(curves, order, times, tolerance_deg=0.25, moving_deg=1.0)
    found = page.evaluate(ASK, [rotations.tolist(), order, times.tolist(), None, 0.0, None])
    expected = np.rad2deg(curves[np.argsort(axis_indices(order)), 0])
    assert np.max(np.abs(np.array(found["curves"]) - expected)) < WITHIN_DEG
    assert found["cost"]["ranges"] == pytest.approx(cost.range_deg[0], abs=WITHIN_DEG)
    assert found["cost"]["travels"] == pytest.approx(cost.travel_deg[0], rel=1e-9)
    assert found["cost"]["keys"] == cost.keys[0].tolist()
    assert found["cost"]["movingChannels"] == cost.moving_channels[0]
    assert found["cost"]["channelSpread"] == pytest.approx(cost.channel_spread[0], abs=1e-9)
    assert found["cost"]["leak"] == pytest.approx(cost.leak[0], abs=1e-9)
    assert found["cost"]["editKeys"] == cost.edit_keys[0]


def test_new_axes_are_those_of_python(page: Page) -> None:
    chance = np.random.default_rng(8)
    rotations = motions()["wild"]
    times = np.arange(rotations.shape[1]) / 30.0
    limb = chance.normal(size=3)
    limb = limb / np.linalg.norm(limb)
    aim = quaternion_from_rotation_vector(np.array([0.1, -0.3, 0.2]))
    for twist in (-77.7, 0.1, 33.0):
        axes = multiply(quaternion_from_rotation_vector(limb * np.deg2rad(twist)), aim)[:, None]
        turned = multiply(multiply(conjugate(axes), rotations), axes)
        expected = np.rad2deg(channel_curves(turned[:, None], "XYZ")[:, 0])
        found = page.evaluate(
            ASK, [rotations.tolist(), "XYZ", times.tolist(), limb.tolist(), twist, aim.tolist()]
        )
        assert np.max(np.abs(np.array(found["curves"]) - expected)) < WITHIN_DEG


def test_keys_are_those_of_python_on_curves_that_are_hard_to_simplify(page: Page) -> None:
    chance = np.random.default_rng(3)
    times = np.cumsum(chance.uniform(0.01, 0.1, 500))
    curves = np.stack(
        [
            np.cumsum(chance.normal(size=500)),
            chance.normal(scale=0.25, size=500),
            np.zeros(500),
            np.where(times > 20.0, 9.0, 0.0),
            20.0 * np.sin(times),
            np.linspace(0.0, 50.0, 500),
        ]
    )
    kept = straight_line_keys(curves, times, 0.25)
    for curve, expected in zip(curves, kept, strict=True):
        found = page.evaluate(
            "([curve, times]) => [...window.hingeAudit.maths.straightLineKeys(curve, times, 0.25)]",
            [curve.tolist(), times.tolist()],
        )
        assert found == expected.astype(int).tolist()


COPIES = """() => window.hingeAudit.live.joints.map((joint) => {
  const { live } = window.hingeAudit;
  live.set({ joint, twist: 0, order: null, aim: false });
  const now = live.turned(0);
  const then = joint.row.twist_offset_deg === null ? null : live.turned(joint.row.twist_offset_deg).cost;
  return { name: joint.name, curves: now.curves.map((row) => [...row]), now: now.cost, then };
})"""


TIED_KEYS = 6
"""In the wade one step is the same as the next, so that two keys are often equally far from a line. The page's
copy of the rotations is rounded by a millionth of a degree, which decides there which is split first. Python
itself comes to other keys there once the curves have gone through rotations that are as coarse."""


@pytest.mark.parametrize(
    ("name", "slack"), [("strike_messy.bvh", 0), ("wade_messy.bvh", TIED_KEYS)]
)
def test_the_pages_copy_gives_the_figures_of_the_results(
    open_page: OpenPage, write_page: WritePage, name: str, slack: int
) -> None:
    shot = demo_shots()[name]
    examined = examine(shot)
    path = write_page(shot, "copy")
    page = live(open_page(path))
    rows = json.loads((path.parent / "results.json").read_text(encoding="utf-8"))["joints"]
    found = page.evaluate(COPIES)
    assert [each["name"] for each in found] == [row["joint"] for row in rows]
    assert page.evaluate("window.hingeAudit.live.facts.whole")
    predicted = 0
    for place, (each, row) in enumerate(zip(found, rows, strict=True)):
        curves, expected = np.array(each["curves"]), examined.curves(place).now
        # Where the middle channel comes near ±90° the outer two feel a change of the rotation many times over.
        margin = np.deg2rad(examined.measures.gimbal_margin_deg[place])
        assert np.max(np.abs(curves - expected)) < WITHIN_DEG / np.sin(margin)
        for channel, letter in enumerate("XYZ"):
            figures = row["channels"][letter]
            assert abs(each["now"]["keys"][channel] - figures["keys"]) <= slack
            assert each["now"]["ranges"][channel] == pytest.approx(figures["range_deg"], abs=1e-5)
        for cost, figures in ((each["now"], row), (each["then"], row["after_twist"])):
            if figures is None:
                continue
            predicted += figures is not row
            assert abs(cost["editKeys"] - figures["edit_keys"]) <= slack
            assert cost["movingChannels"] == figures["moving_channels"]
            if figures["channel_spread"] is not None:
                assert cost["channelSpread"] == pytest.approx(figures["channel_spread"], abs=2e-3)
    assert predicted > 20


def test_curves_begin_where_the_file_has_them(open_page: OpenPage, write_page: WritePage) -> None:
    channels = hinge_channels((0.8, 0.0, 0.6), bend())
    channels = channels + np.array([180.0, 0.0, 180.0])
    channels[:, 1] = 180.0 - channels[:, 1]
    channels[:, 0] += 360.0
    # In the order YZX the middle channel is Z: the other of the two solutions, and a whole turn more.
    shot = limb_shot(channels[:, [0, 2, 1]], order="YZX")
    page = live(open_page(write_page(shot, "other")))
    found = page.evaluate(COPIES)[1]
    assert np.max(np.abs(np.array(found["curves"]) - examine(shot).curves(1).now)) < 1e-5
    assert found["now"]["editKeys"] == measure_shot(shot).now.edit_keys[1]
