"""Correlated random fields, seamless when repeated."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Field = NDArray[np.float32]


def texture(side: int, correlation_px: float, rng: np.random.Generator) -> Field:
    """Return a seamless square of white noise blurred by `correlation_px`, zero mean, unit deviation."""
    coarse = 1 << int(np.log2(np.clip(correlation_px / 4, 1, side // 64)))
    white = rng.standard_normal((side // coarse, side // coarse), dtype=np.float32)
    margin = min(side // coarse, int(4 * correlation_px / coarse) + 4)
    wrapped = np.pad(white, margin, mode="wrap")
    smooth = cv2.GaussianBlur(wrapped, (0, 0), correlation_px / coarse)
    if coarse > 1:
        smooth = cv2.resize(smooth, None, fx=coarse, fy=coarse, interpolation=cv2.INTER_CUBIC)
    cut = margin * coarse
    smooth = smooth[cut : cut + side, cut : cut + side]
    return np.asarray((smooth - smooth.mean()) / smooth.std(), dtype=np.float32)


def crop_wrapped(field: Field, row: int, col: int, shape: tuple[int, int]) -> Field:
    """Cut `shape` from the endless repetition of `field`, beginning at (row, col)."""
    rows = (row + np.arange(shape[0])) % field.shape[0]
    cols = (col + np.arange(shape[1])) % field.shape[1]
    return np.asarray(np.take(np.take(field, rows, axis=0), cols, axis=1))
