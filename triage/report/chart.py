"""The cumulative size chart: described once, drawn as vectors into the PDF and as SVG into the page.

Lines differ by dash, not by colour alone; the sizes this photo cannot tell are hatched and say so.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from triage.analysis import Analysis
from triage.report.units import thou_is_first
from triage.report.words import microns, thou
from triage.sizing import Passing, inches
from triage.sizing.passing import Population, count_share, select

Array = NDArray[np.float64]

INK, SOFT, FAINT, ACCENT, TINT = 0x1B2126, 0x59636B, 0xC9CFD3, 0x0B5563, 0xD5E3E6
DASHES: dict[str, tuple[float, ...]] = {"by_count": (), "by_area": (7, 3), "by_volume": (1.2, 2.6)}
STEPS, BAND_STEPS = 160, 48
UM_PER_THOU = 25.4


@dataclass(frozen=True)
class Plot:
    """The plotting rectangle in points, origin at the bottom left, and the sizes it spans."""

    left: float
    bottom: float
    right: float
    top: float
    low_um: float
    high_um: float
    font: float
    thou: bool = False  # whether sizes are told in thousandths of an inch first

    @property
    def unit(self) -> str:
        """The unit that sizes are told in."""
        return "thou" if self.thou else "µm"

    def name(self, um: float) -> str:
        """Return a size in that unit."""
        return thou(um) if self.thou else microns(um)

    def x(self, um: float) -> float:
        """Return where a size lies on the logarithmic axis."""
        part = np.log(um / self.low_um) / np.log(self.high_um / self.low_um)
        return float(self.left + (self.right - self.left) * part)

    def y(self, share: float) -> float:
        """Return where a share 0..1 lies."""
        return float(self.bottom + (self.top - self.bottom) * share)


def chart(analysis: Analysis, width: float, height: float, font: float = 8) -> Any:
    """Describe the chart as a reportlab drawing of `width` x `height` points, lettering `font` points."""
    from reportlab.graphics.shapes import Drawing

    population = _population(analysis)
    plot = replace(plot_area(population, analysis.passing, (width, height), font), thou=thou_is_first())
    drawing = Drawing(width, height)
    parts = [
        *_hatching(plot, plot.x(analysis.sizes.from_um)),
        *_grid(plot, analysis.sizes.from_um),
        *_axis(plot),
        *_rating_lines(plot, [row.rating_um for row in analysis.passing]),
        *_curves(plot, population),
        *_whiskers(plot, analysis.passing),
        *_notes(plot, population),
        *_key(plot, font),
    ]
    for part in parts:
        drawing.add(part)
    return drawing


def chart_svg(analysis: Analysis, width: float, height: float, font: float = 8) -> str:
    """Return the chart as one inline SVG element that scales with the page."""
    from reportlab.graphics import renderSVG

    text = renderSVG.drawToString(chart(analysis, width, height, font))
    svg = text[text.index("<svg") :]
    head = (
        f'<svg class="chart" role="img" aria-label="Cumulative size chart" viewBox="0 0 {width:g} {height:g}"'
        ' xmlns="http://www.w3.org/2000/svg">'
    )
    svg = re.sub(r"<svg[^>]*>", head, svg, count=1)
    return re.sub(r"<title>.*?</desc>", "", svg, count=1, flags=re.DOTALL)


def plot_area(
    population: Population, passing: tuple[Passing, ...], size: tuple[float, float], font: float
) -> Plot:
    """Return the plotting rectangle: sizes from below the finest rating to above the biggest piece."""
    ratings = [row.rating_um for row in passing]
    biggest = float(population.size_um.max(initial=0.0))
    low = 0.8 * min([*ratings, population.from_um])
    high = 1.25 * max([*ratings, 2 * population.from_um, biggest])
    return Plot(4.4 * font, 6.2 * font, size[0] - 1.2 * font, size[1] - 4.6 * font, low, high, font)


def cumulative(sizes: Array, amount: Array, at_um: Array) -> Array:
    """Return the share of the amount in pieces smaller than each of `at_um`; `sizes` sorted."""
    below = np.concatenate([[0.0], np.cumsum(amount)])
    share: Array = below[np.searchsorted(sizes, at_um)] / below[-1]
    return share


def _population(analysis: Analysis) -> Population:
    """Return the pieces that the shares are of."""
    scales = [photo.scale.um_per_px_rel_u for photo in analysis.photos if photo.usable and photo.scale]
    return select(analysis.particles, analysis.sizes.from_um, max(scales, default=0.0))


def _curves(plot: Plot, population: Population) -> list[Any]:
    from reportlab.graphics.shapes import PolyLine

    if not population.size_um.size:
        return []
    order = np.argsort(population.size_um, kind="stable")
    amounts = {"by_volume": population.volume, "by_area": population.area, "by_count": population.weight}
    at_um = np.geomspace(population.from_um, plot.high_um, STEPS)
    parts = [_band(plot, population)]
    for name, amount in amounts.items():
        shares = cumulative(population.size_um[order], amount[order], at_um)
        points = [v for um, share in zip(at_um, shares, strict=True) for v in (plot.x(um), plot.y(share))]
        parts.append(PolyLine(points, **_pen(name)))
    return parts


def _band(plot: Plot, population: Population) -> Any:
    """Shade the 95 % interval of the share by number, as the passing table gives it at the ratings."""
    from reportlab.graphics.shapes import Polygon
    from reportlab.lib.colors import HexColor

    at_um = np.geomspace(population.from_um, plot.high_um, BAND_STEPS)
    shares = [count_share(population, um) for um in at_um]
    lower = [(plot.x(um), plot.y(share.low or 0.0)) for um, share in zip(at_um, shares, strict=True)]
    upper = [
        (plot.x(um), plot.y(1.0 if share.high is None else share.high))
        for um, share in zip(at_um, shares, strict=True)
    ]
    corners = [v for point in lower + upper[::-1] for v in point]
    return Polygon(corners, fillColor=HexColor(TINT), strokeColor=None, fillOpacity=0.75)


def _pen(name: str) -> dict[str, Any]:
    from reportlab.lib.colors import HexColor

    main = name == "by_count"
    dashes = list(DASHES[name]) or None
    return {
        "strokeColor": HexColor(ACCENT if main else INK),
        "strokeWidth": 2 if main else 1.2,
        "strokeDashArray": dashes,
        "strokeLineJoin": 1,
    }


def _whiskers(plot: Plot, passing: tuple[Passing, ...]) -> list[Any]:
    """Mark the shares of the passing table on the line by number, each with its interval."""
    from reportlab.graphics.shapes import Circle, Line
    from reportlab.lib.colors import HexColor

    parts: list[Any] = []
    for row in passing:
        share = row.by_count
        if share.share is None or share.low is None or share.high is None:
            continue
        x = plot.x(row.rating_um)
        parts.append(
            Line(x, plot.y(share.low), x, plot.y(share.high), strokeColor=HexColor(ACCENT), strokeWidth=1.6)
        )
        parts.append(Circle(x, plot.y(share.share), 2.4, fillColor=HexColor(ACCENT), strokeColor=None))
    return parts


def _rating_lines(plot: Plot, ratings: list[float]) -> list[Any]:
    """Draw a line a rating, its number above; numbers that would touch go one row higher."""
    from reportlab.graphics.shapes import Line
    from reportlab.lib.colors import HexColor

    parts: list[Any] = [
        _text(plot.right, plot.top + 3.6 * plot.font, f"filter ratings, {plot.unit}", plot.font, INK, "end")
    ]
    last = [-1e9, -1e9]
    for um in sorted(ratings, reverse=True):
        name = plot.name(um)
        x, half = plot.x(um), 0.32 * plot.font * len(name) + 1
        row = 0 if abs(last[0] - x) > 2 * half + 2 or last[0] < 0 else 1
        last[row] = x
        top = plot.top + (0.4 + 1.05 * row) * plot.font
        parts.append(Line(x, plot.bottom, x, top - 1, strokeColor=HexColor(SOFT), strokeWidth=0.6))
        parts.append(_text(x, top + 1, name, plot.font, INK, "middle"))
    return parts


def _hatching(plot: Plot, right: float) -> list[Any]:
    """Hatch the sizes left of the photo's limit."""
    from reportlab.graphics.shapes import Line
    from reportlab.lib.colors import HexColor

    width, height, step = right - plot.left, plot.top - plot.bottom, 0.9 * plot.font
    parts: list[Any] = []
    for offset in np.arange(step, width + height, step):
        x0, y0 = plot.left + max(0.0, offset - height), plot.bottom + min(offset, height)
        x1, y1 = plot.left + min(offset, width), plot.bottom + max(0.0, offset - width)
        parts.append(Line(x0, y0, x1, y1, strokeColor=HexColor(FAINT), strokeWidth=0.8))
    parts.append(Line(right, plot.bottom, right, plot.top, strokeColor=HexColor(SOFT), strokeWidth=1))
    return parts


