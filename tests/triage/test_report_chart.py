"""The chart: its geometry against the logarithm, its curve against scipy, SVG against PDF."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from reportlab.graphics.shapes import Circle, Drawing, Group, Line, Polygon, PolyLine, String
from scipy.stats import ecdf

from tests.triage.invented import invented_analysis
from triage.analysis import Analysis
from triage.report.chart import _population, chart, chart_svg, cumulative, plot_area

WIDTH, HEIGHT, FONT = 520.0, 240.0, 8.0


@pytest.fixture(scope="module")
def analysis() -> Analysis:
    return invented_analysis(200, shape=(900, 1200))


@pytest.fixture(scope="module")
def drawing(analysis: Analysis) -> Drawing:
    return chart(analysis, WIDTH, HEIGHT, FONT)


def _of(drawing: Drawing, kind: type) -> list[Any]:
    return [part for part in drawing.contents if type(part) is kind]


def _texts(part: Any) -> list[String]:
    if isinstance(part, String):
        return [part]
    return [text for inner in getattr(part, "contents", []) for text in _texts(inner)]


def _label_x(drawing: Drawing, text: str, above: float) -> float:
    (found,) = [s for s in _of(drawing, String) if s.text == text and s.y > above]
    return float(found.x)


def test_rating_lines_lie_where_the_logarithm_puts_them(drawing: Drawing) -> None:
    """Equal ratios are equal distances: 150/75 = 30/15, and 150/10 against 150/75 as ln 15 to ln 2."""
    x = {text: _label_x(drawing, text, HEIGHT / 2) for text in ("150", "75", "30", "25", "15", "10")}
    octave = x["150"] - x["75"]
    assert x["30"] - x["15"] == pytest.approx(octave, abs=1e-6)
    assert (x["150"] - x["10"]) / octave == pytest.approx(np.log(15) / np.log(2), rel=1e-9)
    assert (x["30"] - x["25"]) / octave == pytest.approx(np.log(1.2) / np.log(2), rel=1e-9)
    upright = {round(line.x1, 6) for line in _of(drawing, Line) if line.x1 == line.x2}
    assert {round(value, 6) for value in x.values()} <= upright


def test_ticks_share_the_axis_with_the_ratings(drawing: Drawing) -> None:
    tick = {
        text: [s.x for s in _of(drawing, String) if s.text == text and s.y < HEIGHT / 3]
        for text in ("100", "200")
    }
    octave = _label_x(drawing, "150", HEIGHT / 2) - _label_x(drawing, "75", HEIGHT / 2)
    assert tick["200"][0] - tick["100"][0] == pytest.approx(octave, abs=1e-6)


def test_cumulative_share_is_the_empirical_distribution() -> None:
    """Against scipy.stats.ecdf, which counts sizes at or below x: no size here equals a point asked for."""
    rng = np.random.default_rng(3)
    sizes = np.sort(rng.lognormal(4, 0.6, 300))
    at = np.linspace(20, 200, 57)
    np.testing.assert_allclose(cumulative(sizes, np.ones(300), at), ecdf(sizes).cdf.evaluate(at), atol=1e-12)
    amount = np.where(np.arange(300) == 10, 1.0, 0.0)  # all of it in one piece
    assert cumulative(sizes, amount, np.array([sizes[10] + 1e-9]))[0] == 1.0
    assert cumulative(sizes, amount, np.array([sizes[10]]))[0] == 0.0


def test_curve_passes_through_the_shares_of_the_table(analysis: Analysis, drawing: Drawing) -> None:
    population = _population(analysis)
    plot = plot_area(population, analysis.passing, (WIDTH, HEIGHT), FONT)
    curve = max(_of(drawing, PolyLine), key=lambda line: (len(line.points), line.strokeWidth))
    xs, ys = np.array(curve.points).reshape(-1, 2).T
    shown = [row for row in analysis.passing if row.by_count.share is not None]
    assert len(shown) == 2
    dots = sorted((dot.cx, dot.cy) for dot in _of(drawing, Circle))
    assert dots == [
        (pytest.approx(plot.x(row.rating_um)), pytest.approx(plot.y(row.by_count.share)))
        for row in sorted(shown, key=lambda row: row.rating_um)
    ]
    step = (plot.top - plot.bottom) * 6 / len(population.size_um)
    for x, y in dots:
        assert np.interp(x, xs, ys) == pytest.approx(y, abs=step)


def test_the_band_holds_the_intervals_of_the_table(analysis: Analysis, drawing: Drawing) -> None:
    (band,) = _of(drawing, Polygon)
    points = np.array(band.points).reshape(-1, 2)
    lower, upper = points[: len(points) // 2], points[len(points) // 2 :][::-1]
    plot = plot_area(_population(analysis), analysis.passing, (WIDTH, HEIGHT), FONT)
    row = next(row for row in analysis.passing if row.rating_um == 150)
    assert row.by_count.low is not None
    assert row.by_count.high is not None
    x, tolerance = plot.x(150.0), 0.03 * (plot.top - plot.bottom)
    assert np.interp(x, *lower.T) == pytest.approx(plot.y(row.by_count.low), abs=tolerance)
    assert np.interp(x, *upper.T) == pytest.approx(plot.y(row.by_count.high), abs=tolerance)


def test_lines_differ_by_dash_not_by_colour_alone(drawing: Drawing) -> None:
    long = [line for line in _of(drawing, PolyLine) if len(line.points) > 20]
    dashes = {tuple(line.strokeDashArray or ()) for line in long}
    assert len(long) == len(dashes) == 3


def test_the_unmeasurable_is_hatched_and_says_so(analysis: Analysis, drawing: Drawing) -> None:
    plot = plot_area(_population(analysis), analysis.passing, (WIDTH, HEIGHT), FONT)
    limit = plot.x(analysis.sizes.from_um)
    slanted = [line for line in _of(drawing, Line) if line.x1 != line.x2 and line.y1 != line.y2]
    assert len(slanted) > 20
    assert max(max(line.x1, line.x2) for line in slanted) <= limit + 1e-6
    said = [text.text for group in _of(drawing, Group) for text in _texts(group)]
    assert said == ["not measurable", "in this photo:", "under 60 µm"]


def test_rating_numbers_do_not_touch(analysis: Analysis) -> None:
    narrow = chart(analysis, 240, 200, 7)
    numbers = [s for s in _of(narrow, String) if s.textAnchor == "middle" and s.y > 150]
    boxes = [(s.x - 0.28 * 7 * len(s.text), s.x + 0.28 * 7 * len(s.text), s.y) for s in numbers]
    assert len(boxes) == 7
    for i, a in enumerate(boxes):
        for b in boxes[:i]:
            assert a[1] < b[0] or b[1] < a[0] or abs(a[2] - b[2]) >= 7


def test_svg_and_pdf_draw_the_same_curve(analysis: Analysis, drawing: Drawing) -> None:
    svg = chart_svg(analysis, WIDTH, HEIGHT, FONT)
    root = ET.fromstring(svg)
    assert root.get("viewBox") == f"0 0 {WIDTH:g} {HEIGHT:g}"
    number = max(_of(drawing, PolyLine), key=lambda line: (len(line.points), line.strokeWidth))
    drawn = [
        np.array(re.findall(r"-?[\d.]+(?:e-?\d+)?", part.get("points") or part.get("d") or ""), float)
        for part in root.iter()
        if (part.get("points") or part.get("d") or "").count(",") >= 100
    ]
    assert any(len(d) == len(number.points) and np.allclose(d, number.points, atol=0.01) for d in drawn)


@pytest.mark.parametrize(("um_per_px", "limit_um"), [(4.0, 9.0), (30.0, 60.0), (900.0, 1800.0)])
def test_tick_numbers_do_not_touch(um_per_px: float, limit_um: float) -> None:
    """Helvetica's digits are 0.556 of its size wide (Adobe's metrics); the inches are set at 0.85 of it."""
    parts = chart(
        invented_analysis(40, shape=(600, 800), um_per_px=um_per_px, limit_um=limit_um), 240, 200, 7
    )
    inches = sorted(
        (s.x, 0.556 * s.fontSize * (len(s.text) - 0.5))
        for s in _of(parts, String)
        if s.text.startswith("0.") and s.y < 60
    )
    assert len(inches) >= 2
    for (x, wide), (following, next_wide) in pairwise(inches):
        assert following - x > (wide + next_wide) / 2


@pytest.mark.parametrize("count", [0, 1])
def test_next_to_nothing_still_makes_a_chart(count: int) -> None:
    parts = chart(invented_analysis(count, shape=(600, 800)), 300, 200)
    said = [text.text for group in _of(parts, Group) for text in _texts(group)]
    assert ("no pieces sized" in said) == (count == 0)
