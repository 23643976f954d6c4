"""An invented result for the report's tests: drawn pieces with known outlines, no measurement behind it.

Every length here is made up or follows from the drawing; nothing was photographed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import cv2
import numpy as np

from calibration.photo_check import Problem
from triage.advice import Action, Advice
from triage.analysis import Analysis, Blank, Limits, PhotoResult, Sample, Scale
from triage.debris.particles import FLAG_BIT, empty_table
from triage.filters import load_filters
from triage.sizing import passing_shares, size_distribution
from triage.sizing.below_limit import with_modelled
from triage.sizing.passing import select


@dataclass(frozen=True)
class InventedPhoto:
    """Stands in for an opened photo."""

    rgb: np.ndarray
    file: str = "invented_yard_pump.jpg"


def invented_analysis(
    count: int = 380,
    *,
    shape: tuple[int, int] = (3000, 4000),
    um_per_px: float = 30.0,
    limit_um: float = 60.0,
    seed: int = 5,
) -> Analysis:
    """Return an invented result: `count` drawn pieces on pale paper, fibres among them."""
    rng = np.random.default_rng(seed)
    height, width = shape
    window = np.array([[0.1, 0.12], [0.9, 0.1], [0.92, 0.88], [0.08, 0.9]]) * (width, height)
    outlines, fibres = _pieces(rng, count, shape, um_per_px)
    rgb = _paint(rng, outlines, shape)
    table = _fill(rng, outlines, fibres, um_per_px, limit_um)
    order = np.argsort(-table["ecd_um"], kind="stable")
    table, outlines = table[order], [outlines[i] for i in order]
    table["id"] = np.arange(1, len(table) + 1)
    photo = PhotoResult(
        file="invented_yard_pump.jpg",
        sha256="0f" * 32,
        width_px=width,
        height_px=height,
        taken_at="2026-05-12T09:41:00",
        scale=Scale("card", um_per_px, 0.003, 4.2, 3, "wide"),
        limits=Limits(2.3 * um_per_px, 0.8 * limit_um, limit_um, 1.5 * limit_um, 2.1 * limit_um),
        usable=True,
        problems=(Problem("uneven_light", "One side is a third darker.", "Turn the card to the window."),),
        window_px=window,
    )
    sizes, passing = with_modelled(
        size_distribution(table, limit_um),
        passing_shares(table, load_filters(), limit_um, 0.003),
        select(table, limit_um, 0.003),
        0.8 * limit_um,
    )
    return Analysis(
        photos=(photo,),
        particles=table,
        outlines=tuple(outlines),
        sizes=sizes,
        passing=passing,
        blank=Blank(2, 61.0, True),
        advice=_advice(),
        sample=Sample(
            origin="filter",
            method="tipped",
            fraction=0.5,
            installed_um=150.0,
            element="screen",
            feed="gravity",
            fuel="petrol",
            noticed=("none",),
            hours=120.0,
            months=7.0,
            machine="Trash pump 14, yard unit",
        ),
        program_version="0.1.0",
        method_version="1",
        analysed_on=date(2026, 5, 12),
        pictures=(InventedPhoto(rgb),),
    )


def refused_analysis() -> Analysis:
    """Return an invented result whose only photo was refused."""
    whole = invented_analysis(0, shape=(600, 800))
    problems = (
        Problem(
            "blurred",
            "The picture is blurred.",
            "Rest the phone on a cup.",
            True,
        ),
        Problem("no_card", "No calibration card was found.", "Lay the debris on the printed card.", True),
    )
    photo = replace(whole.photos[0], usable=False, problems=problems, scale=None, limits=None, window_px=None)
    advice = Advice("No photo could be measured.", (Action("retake", "Take the photo again.", ()),), ())
    return replace(whole, photos=(photo,), passing=(), blank=None, advice=advice)


def _pieces(
    rng: Any, count: int, shape: tuple[int, int], um_per_px: float
) -> tuple[list[np.ndarray], np.ndarray]:
    fibres = rng.random(count) < 0.04
    centres = rng.uniform((0.13, 0.15), (0.87, 0.85), (count, 2)) * (shape[1], shape[0])
    radii = np.minimum(np.exp(rng.normal(np.log(90), 0.75, count)), 1500) / um_per_px / 2 + 0.7
    return [
        (_fibre(rng, 6 * radius + 20) if thin else _blob(rng, radius)) + centre.astype(np.float32)
        for thin, radius, centre in zip(fibres, radii, centres, strict=True)
    ], fibres


def _blob(rng: Any, radius: float) -> np.ndarray:
    """Return an irregular outline: a circle with a few random harmonics."""
    angle = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    wave = sum(rng.normal(0, 0.32 / k) * np.cos(k * angle + rng.uniform(0, 6.3)) for k in (2, 3, 4, 5))
    length = radius * (1 + np.clip(wave, -0.6, 0.6))
    return np.column_stack([length * np.cos(angle), length * np.sin(angle)]).astype(np.float32)


def _fibre(rng: Any, length: float) -> np.ndarray:
    """Return the outline of a curved strip 2.3 pixels wide."""
    t = np.linspace(-0.5, 0.5, 30)
    bend, turn = rng.uniform(-0.5, 0.5), rng.uniform(0, np.pi)
    line = length * np.column_stack([t, bend * t**2])
    strip = np.vstack([line + np.array([0, 1.15]), line[::-1] - np.array([0, 1.15])])
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return (strip @ spin).astype(np.float32)


def _paint(rng: Any, outlines: list[np.ndarray], shape: tuple[int, int]) -> np.ndarray:
    rows = np.linspace(1.0, 0.9, shape[0])[:, None, None]
    picture = np.ascontiguousarray(np.broadcast_to(rows * (228, 225, 216), (*shape, 3)).astype(np.uint8))
    inks = ((92, 52, 30), (60, 60, 64), (150, 140, 120), (40, 48, 40))
    for outline in outlines:
        fixed = np.round(outline * 16).astype(np.int32)
        cv2.fillPoly(picture, [fixed], inks[int(rng.integers(len(inks)))], cv2.LINE_AA, 4)
    noise = rng.integers(-4, 5, (*shape, 1), dtype=np.int16)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def _fill(rng: Any, outlines: list[np.ndarray], fibres: np.ndarray, um_per_px: float, limit_um: float) -> Any:
    table = empty_table(len(outlines))
    kinds = np.array(["rust", "grit", "unsure", "bright_metal", "plant"])
    table["kind"] = rng.choice(kinds, len(outlines), p=[0.55, 0.2, 0.15, 0.06, 0.04])
    table["kind"][fibres] = "fibre"
    table["kind_confidence"] = rng.uniform(0.5, 0.95, len(outlines))
    table["weight"] = 1.0
    for row, outline in zip(table, outlines, strict=True):
        area = cv2.contourArea(outline) * um_per_px**2
        (_, sides, _), hull = cv2.minAreaRect(outline), cv2.convexHull(outline)
        row["x_px"], row["y_px"] = outline.mean(axis=0)
        row["area_um2"], row["hull_area_um2"] = area, cv2.contourArea(hull) * um_per_px**2
        row["perimeter_um"] = cv2.arcLength(outline, True) * um_per_px
        row["feret_max_um"], row["feret_min_um"] = max(sides) * um_per_px, min(sides) * um_per_px
        row["ecd_um"] = np.sqrt(4 * area / np.pi)
    table["width_um"] = np.where(fibres, 2.3 * um_per_px, table["feret_min_um"])
    table["length_um"] = table["feret_max_um"]
    table["ecd_u_um"] = 0.02 * table["ecd_um"] + 2
    table["x_mm"], table["y_mm"] = table["x_px"] * um_per_px / 1000, table["y_px"] * um_per_px / 1000
    table["below_sizing_limit"] = table["ecd_um"] < limit_um
    small = table["below_sizing_limit"] | (table["width_um"] < limit_um)
    table["passing_size_um"] = np.where(small, np.nan, table["width_um"])
    table["passing_below_um"] = np.where(small, limit_um, np.nan)
    cut = slice(10, 13)
    table["touches_edge"][cut], table["weight"][cut] = True, 0.0
    table["flags"][cut] = FLAG_BIT["near_window_edge"] | FLAG_BIT["split"]
    return table


def _advice() -> Advice:
    return Advice(
        headline="Many pieces are bigger than the 150 µm (0.006 in) screen stops. "
        "First: find where the debris comes from.",
        actions=(
            Action(
                "check_cap_and_can",
                "Find where the debris comes from before changing anything else: filler cap and its vent, "
                "the strainer in the filler neck, the fuel can and funnel, the inside of the tank, the hose.",
                ("20 pieces look like sand or grit.", "Nothing in the picture says that the source is gone."),
                short="find where the debris comes from",
            ),
            Action(
                "clean_tank",
                "Take the tank off or empty it, rinse it until the rinse comes out clear, look inside with a "
                "lamp that is safe near fuel vapour, and let it dry in the open air. Then fit a new filter.",
                ("More than 25 pieces over 75 um.", "Half the pieces look like rust; try a magnet."),
                short="clean the tank",
            ),
            Action(
                "finer",
                "Once the source is dealt with, fit the finer filter named here, of at least the same size.",
                ("Of the pieces over 60 um the installed 150 um screen lets most through.",),
                75.0,
                "Not sure that enough fuel still runs: that was not measured.",
                "A flow test that falls short.",
                ("Flow test: outdoors, engine cold.",),
                short="fit a finer filter",
            ),
        ),
        cautions=(
            "A photo cannot see water, stale fuel or gum: look for them before closing up.",
            "On gravity feed a finer filter is a proposal until the flow has been tested.",
            "This is a photo check, not a laboratory test.",
        ),
        bench_tests=("20 pieces over 60 um look like sand or grit. Test: it crunches between two coins.",),
    )
