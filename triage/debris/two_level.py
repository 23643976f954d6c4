"""Pictures of only two levels: masks and reference pictures, measured along the pixels' own sides."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray


def is_two_level(rgb: NDArray[np.uint8]) -> bool:
    """Tell whether a picture (H, W, 3) holds exactly two colours, far apart."""
    if len(np.unique(rgb[::16, ::16].reshape(-1, 3), axis=0)) > 2:
        return False
    low, high = rgb.min(axis=(0, 1)), rgb.max(axis=(0, 1))
    if int(high.min()) - int(low.max()) < 128:
        return False
    return bool(((rgb == low).all(axis=2) | (rgb == high).all(axis=2)).all())


def label(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.int32], int]:
    """Label the pieces: whatever differs from the level that most of the picture's rim has."""
    grey = rgb[..., 0]
    rim = np.concatenate([grey[0], grey[-1], grey[:, 0], grey[:, -1]])
    background = grey.max() if (rim == grey.max()).mean() >= 0.5 else grey.min()
    count, labels = cv2.connectedComponents((grey != background).astype(np.uint8), connectivity=8)
    return np.asarray(labels, np.int32), count - 1