def _notes(plot: Plot, population: Population) -> list[Any]:
    """Say in words what the hatching means, and where there is nothing to draw."""
    from reportlab.graphics.shapes import Group

    right = plot.x(population.from_um)
    wide = right - plot.left > 8 * plot.font
    under = f"under {plot.name(population.from_um)} {plot.unit}"
    lines = ["not measurable", "in this photo:", under] if wide else [f"not measurable: {under}"]
    label = Group(*_boxed(lines, plot.font))
    label.translate((plot.left + right) / 2 if wide else plot.left + 1.1 * plot.font, plot.y(0.5))
    if not wide:
        label.rotate(90)
    if population.size_um.size:
        return [label]
    nothing = Group(*_boxed(["no pieces sized"], plot.font))
    nothing.translate((right + plot.right) / 2, plot.y(0.5))
    return [label, nothing]


def _boxed(lines: list[str], font: float) -> list[Any]:
    """Return lines of text on white, centred on the origin."""
    from reportlab.graphics.shapes import Rect
    from reportlab.lib.colors import white

    width, height = 0.52 * font * max(len(line) for line in lines), 1.3 * font * len(lines)
    paper = Rect(-width / 2, -height / 2, width, height, fillColor=white, strokeColor=None)
    rows = [height / 2 - (1.3 * row + 0.95) * font for row in range(len(lines))]
    return [paper, *(_text(0, y, line, font, INK, "middle") for y, line in zip(rows, lines, strict=True))]


