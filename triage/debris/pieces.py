"""Pieces: what every labelled piece is like, measured for all of them at once in photo pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Departure
from triage.debris.edges import Outlined
from triage.debris.find import Found
from triage.debris.halves import Half, values_at
from triage.debris.looks import Inside, Looks, measure_looks
from triage.debris.outline import Segments

Array = NDArray[np.float64]

SOBEL = np.array([1.0, 2.0, 1.0]) / 8


@dataclass(frozen=True)
class Pieces:
    """One row a piece, in the order of its label; lengths in pixels.

    inside, outside: mean levels on either side of the outline. sharpness: steepness of the outline compared
    with an ideal edge under the photo's blur, 1 for a clean particle, below 0.5 for a soft shadow.
    depth: largest distance of a pixel from the outside. step: (N, 3), mean departure by channel.
    peak: strongest light departure. light, strength: mean departures. looks: colour, texture,
    shine and shading inside.
    """

    area: Array
    perimeter: Array
    x: Array
    y: Array
    box: NDArray[np.int64]  # (N, 4): left, top, width, height
    inside: Array
    outside: Array
    sharpness: Array
    depth: Array
    step: Array
    peak: Array
    light: Array
    strength: Array
    looks: Looks

    @property
    def count(self) -> int:
        """Number of pieces."""
        return self.area.size


def polygon_area(segments: Segments, count: int) -> Array:
    """Area inside each outline, (count,), by the shoelace sum of its pieces."""
    twice = segments.start[:, 0] * segments.end[:, 1] - segments.start[:, 1] * segments.end[:, 0]
    return np.asarray(np.bincount(segments.label - 1, twice / 2, count), float)


def outline_length(segments: Segments, count: int) -> Array:
    """Length of each outline, (count,)."""
    return np.asarray(
        np.bincount(segments.label - 1, np.hypot(*(segments.end - segments.start).T), count), float
    )


def measure_pieces(drawn: Outlined, departure: Departure, found: Found, sigma_px: float) -> Pieces:
    """Measure every piece; `sigma_px` is the blur of what was found."""
    count, labels, segments = drawn.count, drawn.labels, drawn.segments
    place = np.flatnonzero(labels)
    piece = labels.ravel()[place] - 1
    y, x = np.divmod(place, labels.shape[1])
    pixels = np.bincount(piece, minlength=count)

    def mean(values: NDArray[np.floating]) -> Array:
        return np.bincount(piece, values, count) / np.maximum(pixels, 1)

    dark = values_at(found.light, place)
    weight = values_at(found.strength, place)
    mass = np.bincount(piece, weight, count)
    peak = np.zeros(count)
    np.maximum.at(peak, piece, dark)
    inner = cv2.distanceTransform((labels > 0).view(np.uint8), cv2.DIST_L2, 5).ravel()[place]
    depth = np.zeros(count)
    np.maximum.at(depth, piece, inner)
    step = departure.at(y, x)
    length = outline_length(segments, count)
    column, row = segments.middle_px(labels.shape)
    inside, outside, slope = (
        _along(segments, length, values)
        for values in (drawn.inside, drawn.outside, _slope(found.strength, row, column))
    )
    # The Sobel kernel smooths by a Gaussian of about 0.7 px itself.
    ideal = np.maximum(inside - outside, 1e-6) / np.sqrt(2 * np.pi * (sigma_px**2 + 0.5))
    return Pieces(
        area=polygon_area(segments, count),
        perimeter=length,
        x=np.bincount(piece, x * weight, count) / mass,
        y=np.bincount(piece, y * weight, count) / mass,
        box=_boxes(piece, x, y, count),
        inside=inside,
        outside=outside,
        sharpness=slope / ideal,
        depth=depth,
        step=np.stack([mean(step[:, channel]) for channel in range(3)], axis=1),
        peak=peak,
        light=mean(dark),
        strength=mass / np.maximum(pixels, 1),
        looks=measure_looks(
            Inside(piece, x, y, np.asarray(inner, float), step), drawn, found.light, sigma_px
        ),
    )


def _slope(values: Half, row: NDArray[np.intp], column: NDArray[np.intp]) -> Array:
    """Steepness of an image at single pixels, by the Sobel kernel, (M,); none across the picture's border."""
    rows, columns = (_mirrored(*both) for both in zip((row, column), values.shape, strict=True))
    around = values[rows[:, None], columns[None]].astype(np.float32)
    across = SOBEL @ (around[:, 2] - around[:, 0])
    down = SOBEL @ (around[2] - around[0])
    return np.asarray(np.hypot(across, down))


def _mirrored(place: NDArray[np.intp], size: int) -> NDArray[np.intp]:
    """Each place with the one before and after it, (3, M), mirrored at the picture's border."""
    three = np.abs(place + np.array([[-1], [0], [1]]))
    return np.asarray(np.minimum(three, 2 * (size - 1) - three))


def _along(segments: Segments, length: Array, values: NDArray[np.floating]) -> Array:
    """Mean along each outline of values at the middle of its parts."""
    part = np.hypot(*(segments.end - segments.start).T)
    return np.bincount(segments.label - 1, part * values, length.size) / np.maximum(length, 1e-9)


def _boxes(
    piece: NDArray[np.int32], x: NDArray[np.int64], y: NDArray[np.int64], count: int
) -> NDArray[np.int64]:
    low = np.full((count, 2), np.iinfo(np.int64).max)
    high = np.full((count, 2), -1)
    for axis, values in enumerate((x, y)):
        np.minimum.at(low[:, axis], piece, values)
        np.maximum.at(high[:, axis], piece, values)
    return np.hstack([low, high - low + 1])
