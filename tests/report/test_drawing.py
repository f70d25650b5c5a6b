"""Scales, ticks, thinned lines, labels that keep apart, and the view along the limb."""

from __future__ import annotations

import re
from importlib.resources import files

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from audit.pipeline import Examination
from audit.report import svg
from audit.report.charts import curve_chart
from audit.report.hinge_view import hinge_view
from audit.report.plans import Plan, aim_and_turn, plan_of
from audit.results import Row


@pytest.mark.parametrize("columns", [3, 40, 333])
def test_thinning_keeps_the_extremes_of_every_column(columns: int) -> None:
    rng = np.random.default_rng(7)
    places = np.cumsum(rng.uniform(0.5, 1.5, 5000))
    values = np.cumsum(rng.normal(size=5000))
    kept = svg.thinned(places, values, columns)
    assert len(kept) <= 2 * columns + 2
    assert kept[0] == 0
    assert kept[-1] == 4999
    assert np.all(np.diff(kept) > 0)
    share = (places - places[0]) / (places[-1] - places[0])
    column = np.minimum((share * columns).astype(int), columns - 1)
    for each in range(columns):
        inside = np.flatnonzero(column == each)
        assert values[inside].max() in values[kept[column[kept] == each]]
        assert values[inside].min() in values[kept[column[kept] == each]]


def test_thinning_leaves_short_curves_alone() -> None:
    assert svg.thinned(np.arange(9.0), np.zeros(9), 5).tolist() == list(range(9))


def points(path: str) -> np.ndarray:
    """Return the points of path data made of one M and many l, in units of the drawing."""
    steps = [float(number) for number in re.findall(r"-?\d+", path)]
    return np.cumsum(np.reshape(steps, (-1, 2)), axis=0) / svg.STEPS_TO_A_UNIT


def test_a_path_runs_through_its_points() -> None:
    rng = np.random.default_rng(3)
    x, y = np.sort(rng.uniform(0, 500, 80)), rng.uniform(-40, 200, 80)
    drawn = points(svg.path_data(x, y))
    assert np.allclose(drawn, np.stack([x, y], axis=1), atol=0.051)


def test_a_straight_line_is_two_points() -> None:
    x = np.arange(50.0)
    assert svg.path_data(x, np.full(50, 3.0)) == "M0 30l490 0"
    assert len(points(svg.path_data(x, 2.0 * x))) == 2
    there_and_back = svg.path_data(np.zeros(3), np.array([0.0, 5.0, 1.0]))
    assert there_and_back == "M0 0l0 50l0-40"


def test_labels_keep_apart_and_stay_near() -> None:
    assert svg.kept_apart([10.0, 50.0, 90.0], 16.0, 0.0, 100.0) == [10.0, 50.0, 90.0]
    assert svg.kept_apart([50.0, 50.0, 50.0], 16.0, 0.0, 100.0) == [34.0, 50.0, 66.0]
    assert svg.kept_apart([100.0, 98.0, 99.0], 16.0, 0.0, 100.0) == [100.0, 68.0, 84.0]
    assert svg.kept_apart([-5.0, 1.0], 16.0, 0.0, 100.0) == [0.0, 16.0]
    rng = np.random.default_rng(5)
    for _ in range(200):
        wanted = list(rng.uniform(0, 100, 4))
        places = svg.kept_apart(wanted, 12.0, 0.0, 100.0)
        assert np.argsort(places).tolist() == np.argsort(wanted).tolist()
        assert np.all(np.diff(np.sort(places)) >= 12.0 - 1e-9)
        assert min(places) >= 0.0
        assert max(places) <= 100.0 + 1e-9


def test_ticks_are_round_and_few() -> None:
    assert svg.angle_ticks(-33.0, 71.0) == [-30.0, 0.0, 30.0, 60.0]
    assert svg.angle_ticks(0.0, 1.0) == [0.0, 0.5, 1.0]
    assert svg.count_ticks(239) == [0, 50, 100, 150, 200]
    assert svg.count_ticks(0) == [0]
    assert svg.count_ticks(4) == [0, 1, 2, 3, 4]
    for span in np.geomspace(0.1, 1e5, 60):
        ticks = svg.angle_ticks(-0.3 * span, 0.7 * span)
        assert len(ticks) <= 5 + 1
        assert len(set(ticks)) == len(ticks)


def test_numbers_are_short() -> None:
    written = [svg.number(value) for value in (0.0, -0.04, 0.5, -0.5, 10.0, -120.26, 100.0)]
    assert written == ["0", "0", ".5", "-.5", "10", "-120.3", "100"]


def test_text_and_attributes_are_safe() -> None:
    assert svg.text(0, 0, "<b>&", "x") == '<text x="0" y="0" class="x">&lt;b&gt;&amp;</text>'
    assert svg.attributes(aria_label='a"b<') == ' aria-label="a&quot;b&lt;"'


