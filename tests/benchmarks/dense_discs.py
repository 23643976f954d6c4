"""Discs lying as close as they fall: does the tool count them, and is the area of what runs together right?

    python -m tests.benchmarks.dense_discs

The five frames of the ISO working group's reference picture of 90 px discs (`iso_discs` beside the checkout),
whole, at their own density, shrunk by area averaging, blurred, made noisy, sRGB coded and sent through JPEG
as in `blurred_discs`. A disc with a clear gap of at least one blur FWHM to every other stands alone; the rest
form clumps. What stands alone must be counted, one piece each; of a clump the area must be right.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.segmentation import clear_border

from tests.benchmarks.blurred_discs import (
    BLURS_PX,
    CONTRAST,
    ISO_DISC,
    ISO_PX,
    NOISE,
    PAPER,
    QUALITY,
    by_tool,
)

FWHM = 2.355
SHRUNK = (45, 30, 22, 15, 11, 7)
WIDE_PX = 400
REACH_PX = 1.5
FRAME_PX, DISCS = 2048, 100
Array = NDArray[np.float64]


@dataclass(frozen=True)
class Dense:
    """One photo of discs at their own density, with places (N, 2) and areas (N,) in its pixels."""

    grey: NDArray[np.uint8]
    xy: Array
    area: Array
    clump: NDArray[np.intp]  # which discs lie together


def frames() -> list[NDArray[np.bool_]]:
    """Reference frames, True on discs, those a frame cuts taken out; drawn alike where they are missing."""
    done, pages = cv2.imreadmulti(str(ISO_DISC), flags=cv2.IMREAD_GRAYSCALE) if ISO_DISC.exists() else (0, ())
    return [clear_border(page < 128) for page in pages] if done else [_drawn(seed) for seed in range(2)]


def _drawn(seed: int) -> NDArray[np.bool_]:
    """A hundred discs laid down at random, none on another."""
    rng = np.random.default_rng(seed)
    placed = np.empty((0, 2))
    while len(placed) < DISCS:
        place = rng.uniform(ISO_PX, FRAME_PX - ISO_PX, 2)
        if not len(placed) or np.hypot(*(placed - place).T).min() > ISO_PX + 1:
            placed = np.vstack([placed, place])
    page = np.zeros((FRAME_PX, FRAME_PX), np.uint8)
    for place in placed:
        cv2.circle(page, np.round(place * 16).astype(int).tolist(), ISO_PX * 8, 1, cv2.FILLED, shift=4)
    return page > 0


def spread(pages: list[NDArray[np.bool_]], by: int, wide_px: int = WIDE_PX) -> NDArray[np.bool_]:
    """Frames side by side, turned and mirrored, until the shrunk picture is about `wide_px` wide."""
    across = max(2, round(wide_px * by / len(pages[0])))
    turned = [np.rot90(page, turn)[:, ::mirror] for turn in range(4) for mirror in (1, -1) for page in pages]
    rows = [
        np.hstack([turned[(row * across + k) % len(turned)] for k in range(across)]) for row in range(across)
    ]
    page = np.pad(np.vstack(rows), 12 * by)
    side = len(page) // by * by
    return page[:side, :side]


def photograph(page: NDArray[np.bool_], by: int, blur_px: float, seed: int) -> Dense:
    """Shrink a page by a whole factor and take a phone-like photo of it."""
    side = len(page) // by
    cover = page.reshape(side, by, side, by).mean(axis=(1, 3), dtype=np.float32)
    light = PAPER * (1 - CONTRAST * cv2.GaussianBlur(cover, (0, 0), blur_px))
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    noisy = np.clip(coded + np.random.default_rng(seed).normal(0, NOISE, coded.shape), 0, 1)
    _, data = cv2.imencode(
        ".jpg", np.round(noisy * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, QUALITY]
    )
    _, _, boxes, centres = cv2.connectedComponentsWithStats(page.astype(np.uint8))
    near = cv2.dilate(page.astype(np.uint8), _round(FWHM * blur_px * by))
    _, together = cv2.connectedComponents(near)
    inside = np.round(centres[1:]).astype(int)
    clump = together[inside[:, 1], inside[:, 0]]
    grey = np.asarray(cv2.imdecode(data, cv2.IMREAD_GRAYSCALE), np.uint8)
    area = boxes[1:, cv2.CC_STAT_AREA] / by**2
    return Dense(grey, (centres[1:] + 0.5) / by - 0.5, area, clump.astype(np.intp))


def _round(across: float) -> NDArray[np.uint8]:
    size = max(1, int(across)) // 2 * 2 + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


@dataclass(frozen=True)
class Score:
    """Discs that stand alone, pieces found for them; true and found area of the rest; pieces of no disc."""

    lone: int
    found: int
    clump_px2: float
    clump_found_px2: float
    strays: int


def score(true: Dense) -> Score:
    """Give every piece found to the nearest disc, and compare."""
    from scipy.spatial import cKDTree

    found = by_tool(true.grey)
    apart, owner = cKDTree(true.xy).query(found.xy.reshape(-1, 2))
    lone = np.bincount(true.clump)[true.clump] == 1
    on_disc = apart < np.sqrt(true.area / np.pi)[owner] + REACH_PX
    of_lone = on_disc & lone[owner]
    area = np.pi / 4 * found.diameter**2
    return Score(
        int(lone.sum()),
        int(of_lone.sum()),
        float(true.area[~lone].sum()),
        float(area[~of_lone].sum()),
        int((~on_disc & lone[owner]).sum()),
    )


def main() -> None:
    """Print one row a size and blur."""
    pages = frames()
    print("disc px  blur px   lone    count     area  strays")
    for blur in BLURS_PX:
        for by in SHRUNK:
            got = score(photograph(spread(pages, by), by, blur, by))
            count, area = got.found / max(got.lone, 1) - 1, got.clump_found_px2 / max(got.clump_px2, 1e-9) - 1
            print(
                f"{ISO_PX / by:7.1f} {blur:8.1f} {got.lone:6} {count:+8.1%} {area:+8.1%} {got.strays:7}",
                flush=True,
            )


if __name__ == "__main__":
    main()
