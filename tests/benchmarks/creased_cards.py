"""Cards creased by some degrees, lying under a phone: refused, or measured within what is stated.

    python -m tests.benchmarks.creased_cards

Each row is a rendered photo: the error of the scale at the window's worst places against the exact fold, the
stated standard uncertainty, and the worst error over the marks' misfit (rms distance from their places over
the frame's width), which `calibration.flatness` covers.
"""

from __future__ import annotations

import cv2
import numpy as np

from calibration.calibrate import HowScaled, calibrate
from calibration.card import FrameName, make_frame
from calibration.kept import Kept
from calibration.locate import CardNotFound, locate
from tests.calibration.rendered import Shot, folded, photographed, printed

ANGLES = (0.0, 1.0, 2.0, 3.0, 5.0, 10.0, 20.0, -1.0, -2.0, -3.0, -5.0, -10.0)
VIEWS = {"wide": 125.0, "closeup": 45.0}  # um a pixel of a small photo that the frame fills


def row(name: FrameName, part: float, tilt_deg: float, up_deg: float) -> str:
    """Return what became of one photo."""
    frame = make_frame(name, number=3)
    shot = Shot(size=(1100, 830), um_per_px=VIEWS[name], turn_deg=2.0, tilt_deg=tilt_deg)
    fold = folded(frame, shot, part * frame.width_mm, up_deg)
    grey = photographed(printed(frame, dpi=400 if name == "wide" else 1000), fold, shot)
    try:
        found = calibrate(np.repeat(grey[..., None], 3, axis=2), HowScaled(kept=Kept()))
    except CardNotFound as refusal:
        return f"refused: {refusal.reason}"
    error = fold.scale_error(found.plane, frame)
    misfit = locate(grey).fit.residual_mm / frame.width_mm
    u, worst = found.um_per_px_rel_u, float(np.abs(error).max())
    held = "held" if worst < 2 * u else "NOT HELD"
    shown = f"{100 * error.min():+5.2f} to {100 * error.max():+5.2f} %, u {100 * u:4.2f} %"
    return f"{shown}, {worst / misfit:4.0f} times the misfit: {held}"


def main() -> None:
    """Print one row a frame, place of the crease, tilt and angle."""
    cv2.setNumThreads(1)
    for name in VIEWS:
        for part in (0.5, 0.3):
            for tilt in (3.0, 15.0):
                for angle in ANGLES:
                    print(
                        f"{name} at {part} tilt {tilt:2.0f} by {angle:+3.0f}: {row(name, part, tilt, angle)}",
                        flush=True,
                    )


if __name__ == "__main__":
    main()
