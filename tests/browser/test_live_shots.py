"""Live pages of shots of many kinds, and what they show held against Python."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from audit.model import Shot, Track, Tracks
from audit.model.kinematics import world_transforms
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import Examination
from tests.browser.conftest import OpenPage, WritePage
from tests.browser.using import pick, rows_of, state
from tests.browser.waiting import live, settle, troubles

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.slow


@pytest.fixture
def page(wade_page: Path, open_page: OpenPage) -> Page:
    return live(open_page(wade_page))


def test_the_glance_shows_where_motion_leaves_the_one_channel(
    page: Page, wade: Examination
) -> None:
    """A joint's row, worked out anew from its curves by a plain loop."""
    joint = wade.shot.skeleton.names.index("L_Knee")
    curves, times = wade.curves(joint).now, wade.shot.times_s
    main = int(np.argmax(wade.measures.now.travel_deg[joint]))
    columns = page.evaluate("window.hingeAudit.live.facts.glance.columns")
    fastest = page.evaluate("window.hingeAudit.live.facts.glance.fastest")
    expected = np.zeros(columns)
    for frame in range(len(times) - 1):
        speed = sum(abs(curves[c, frame + 1] - curves[c, frame]) for c in range(3) if c != main)
        speed /= times[frame + 1] - times[frame]
        column = min(int(times[frame] / times[-1] * columns + 1e-6), columns - 1)
        expected[column] = max(expected[column], speed)
    shown = page.evaluate(
        "() => { const { glance, joints } = window.hingeAudit.live;"
        " return glance.values(joints.find((each) => each.name === 'L_Knee')); }"
    )
    filled = expected > 0.0
    assert np.mean(filled) > 0.9
    assert np.array(shown)[filled] == pytest.approx(
        np.minimum(expected[filled] / fastest, 1.0), abs=0.003
    )


def test_the_figure_stands_where_the_joints_are(page: Page, wade: Examination) -> None:
    shot = wade.shot
    for frame in (0, 100, shot.frames - 1):
        world = world_transforms(
            shot.skeleton,
            np.transpose(shot.rotations_xyzw[frame : frame + 1], (2, 1, 0)),
            np.transpose(shot.local_positions[frame : frame + 1], (2, 1, 0)),
        )
        found = page.evaluate(f"window.hingeAudit.live.figure.poses.at({frame}).positions")
        assert np.array(found) == pytest.approx(world.positions[..., 0].T, abs=0.02)


def test_a_shot_of_one_frame_and_a_joint_without_a_limb(
    open_page: OpenPage, write_page: WritePage
) -> None:
    shot = limb_shot(hinge_channels((1.0, 0.0, 0.5), bend(frames=1)), seconds=0.0)
    page = live(open_page(write_page(shot, "short")))
    assert state(page)["frame"] == 0
    for place in range(3):
        page.locator("#live-rows th button").nth(place).click()
        settle(page)
    assert troubles(page) == []


def test_joints_with_keys_of_their_own(
    open_page: OpenPage, write_page: WritePage, wade: Examination
) -> None:
    shot = wade.shot
    joints = range(len(shot.skeleton))
    tracks = tuple(
        Track(
            shot.times_s[joint : 200 : 1 + joint % 3],
            shot.rotations_xyzw[joint : 200 : 1 + joint % 3, joint],
        )
        for joint in joints
    )
    none: tuple[None, ...] = (None,) * len(shot.skeleton)
    keyed = Shot(shot.skeleton, shot.times_s[:200], tracks=Tracks(tracks, none, none))
    path = write_page(keyed, "keyed")
    page = live(open_page(path))
    rows = rows_of(path)
    for name in ("L_Knee", "R_Toe", "Neck2"):
        pick(page, name)
        cost = page.evaluate("window.hingeAudit.live.turned(0).cost")
        assert cost["editKeys"] == pytest.approx(rows[name]["edit_keys"], abs=6)
        assert cost["movingChannels"] == rows[name]["moving_channels"]
    frame = 77
    expected = keyed.rotations_xyzw[frame]
    for joint in joints:
        found = np.array(
            page.evaluate(f"window.hingeAudit.live.figure.poses.copy.at({joint}, {frame})")
        )
        assert abs(abs(float(found @ expected[joint])) - 1.0) < 1e-6
    assert troubles(page) == []


def test_only_some_joints(open_page: OpenPage, write_page: WritePage, wade: Examination) -> None:
    places = [wade.shot.skeleton.names.index(name) for name in ("R_Knee", "L_Knee")]
    page = live(open_page(write_page(wade.shot, "some", joints=places)))
    assert set(page.locator("#live-rows th").all_inner_texts()) == {"L_Knee", "R_Knee"}
    assert len(page.evaluate("window.hingeAudit.live.figure.poses.at(0).positions")) == 40
    assert troubles(page) == []


def test_the_results_in_the_page_are_the_results(page: Page, wade: Examination) -> None:
    facts = page.evaluate("window.hingeAudit.live.facts.joints.map((joint) => joint.row)")
    for found, row in zip(facts, wade.document["joints"], strict=True):
        names = {"joint", "parent"}
        assert found == {name: value for name, value in row.items() if name not in names}


@pytest.mark.parametrize("width", [800, 1280, 2560])
def test_nothing_sticks_out_sideways(open_page: OpenPage, wade_page: Path, width: int) -> None:
    page = live(open_page(wade_page, viewport={"width": width, "height": 900}))
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert re.match(r"\d+", page.inner_text("#live-count"))
    text = page.inner_text("#live")
    assert not {"undefined", "NaN", "[object"} & set(text.split())
    assert csv.reader(io.StringIO(page.evaluate("window.hingeAudit.live.facts.sheet")))
