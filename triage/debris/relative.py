"""Relative light: a photo's debris window as a part of its own bare paper's light, read between pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from triage.debris.background import Departure, Image, find_departure
from triage.debris.dust import lifted
from triage.debris.measure import Crop, cut_window
from triage.debris.tiles import Cut, filter_tiles

REACH = 5  # pixels round a place that interpolation reads


@dataclass(frozen=True)
class RelativeLight:
    """The window of one photo; paper is 1, whatever the lamp and the exposure."""

    crop: Crop
    departure: Departure

    def read(self, x: Image, y: Image) -> Image:
        """Relative light (h, w, 3) at pixels `x`, `y` (h, w) of the whole photo, by Lanczos' kernel."""
        x, y = x - np.float32(self.crop.left), y - np.float32(self.crop.top)
        height, width = self.crop.window.shape
        left, right = (int(np.clip(edge, 0, width)) for edge in (x.min() - REACH, x.max() + REACH + 1))
        top, bottom = (int(np.clip(edge, 0, height)) for edge in (y.min() - REACH, y.max() + REACH + 1))
        if left >= right or top >= bottom:
            return np.ones((*x.shape, 3), np.float32)
        light = cv2.LUT(self.crop.rgb[top:bottom, left:right], self.departure.table)
        light = cv2.remap(light, x - left, y - top, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(light / self.paper(x, y), np.float32)

    def paper(self, x: Image, y: Image) -> Image:
        """Light of the bare paper (h, w, 3) at pixels of the crop."""
        by = np.float32(self.departure.reduction)
        across, down = ((axis - (by - 1) / 2) / by for axis in (x, y))
        paper = cv2.remap(
            self.departure.paper, across, down, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        return np.asarray(paper, np.float32)

    def shows(self, x: Image, y: Image) -> NDArray[np.bool_]:
        """Which pixels (h, w) of the whole photo lie in its window."""
        x, y = x - np.float32(self.crop.left), y - np.float32(self.crop.top)
        inside = cv2.remap(self.crop.window, x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)
        return np.asarray(inside) > 0

    def smooth_grey(self, sigma_px: float) -> Image:
        """Mean of the channels over the crop, (H, W), blurred by `sigma_px`."""

        def smoothed(cut: Cut) -> tuple[Image]:
            light = cv2.LUT(self.crop.rgb[cut], self.departure.table)
            down, across = (np.arange(side.start, side.stop, dtype=np.float32) for side in cut)
            light = light / self.paper(*np.meshgrid(across, down))
            grey = mean_of_channels(light)
            return (np.asarray(cv2.GaussianBlur(grey, (0, 0), sigma_px), np.float32),)

        return filter_tiles(smoothed, self.crop.window.shape, int(4 * sigma_px) + 2)[0]


def relative_light(rgb: NDArray[np.uint8], calibration: Calibration) -> RelativeLight:
    """Divide the debris window of an upright photo (H, W, 3) by its bare paper."""
    crop = cut_window(rgb, calibration.window_px)
    light = calibration.light
    white = np.asarray(light.paper_rgb, np.float32) if calibration.dark else None
    departure = lifted(find_departure(crop.rgb, light.tone.lut, crop.window, white), crop.window)
    return RelativeLight(crop, departure)


def mean_of_channels(light: Image) -> Image:
    """(h, w, 3) to (h, w)."""
    return np.asarray(cv2.transform(light, np.full((1, 3), 1 / 3, np.float32)), np.float32)