def _grid(plot: Plot, from_um: float) -> list[Any]:
    from reportlab.graphics.shapes import Line
    from reportlab.lib.colors import HexColor

    title = f"share that is smaller, of pieces over {plot.name(from_um)} {plot.unit}"
    parts: list[Any] = [_text(1, plot.top + 3.6 * plot.font, title, plot.font, INK)]
    for share in (0, 0.25, 0.5, 0.75, 1):
        y = plot.y(share)
        colour = HexColor(SOFT if share == 0 else FAINT)
        parts.append(Line(plot.left, y, plot.right, y, strokeColor=colour, strokeWidth=0.6))
        words = f"{100 * share:.0f} %"
        parts.append(_text(plot.left - 3, y - 0.35 * plot.font, words, plot.font, INK, "end"))
    return parts


def _axis(plot: Plot) -> list[Any]:
    """Draw the ticks, as many as have room: microns, and inches below them; or thousandths, and microns."""
    from reportlab.graphics.shapes import Line
    from reportlab.lib.colors import HexColor

    decade = (plot.right - plot.left) / np.log10(plot.high_um / plot.low_um)
    steps = (1, 2, 5) if decade > 11 * plot.font else (1, 3) if decade > 7 * plot.font else (1,)
    unit_um = UM_PER_THOU if plot.thou else 1.0
    low, high = plot.low_um / unit_um, plot.high_um / unit_um
    decades = 10.0 ** np.arange(np.floor(np.log10(low)), np.ceil(np.log10(high)))
    ticks = [unit_um * each for each in np.outer(decades, steps).ravel() if low <= each <= high]
    parts: list[Any] = []
    for um in ticks:
        x = plot.x(um)
        parts.append(Line(x, plot.bottom, x, plot.bottom - 3, strokeColor=HexColor(SOFT), strokeWidth=0.6))
        first, second = (f"{um / unit_um:g}", microns(um)) if plot.thou else (microns(um), inches(um))
        parts.append(_text(x, plot.bottom - 1.4 * plot.font, first, plot.font, INK, "middle"))
        parts.append(_text(x, plot.bottom - 2.45 * plot.font, second, 0.85 * plot.font, SOFT, "middle"))
    unit = plot.left - 1.8 * plot.font
    below = "µm" if plot.thou else "in"
    parts.append(_text(unit, plot.bottom - 1.4 * plot.font, plot.unit, plot.font, INK, "end"))
    parts.append(_text(unit, plot.bottom - 2.45 * plot.font, below, 0.85 * plot.font, SOFT, "end"))
    title = "size: the clean opening a piece just passes"
    parts.append(
        _text((plot.left + plot.right) / 2, plot.bottom - 3.9 * plot.font, title, plot.font, INK, "middle")
    )
    return parts


def _key(plot: Plot, font: float) -> list[Any]:
    from reportlab.graphics.shapes import PolyLine

    y, x = plot.bottom - 5.6 * font, 1.0
    parts: list[Any] = []
    for name, words in (
        ("by_count", "by number, 95 % band"),
        ("by_area", "by area"),
        ("by_volume", "by volume"),
    ):
        parts.append(PolyLine([x, y + 0.3 * font, x + 3 * font, y + 0.3 * font], **_pen(name)))
        parts.append(_text(x + 3.5 * font, y, words, font, INK))
        x += (3.5 + 0.5 * len(words) + 1.4) * font
    return parts


def _text(x: float, y: float, words: str, size: float, colour: int, anchor: str = "start") -> Any:
    from reportlab.graphics.shapes import String
    from reportlab.lib.colors import HexColor

    return String(
        x, y, words, fontName="Helvetica", fontSize=size, fillColor=HexColor(colour), textAnchor=anchor
    )