def test_a_chart_names_every_curve_with_its_range() -> None:
    times = np.linspace(0.0, 4.0, 97)
    curves = np.stack([60 * np.sin(times), 0 * times, times])
    chart = curve_chart(curves, times, times, -60.0, 60.0, width=560.0, label="Curves")
    for letter, size in zip("XYZ", np.ptp(curves, axis=1), strict=True):
        assert f'class="curve {letter}"' in chart
        assert f">{letter}</text>" in chart
        assert f">{size:.1f}°</text>" in chart


def row_of(examined: Examination, name: str) -> Row:
    return next(row for row in examined.document["joints"] if row["joint"] == name)


def test_aim_and_turn_make_up_the_full_correction(examined: Examination) -> None:
    row = row_of(examined, "L_Elbow")
    axis, error, turn = aim_and_turn(row)
    limb = np.array(row["limb_axis"])
    half_axis = np.eye(3)["XYZ".index(axis[1])] * (1 if axis[0] == "+" else -1)
    assert error == pytest.approx(np.rad2deg(np.arccos(half_axis @ limb)), abs=1e-4)
    swing = np.cross(half_axis, limb)
    aimed = Rotation.from_rotvec(swing / np.linalg.norm(swing) * np.deg2rad(error))
    whole = Rotation.from_rotvec(limb * np.deg2rad(turn)) * aimed
    stated = Rotation.from_quat(row["full_offset_xyzw"])
    assert np.rad2deg((whole * stated.inv()).magnitude()) < 1e-3
    assert plan_of(row) == Plan("L_Elbow", turn, (axis, error), None)


def test_a_right_handed_turn_is_seen_clockwise_along_the_limb(examined: Examination) -> None:
    row = row_of(examined, "L_Knee")
    view = hinge_view(row, plan_of(row))
    assert view is not None
    assert view.hinge is not None
    turn = float(view.turn_deg or 0.0)
    assert turn == row["twist_offset_deg"]
    limb = np.array(row["limb_axis"])
    # Put the viewer behind the joint: to the right times downwards points away, which is along the limb.
    ends = {letter: np.array(end) for letter, end in view.axes}
    flat = {
        letter: axis - limb * (axis @ limb) for letter, axis in zip("XYZ", np.eye(3), strict=True)
    }
    for first, second in (("X", "Z"), ("Z", "X")):
        seen = ends[first][0] * ends[second][1] - ends[first][1] * ends[second][0]
        assert seen == pytest.approx(np.cross(flat[first], flat[second]) @ limb, abs=1e-6)
    target = "X"
    assert ends[target] == pytest.approx([1.0, 0.0], abs=1e-6)
    angle = np.rad2deg(np.arctan2(view.hinge[1], view.hinge[0]))
    assert (angle - turn + 90.0) % 180.0 - 90.0 == pytest.approx(0.0, abs=1e-4)


def test_after_the_aim_an_axis_lies_along_the_limb(examined: Examination) -> None:
    row = row_of(examined, "L_Elbow")
    view = hinge_view(row, plan_of(row))
    assert view is not None
    assert view.aimed
    sizes = sorted(float(np.hypot(*end)) for _, end in view.axes)
    assert sizes == pytest.approx([0.0, 1.0, 1.0], abs=1e-4)
    assert view.aim_deg == pytest.approx(row["aim_error_deg"], abs=1e-4)


def test_the_lean_is_the_residual(examined: Examination) -> None:
    row = row_of(examined, "L_Toe")
    view = hinge_view(row, plan_of(row))
    assert view is not None
    assert view.lean_deg is not None
    assert abs(view.lean_deg) == pytest.approx(row["residual_deg"], abs=1e-4)
    assert hinge_view(row_of(examined, "Hip"), Plan("Hip")) is None


def themes() -> list[dict[str, str]]:
    style = files("audit.report").joinpath("templates/style.css").read_text(encoding="utf-8")
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    assert len(blocks) == 3
    return [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in blocks]


def luminance(colour: str) -> float:
    """Return the relative luminance: WCAG 2.2, W3C Recommendation, "relative luminance"."""
    parts = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(first: str, second: str) -> float:
    light, dark = sorted((luminance(first), luminance(second)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", [0, 1, 2], ids=["light", "dark", "print"])
def test_contrast_is_enough_in_every_theme(theme: int) -> None:
    colours = themes()[theme]
    for ground in ("paper", "card"):
        for ink in ("ink", "soft", "link", "good"):
            assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
        for mark in ("second", "third", "axis"):
            assert contrast(colours[mark], colours[ground]) >= 3.0, (mark, ground)
    assert contrast(colours["first"], colours["card"]) >= 4.5
    for ground in ("wash", "warm"):
        assert contrast(colours["ink"], colours[ground]) >= 4.5
