"""Ground: what the debris lies on where it is not plain paper, and the photo with that ground made even."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.calibrate import Calibration
from triage.debris.cloth import without_cloth
from triage.debris.limits import Limits
from triage.debris.pleats import find_folds, without_pleats
from triage.debris.weave import Lattice, find_lattice
from triage.debris.wires import follow, measure_pitch

Array = NDArray[np.float64]
Mask = NDArray[np.uint8]

USUAL_BLUR_PX = 1.2  # from memory
OUTLINE_PX = 4.0
# Of the wires' pitch, on rendered cloth (tests/benchmarks/hard_grounds.py).
HIDDEN = 0.8
UNSIZED = 1.0
LEAST_CLOTH = (
    0.3  # of the window, rendered cloth under debris shows over 0.7: less is squared paper beside it
)
FAINTEST = 0.22  # contrast: wires aside, and creases, leave up to 0.2


@dataclass(frozen=True)
class GroundSeen:
    """A ground that is no plain paper.

    `kind` is "woven" or "pleated"; `seen_share` the part of the window in which debris can be seen. Pieces
    under `hidden_um`, and those of less contrast than `faintest`, are lost in the ground's own pattern; those
    under `unsized_um` are not sized. Cloth: the `pitch_um` of its wires, both directions together, and its
    relative standard uncertainty; None where wires cannot be told from over and under.
    """

    kind: str
    seen_share: float
    hidden_um: float = 0.0
    unsized_um: float = 0.0
    faintest: float = 0.0
    pitch_um: float | None = None
    pitch_rel_u: float | None = None

    def raised(self, limits: Limits) -> Limits:
        """A photo's limits, raised to what this ground lets be seen and sized."""
        return replace(
            limits,
            smallest_seen_um=max(limits.smallest_seen_um, self.hidden_um),
            smallest_seen_faint_um=max(limits.smallest_seen_faint_um, self.hidden_um),
            smallest_sized_um=max(limits.smallest_sized_um, self.unsized_um),
            smallest_sized_faint_um=max(limits.smallest_sized_faint_um, self.unsized_um),
        )


@dataclass(frozen=True)
class EvenGround:
    """A photo's crop with its ground made even, the part of the window that counts, what the ground is.

    `calibration` has that part for its window."""

    rgb: NDArray[np.uint8]
    window: Mask
    ground: GroundSeen
    calibration: Calibration


def even_ground(
    rgb: NDArray[np.uint8], window: Mask, calibration: Calibration, first: tuple[int, int]
) -> EvenGround | None:
    """Make a woven or pleated ground even; None on any other, at the cost of a few small windows.

    rgb : (H, W, 3), the crop round the debris window, whose `first` pixel is (x, y) of the photo
    """
    sigma_px = calibration.blur.sigma_px if calibration.blur else USUAL_BLUR_PX
    lattice = find_lattice(rgb, window, sigma_px)
    if lattice is not None:
        return _without_cloth(rgb, window, calibration, np.array(first, float), lattice)
    folds = find_folds(rgb, window)
    if folds is None:
        return None
    flat = without_pleats(rgb, calibration.light.tone.lut, window, folds)
    share = float(np.count_nonzero(flat.seen) / np.count_nonzero(window))
    return EvenGround(flat.rgb, window, GroundSeen("pleated", share, faintest=FAINTEST), calibration)


def _without_cloth(
    rgb: NDArray[np.uint8], window: Mask, calibration: Calibration, corner: Array, lattice: Lattice
) -> EvenGround | None:
    lut, plane = calibration.light.tone.lut, calibration.plane
    followed = follow(np.asarray(lut[rgb[..., 1]], np.float32), window, lattice, plane, corner)
    if followed is None:
        return None
    share = float(np.count_nonzero(followed.cloth) / np.count_nonzero(window))
    if share < LEAST_CLOTH:
        return None
    even = without_cloth(rgb, lut, followed, lattice)
    pitch = measure_pitch(followed, lattice, plane, corner)
    if pitch is None:  # the longer reading: its limits hold for both
        pitch_um, told = lattice.period_px * calibration.um_per_px, {}
    else:
        pitch_um = (pitch.one_um + pitch.other_um) / 2
        told = {
            "pitch_um": float(pitch_um),
            "pitch_rel_u": float(np.hypot(pitch.rel_u, calibration.um_per_px_rel_u)),
        }
    ground = GroundSeen("woven", share, float(HIDDEN * pitch_um), float(UNSIZED * pitch_um), FAINTEST, **told)
    placed = replace(calibration, window_px=_outline(followed.cloth, corner))
    return EvenGround(even, followed.cloth, ground, placed)


def _outline(part: Mask, corner: Array) -> Array:
    """Outline (N, 2) px of the largest piece of `part`."""
    outlines, _ = cv2.findContours(part, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    biggest = max(outlines, key=cv2.contourArea)
    smooth = cv2.approxPolyDP(biggest, OUTLINE_PX, closed=True)
    return np.asarray(smooth[:, 0].astype(float) + corner)
