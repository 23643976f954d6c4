"""Areas of a photo left out by a technician: kept beside the analysis, applied to what was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.analysis import PhotoResult
from triage.errors import UserError
from triage.record.details import Measured
from triage.record.entries import LeftOut, clean_text
from triage.record.tables import AnalysisRow, AreaRow

LEAST_PX = 2.0
LEAST_KEPT = 0.02  # of the debris window; less is no sample any more
RASTER_PX = 1000  # the window's longer side while its share is worked out: good to a tenth of a per cent


def areas_of(row: AnalysisRow) -> tuple[LeftOut, ...]:
    """Return the areas that are left out of an analysis now, in the order they were drawn."""
    found: dict[int, LeftOut] = {}
    for each in row.areas:
        place = (each.x_px, each.y_px, each.width_px, each.height_px)
        if each.action == "restore":
            found.pop(each.area, None)
        elif each.photo is not None:
            x, y, width, height = (math.nan if value is None else value for value in place)
            found[each.area] = LeftOut(each.photo, x, y, width, height, each.who, each.area, each.made_at)
    return tuple(found.values())


def next_area(row: AnalysisRow) -> int:
    """Return the number of the next area of an analysis."""
    return 1 + max((each.area for each in row.areas), default=0)


def checked(area: LeftOut, measured: Measured, others: Sequence[LeftOut]) -> LeftOut:
    """Return the area cut to its photo. UserError where it leaves nothing to count, or lies nowhere."""
    who = clean_text(area.who, "who")
    if who is None:
        raise UserError("Give the initials of who leaves this area out.")
    if not 0 <= area.photo < len(measured.photos) or not measured.photos[area.photo].counted:
        raise UserError("That photo has no pieces of its own in this result; draw on one that counts.")
    photo = measured.photos[area.photo]
    ends = (area.x_px, area.y_px, area.x_px + area.width_px, area.y_px + area.height_px)
    if not all(map(math.isfinite, ends)):
        raise UserError("Draw the area on the photo, or tap two of its corners.")
    x0, x1 = np.clip(sorted(ends[::2]), -0.5, photo.width_px - 0.5).tolist()
    y0, y1 = np.clip(sorted(ends[1::2]), -0.5, photo.height_px - 0.5).tolist()
    if min(x1 - x0, y1 - y0) < LEAST_PX:
        raise UserError("That area is too small to leave out; draw it larger, or leave out the piece itself.")
    cut = replace(area, x_px=x0, y_px=y0, width_px=x1 - x0, height_px=y1 - y0, who=who)
    if kept_share(measured.photos, (*others, cut)) < LEAST_KEPT:
        raise UserError("That would leave nothing of the debris window; draw a smaller area.")
    return cut


def without_areas(measured: Measured, areas: Sequence[LeftOut]) -> Measured:
    """Return it without the pieces whose centre lies in an area left out.

    What is left stands for less of the debris: the part that was photographed shrinks with the window, as if
    the debris lay evenly.
    """
    if not areas:
        return measured
    out = inside(measured, areas)
    kept = tuple(outline for outline, gone in zip(measured.outlines, out, strict=True) if not gone)
    share = kept_share(measured.photos, areas)
    fraction = (1.0 if measured.sample.fraction is None else measured.sample.fraction) * share
    sample = replace(measured.sample, fraction=fraction)
    photos = _told(measured.photos, areas)
    return replace(measured, photos=photos, particles=measured.particles[~out], outlines=kept, sample=sample)


def _told(photos: Sequence[PhotoResult], areas: Sequence[LeftOut]) -> tuple[PhotoResult, ...]:
    """Return the photos, each with what was left out of it in its note."""
    told = []
    for index, photo in enumerate(photos):
        mine = [each for each in areas if each.photo == index]
        whole, kept = _window_px2(photo, mine)
        who = " and ".join(dict.fromkeys(each.who for each in mine))
        left = f"{100 * (1 - kept / max(whole, 1.0)):.0f} % of its window was left out by hand ({who})."
        told.append(replace(photo, note=f"{photo.note} {left}".strip()) if mine else photo)
    return tuple(told)


def inside(measured: Measured, areas: Sequence[LeftOut]) -> NDArray[np.bool_]:
    """Return which particles (N,) are centred in an area."""
    table = measured.particles
    out = np.zeros(len(table), bool)
    for each in areas:
        x, y = table["x_px"] - each.x_px, table["y_px"] - each.y_px
        within = (x >= 0) & (x <= each.width_px) & (y >= 0) & (y <= each.height_px)
        out |= within & (table["photo"] == each.photo)
    return out


def kept_share(photos: Sequence[PhotoResult], areas: Sequence[LeftOut]) -> float:
    """Return the share of the debris windows, 0..1 by area in mm, that no area left out covers."""
    whole = kept = 0.0
    for index, photo in enumerate(photos):
        if photo.counted and photo.scale is not None:
            all_px, kept_px = _window_px2(photo, [each for each in areas if each.photo == index])
            whole += all_px * photo.scale.um_per_px**2
            kept += kept_px * photo.scale.um_per_px**2
    return kept / whole if whole else 1.0


def _window_px2(photo: PhotoResult, areas: Sequence[LeftOut]) -> tuple[float, float]:
    """Return a debris window's area in the photo and what of it is left, px squared."""
    far = ((-0.5, -0.5), (photo.width_px - 0.5, photo.height_px - 0.5))
    corners = np.array([far[0], (far[1][0], far[0][1]), far[1], (far[0][0], far[1][1])])
    outline = corners if photo.window_px is None or not len(photo.window_px) else photo.window_px
    low = np.maximum(outline.min(axis=0), far[0])
    high = np.minimum(outline.max(axis=0), far[1])
    factor = RASTER_PX / max(float((high - low).max()), 1.0)
    columns, rows = np.maximum(np.ceil((high - low) * factor), 1).astype(int)
    mask = np.zeros((rows, columns), np.uint8)
    cv2.fillPoly(mask, [np.round((outline - low) * factor - 0.5).astype(np.int32)], 1)
    whole = int(mask.sum())
    for each in areas:
        x0, y0 = np.round((np.array([each.x_px, each.y_px]) - low) * factor).astype(int)
        x1, y1 = np.round(
            (np.array([each.x_px + each.width_px, each.y_px + each.height_px]) - low) * factor
        ).astype(int)
        mask[max(y0, 0) : max(y1, 0), max(x0, 0) : max(x1, 0)] = 0
    return whole / factor**2, int(mask.sum()) / factor**2


def area_row(area: LeftOut, number: int) -> AreaRow:
    """Return the row that leaves an area out."""
    names = ("photo", "x_px", "y_px", "width_px", "height_px", "who")
    return AreaRow(area=number, action="leave_out", **{name: getattr(area, name) for name in names})


def again(row: AreaRow) -> AreaRow:
    """Return a copy of a row for another analysis of the same photos."""
    names = ("area", "action", "photo", "x_px", "y_px", "width_px", "height_px", "who", "made_at")
    return AreaRow(**{name: getattr(row, name) for name in names})
