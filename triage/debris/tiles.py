"""Tiles: whole-window filters worked tile by tile, on all processors and in little memory.

The tiles are the same whatever the number of threads, so the result is too.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import product
from threading import Lock
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Cut = tuple[slice, slice]  # rows and columns
Result = TypeVar("Result")

ROWS, COLUMNS = 256, 1024  # so small that a tile's pictures stay in the processor's own memory


def map_tiles(work: Callable[[Cut, Cut], Result], shape: tuple[int, ...], halo: int) -> list[Result]:
    """Call `work` for every tile, in parallel; returns the results in reading order.

    `work` gets what to read, `halo` more at every side, and which part of that is the tile's own.
    """
    spans = (_spans(size, step, halo) for size, step in zip(shape, (ROWS, COLUMNS), strict=True))
    jobs = [((down[0], across[0]), (down[1], across[1])) for down, across in product(*spans)]
    with ThreadPoolExecutor(max(cv2.getNumThreads(), 1)) as pool:  # one dial for OpenCV and for this
        return list(pool.map(lambda job: work(*job), jobs))


def _spans(size: int, step: int, halo: int) -> list[tuple[slice, slice]]:
    spans = []
    for low in range(0, size, step):
        high = min(low + step, size)
        first = max(low - halo, 0)
        spans.append((slice(first, min(high + halo, size)), slice(low - first, high - first)))
    return spans


def filter_tiles(
    work: Callable[[Cut], tuple[NDArray[Any], ...]], shape: tuple[int, ...], halo: int
) -> tuple[NDArray[Any], ...]:
    """Join up what `work` makes of every tile of a picture of that shape: it gets what to read."""
    results: list[NDArray[Any]] = []
    first = Lock()

    def one(cut: Cut, own: Cut) -> None:
        parts = work(cut)
        with first:
            if not results:
                results.extend(np.empty(shape, part.dtype) for part in parts)
        for result, part in zip(results, parts, strict=True):
            result[cut][own] = part[own]

    map_tiles(one, shape, halo)
    return tuple(results)
