"""Three honest ways to find and measure dark debris with general libraries, in a few lines each.

They are given a grey picture with the debris darker than its ground, and measure in pixels: Otsu's threshold,
a local threshold with a watershed, both with scikit-image, and the astronomical extractor `sep` (extra
`benchmarks`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Grey = NDArray[np.uint8]

LONG_PX = 20.0  # regions longer than this get their greatest Feret diameter, others the major axis
FIBRE_ASPECT = 5.0  # length over width from which a plain script would call a piece a fibre


@dataclass(frozen=True)
class Measured:
    """What a method made of a picture, in pixels: places (N, 2), diameters, lengths and widths (N,).

    `uncertainty`: standard uncertainty of the diameters (N,), where the method states it.
    """

    xy: Array
    diameter: Array
    length: Array
    width: Array
    uncertainty: Array | None = None


def by_otsu(grey: Grey) -> Measured:
    """Otsu's threshold, labels, region properties."""
    from skimage.filters import threshold_otsu
    from skimage.measure import label

    return _regions(label(grey < threshold_otsu(grey)))


def by_local_threshold(grey: Grey) -> Measured:
    """Local mean threshold, watershed of the distance transform."""
    from scipy.ndimage import distance_transform_edt, gaussian_filter
    from skimage.feature import peak_local_max
    from skimage.filters import threshold_local
    from skimage.measure import label
    from skimage.morphology import remove_small_objects
    from skimage.segmentation import watershed

    mask = remove_small_objects(grey < threshold_local(grey, 51, offset=15), max_size=1)
    depth = distance_transform_edt(mask)
    peaks = peak_local_max(gaussian_filter(depth, 1), labels=label(mask), min_distance=2)
    seeds = np.zeros(grey.shape, int)
    seeds[tuple(peaks.T)] = np.arange(1, len(peaks) + 1)
    return _regions(watershed(-depth, seeds, mask=mask))


def by_sep(grey: Grey) -> Measured:
    """Astronomical extraction: background, threshold of 3 sigma, area above it, second moments."""
    import sep

    light = np.ascontiguousarray(255.0 - grey)
    background = sep.Background(light)
    sep.set_extract_pixstack(light.size)
    found = sep.extract(light - background.back(), 3, err=background.globalrms)
    area = found["npix"].astype(float)
    length = np.sqrt(12) * found["a"]  # of a straight bar with that second moment
    width = _widths(area, length, found["b"] / found["a"])
    return Measured(np.stack([found["x"], found["y"]], axis=1), np.sqrt(area * 4 / np.pi), length, width)


def _regions(labels: NDArray[np.int64]) -> Measured:
    from skimage.measure import regionprops, regionprops_table

    names = ("label", "area", "centroid", "axis_major_length", "axis_minor_length")
    table = regionprops_table(labels, properties=names)
    area, length = table["area"].astype(float), table["axis_major_length"].copy()
    feret = {
        region.label: region.feret_diameter_max
        for region in regionprops(labels)
        if region.bbox[2] - region.bbox[0] + region.bbox[3] - region.bbox[1] > LONG_PX
    }
    length = np.array([feret.get(label, major) for label, major in zip(table["label"], length, strict=True)])
    length = np.maximum(length, np.sqrt(area))  # single pixels have no axes
    flat = table["axis_minor_length"] / np.maximum(table["axis_major_length"], 1e-9)
    xy = np.stack([table["centroid-1"], table["centroid-0"]], axis=1)
    return Measured(xy, np.sqrt(area * 4 / np.pi), length, _widths(area, length, flat))


def _widths(area: Array, length: Array, flat: Array) -> Array:
    """Width of a fibre is area over length, of others the short axis of the ellipse with their area."""
    ellipse = np.sqrt(area * 4 / np.pi * np.where(flat > 0, flat, 1.0))
    width: Array = np.where(length**2 > FIBRE_ASPECT * area, area / np.maximum(length, 1e-9), ellipse)
    return width


PLAIN: dict[str, Callable[[Grey], Measured]] = {
    "Otsu": by_otsu,
    "local, watershed": by_local_threshold,
    "sep": by_sep,
}
