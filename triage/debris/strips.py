"""Strips: whole-window filters worked in strips of rows, on all processors and in little memory.

The strips are the same whatever the number of threads, so the result is too.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

Result = TypeVar("Result")

ROWS = 256


def map_strips(work: Callable[[slice, slice], Result], height: int, halo: int) -> list[Result]:
    """Call `work` for every strip, in parallel; returns the results from top to bottom.

    `work` gets the rows to read, `halo` more at either side, and which of the rows read are the strip's own.
    """
    jobs = []
    for top in range(0, height, ROWS):
        bottom = min(top + ROWS, height)
        first = max(top - halo, 0)
        jobs.append((slice(first, min(bottom + halo, height)), slice(top - first, bottom - first)))
    with ThreadPoolExecutor(max(cv2.getNumThreads(), 1)) as pool:  # one dial for OpenCV and for this
        return list(pool.map(lambda job: work(*job), jobs))


def filter_strips(
    work: Callable[[slice], tuple[NDArray[Any], ...]], height: int, halo: int
) -> tuple[NDArray[Any], ...]:
    """Join up what `work` makes of every strip: it gets the rows to read, and returns as many."""
    results: list[NDArray[Any]] = []

    def one(rows: slice, own: slice) -> tuple[int, tuple[NDArray[Any], ...]]:
        return rows.start + own.start, tuple(part[own] for part in work(rows))

    for top, parts in map_strips(one, height, halo):
        if not results:
            results = [np.empty((height, *part.shape[1:]), part.dtype) for part in parts]
        for result, part in zip(results, parts, strict=True):
            result[top : top + len(part)] = part
    return tuple(results)
