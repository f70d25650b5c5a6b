"""What a live page carries: rotations that come back, true limits, text that stays text, one script."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from audit.errors import OutputError
from audit.model import Shot
from audit.model.sample import bend, hinge_channels, limb_shot
from audit.pipeline import Examination, examine, suggest
from audit.report import write_index, write_report
from audit.report.live import data
from audit.report.live.data import LiveData, away_from_rest, live_data
from audit.report.live.glance import glance
from audit.report.live.packing import (
    Parcel,
    packed_integers,
    packed_numbers,
    packed_rotations,
    unpacked_integers,
    unpacked_rotations,
)
from audit.report.live.script import LOADER, MARK, PARTS, SHARED, script, style
from audit.report.page import shot_page
from audit.report.views import shot_view
from audit.rotations import (
    conjugate,
    multiply,
    quaternion_from_rotation_vector,
    rotation_vector_from_quaternion,
)
from audit.sheet import sheet_text


def angle_deg(one: Any, other: Any) -> float:
    """Return the largest angle between rotations (4, N)."""
    vector = rotation_vector_from_quaternion(multiply(conjugate(one), other))
    return float(np.rad2deg(np.max(np.linalg.norm(vector, axis=0))))


def carried(live: LiveData) -> tuple[dict[str, Any], bytes, bytes]:
    """Return the facts and the two parcels of a page."""
    rotations, others = (
        zlib.decompress(base64.b64decode(text)) for text in (live.rotations, live.others)
    )
    return json.loads(live.facts), rotations, others


@pytest.mark.parametrize("count", [1, 2, 3, 500])
@pytest.mark.parametrize("kind", ["smooth", "trembling", "still", "leaping", "largest"])
def test_whole_numbers_come_back(kind: str, count: int) -> None:
    chance = np.random.default_rng(2)
    rows = (
        {
            "smooth": np.rint(1e8 * np.sin(np.linspace(0.0, 9.0, 3 * count))),
            "trembling": chance.integers(-(2**20), 2**20, 3 * count),
            "still": np.full(3 * count, -77),
            "leaping": np.where(np.arange(3 * count) % 2, 2**26, -(2**26)),
            "largest": np.full(3 * count, 2**28),
        }[kind]
        .reshape(3, count)
        .astype(np.int64)
    )
    packed, order, planes = packed_integers(rows)
    assert order in (1, 2)
    assert len(packed) == sum(planes) * count
    assert np.array_equal(unpacked_integers(packed, count, order, planes), rows)


@pytest.mark.parametrize("bits", [28, 20, 14])
@pytest.mark.parametrize("kind", ["bend", "wheel", "random", "one key"])
def test_rotations_come_back_with_their_signs(kind: str, bits: int) -> None:
    chance = np.random.default_rng(4)
    time = np.linspace(0.0, 1.0, 1 if kind == "one key" else 300)
    vector = {
        "bend": np.outer([0.3, 0.9, -0.2], np.sin(9.0 * time)),
        "wheel": np.outer([0.0, 0.0, 1.0], 40.0 * time),
        "random": chance.normal(size=(3, len(time))),
        "one key": np.array([[0.1], [0.2], [3.0]]),
    }[kind]
    quaternion = -quaternion_from_rotation_vector(vector)
    parcel = Parcel()
    parcel.add(b"something before it")
    layout = packed_rotations(quaternion, bits, parcel)
    found = unpacked_rotations(parcel.whole(), layout)
    assert angle_deg(quaternion, found) < np.rad2deg(4.0 * 2.0**-bits)
    assert np.sum(found[:, 0] * quaternion[:, 0]) > 0.9
    assert len(layout["planes"]) == (3 if kind in ("bend", "one key") else 4)


def test_plain_numbers_come_back_to_half_a_step() -> None:
    values = np.cumsum(np.random.default_rng(1).normal(size=(3, 200)), axis=1)
    parcel = Parcel()
    layout = packed_numbers(values, 0.01, parcel)
    rows = unpacked_integers(parcel.whole(), 200, layout["order"], layout["planes"])
    assert np.max(np.abs(0.01 * rows - values)) <= 0.005 + 1e-12


def test_the_copy_is_as_fine_as_it_says(examined: Examination) -> None:
    live = live_data(shot_view(examined))
    facts, rotations, _ = carried(live)
    assert facts["whole"]
    assert facts["leftOut"] == 0
    worst = max(
        angle_deg(away_from_rest(examined, joint), unpacked_rotations(rotations, block))
        for joint, block in enumerate(facts["skeleton"]["rotations"])
    )
    assert worst == pytest.approx(live.error_deg, abs=1e-9)
    assert worst < 2e-6


@pytest.mark.parametrize("room", [4_500, 1_900, 1_000])
def test_little_room_makes_a_coarse_copy_that_owns_up_to_it(
    make_shot: Callable[..., Shot], monkeypatch: pytest.MonkeyPatch, room: int
) -> None:
    examined = examine(make_shot(frames=900))
    monkeypatch.setattr(data, "MOST_BYTES", room)
    live = live_data(shot_view(examined))
    facts, rotations, _ = carried(live)
    assert len(base64.b64decode(live.rotations)) <= room
    assert not facts["whole"]
    worst = 0.0
    for joint, block in enumerate(facts["skeleton"]["rotations"]):
        true = away_from_rest(examined, joint)
        found = unpacked_rotations(rotations, block)
        if "kept" in block:
            layout = block["kept"]
            (kept,) = unpacked_integers(
                rotations[layout["at"] :], layout["n"], layout["order"], layout["planes"]
            )
            assert kept[0] == 0
            assert kept[-1] == true.shape[1] - 1
            found = data._filled(found, kept, true.shape[1])
        worst = max(worst, angle_deg(true, found))
    assert worst == pytest.approx(live.error_deg, abs=1e-9)
    assert facts["leftOut"] > 0 or room == 4_500


def test_thinning_keeps_the_extremes() -> None:
    turn = np.zeros((3, 401))
    turn[0] = np.abs(np.linspace(-4.0, 4.0, 401)) % 1.0
    turn[0, 137] = 2.9
    quaternion = quaternion_from_rotation_vector(turn)
    kept = data._kept(quaternion, 0.01)
    assert {0, 136, 137, 138, 400} <= set(kept.tolist())
    assert len(kept) < 150


def test_the_facts_end_no_element_and_are_the_results(make_shot: Callable[..., Shot]) -> None:
    shot = make_shot(["</script><script>alert(1)</script>", "<!--", "a&b", "half \ud800"])
    examined = examine(shot)
    live = live_data(shot_view(examined))
    assert not set("<>&\u2028") & set(live.facts)
    facts = json.loads(live.facts)
    names = [joint["name"] for joint in facts["joints"]]
    assert names[1:5] == ["</script><script>alert(1)</script>", "<!--", "a&b", "half ⟨U+D800⟩"]
    for joint, row in zip(facts["joints"], examined.document["joints"], strict=True):
        for name, value in joint["row"].items():
            if name != "findings":
                assert value == row[name]
        assert [each["value"] for each in joint["row"]["findings"]] == [
            each["value"] for each in row["findings"]
        ]
    assert facts["sheet"] == sheet_text(suggest(shot))


def test_a_joint_asks_for_what_its_card_says(examined: Examination) -> None:
    facts = json.loads(live_data(shot_view(examined)).facts)
    plans = {joint["name"]: joint["plan"] for joint in facts["joints"]}
    aims = {joint["name"]: joint["aim"] for joint in facts["joints"]}
    rows = {row["joint"]: row for row in examined.document["joints"]}
    knee = rows["L_Knee"]
    assert plans["L_Knee"]["twist"] == knee["twist_offset_deg"]
    assert plans["L_Knee"]["after"] == knee["after_twist"]
    assert plans["L_Elbow"]["aim"]
    assert plans["L_Elbow"]["after"] == rows["L_Elbow"]["after_full"]
    assert plans["R_Elbow"]["order"] == "ZYX"
    assert plans["R_Knee"] is None
    assert aims["L_Knee"] is None
    # Aim, then twist, is the full correction.
    aim = aims["L_Elbow"]
    limb = np.array(rows["L_Elbow"]["limb_axis"])
    twist = quaternion_from_rotation_vector(limb * np.deg2rad(aim["twistDeg"]))
    whole = multiply(twist, np.array(aim["axes"]))
    assert angle_deg(whole[:, None], np.array(rows["L_Elbow"]["full_offset_xyzw"])[:, None]) < 1e-4


def test_the_glance_of_a_clean_and_of_a_twisted_hinge(examined: Examination) -> None:
    seen = glance(examined)
    names = examined.shot.skeleton.names
    assert seen.off_channel.shape == (len(names), examined.shot.frames - 1)
    assert seen.off_channel[names.index("R_Knee")].max() == 0
    assert seen.off_channel[names.index("L_Knee")].max() > 50
    # A bend of 120° on the middle channel passes its lock: no margin is left there.
    assert seen.margin[names.index("R_Elbow")].min() < 10
    assert seen.margin[names.index("R_Knee")].min() > 150


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_short_shots_have_live_pages(frames: int) -> None:
    shot = limb_shot(
        hinge_channels((1.0, 0.0, 0.5), bend(frames=frames)), seconds=frames / 24.0 - 1.0 / 24.0
    )
    facts, _, others = carried(live_data(shot_view(examine(shot))))
    assert facts["frames"] == frames
    assert len(others) >= 2 * 3 * facts["glance"]["columns"]


def test_the_policy_names_the_script_and_nothing_else(examined: Examination) -> None:
    html = shot_page(shot_view(examined), live=True)
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', html)
    scripts = re.findall(r"<script>(.*?)</script>", html, re.DOTALL)
    assert len(scripts) == 1
    digest = base64.b64encode(hashlib.sha256(scripts[0].encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}';" in policy
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe-inline" not in policy.split("style-src")[0]
    assert "unsafe-eval" not in policy
    assert "http" not in policy
    assert not re.findall(r"<script[^>]*\bsrc=", html)


def test_the_script_asks_nobody_and_evaluates_nothing() -> None:
    text = script()
    assert text.startswith(MARK)
    for name in (
        "fetch(",
        "XMLHttpRequest",
        "WebSocket",
        "eval(",
        "Function(",
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "sendBeacon",
    ):
        assert name not in text
    assert set(re.findall(r"https?://[^\"'` ]*", text + style())) == {"http://www.w3.org/2000/svg"}
    folder = Path(data.__file__).parent
    assert {path.stem for path in folder.glob("*.js")} == set(PARTS)


def test_a_page_without_joints_has_nothing_to_play_with(examined: Examination) -> None:
    html = shot_page(shot_view(examined, []), live=True)
    assert "<script" not in html


def test_the_static_page_is_part_of_the_live_one(examined: Examination) -> None:
    view = shot_view(examined)
    lines = shot_page(view).splitlines()
    live = set(shot_page(view, live=True).splitlines())
    missing = [line for line in lines if line not in live]
    # Only the policy, the row of links and what the page is laid out by say something else.
    assert len(missing) == 3
    assert "Content-Security-Policy" in missing[0]
    assert "<nav" in missing[1]


def test_the_same_shot_gives_the_same_live_page(make_shot: Callable[..., Shot]) -> None:
    first, second = (shot_page(shot_view(examine(make_shot())), live=True) for _ in range(2))
    assert first == second


def test_pages_can_share_the_script(examined: Examination, tmp_path: Path) -> None:
    out = tmp_path / "shots"
    page = write_report(examined, out / "one", shared_script=True).read_text(encoding="utf-8")
    assert MARK not in page
    assert f"<script>{LOADER}</script>" in page
    assert "'strict-dynamic'" in page
    write_index([("one", examined.document)], out, shared_script=True)
    assert (out / SHARED).read_text(encoding="utf-8") == script()
    write_index([("one", examined.document)], out, shared_script=True)
    assert sorted(path.name for path in out.iterdir()) == [SHARED, "index.html", "one"]
    (out / SHARED).write_text("mine")
    with pytest.raises(OutputError, match="script of something else"):
        write_index([("one", examined.document)], out, shared_script=True)
    assert (out / SHARED).read_text() == "mine"
