"""Halves: pictures as big as the window that live as long as the measuring, kept in half precision.

The step of half precision is a two-thousandth of the value, far below any photo's noise; memory is what
limits how large a picture can be measured.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Half = NDArray[np.float16]

NOTHING = np.zeros(4)  # a scalar to OpenCV


def halved(picture: NDArray[np.float32]) -> Half:
    """Return a picture (H, W) in half precision."""
    return np.asarray(cv2.add(picture, NOTHING, dtype=cv2.CV_16F), np.float16)


def restored(picture: Half) -> NDArray[np.float32]:
    """Return a picture (H, W), or a cut of one, in the precision that is computed with."""
    return np.asarray(cv2.add(picture, NOTHING, dtype=cv2.CV_32F), np.float32)


def values_at(picture: Half, place: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return the values at flat indices (N,)."""
    return picture.ravel()[place].astype(np.float32)


def above(picture: Half, level: float) -> NDArray[np.uint8]:
    """Mask (H, W) of 0 and 1: where a picture is above a level."""
    greater = cv2.compare(picture, level, cv2.CMP_GT)  # type: ignore[call-overload]  # stubs know no scalars
    return np.asarray(greater & 1, np.uint8)
