"""Cards printed longer along one side than along the other, seen straight and tilted: what is found out.

    python -m tests.benchmarks.stretched_prints

Each row is a rendered photo of the wide card, printed and photographed with faults. The ratio of its two
sides is given in per cent with its standard uncertainty, by a phone's usual lens, by the lens that the camera
stated, and by one stated 8 % wrong; a star marks what is told to the user as surely beyond what printers do.
"""

from __future__ import annotations

import math
from dataclasses import replace

import cv2

from calibration.calibrate import PRINT_GLOBAL_U
from calibration.card import make_frame
from calibration.locate import locate
from calibration.pose import HALF_DIAGONAL_35_MM, Focal
from calibration.squareness import squareness_of
from tests.calibration.rendered import Shot, photographed, printed, true_plane

PRINTS = ((1.0, 1.0), (1.01, 1.0), (1.02, 1.0), (1.03, 1.0), (1.0, 1.03))
VIEWS = ((0, 0), (5, 30), (15, 0), (15, 45), (25, 0), (25, 45))  # tilt, and towards where, degrees
LENSES = {"usual": None, "stated": 1.0, "8 % wrong": 0.92}
FLATNESS_U = 0.0013
USUAL_U = math.sqrt(2.0) * PRINT_GLOBAL_U


def main() -> None:
    """Print one row a print and view."""
    frame = make_frame("wide", number=3)
    page = printed(frame, dpi=600)
    for x, y in PRINTS:
        light = cv2.resize(page.light, None, fx=x, fy=y, interpolation=cv2.INTER_AREA)
        for tilt, towards in VIEWS:
            shot = Shot(
                size=(1900, 1500), um_per_px=70.0, turn_deg=2.0, tilt_deg=tilt, tilt_towards_deg=towards
            )
            fit = locate(photographed(replace(page, light=light), true_plane(frame, shot), shot)).fit
            told = []
            for name, part in LENSES.items():
                focal = Focal.stated(shot.focal * HALF_DIAGONAL_35_MM * part if part else None)
                found = squareness_of(fit, focal, FLATNESS_U)
                star = "*" if found.surely_beyond(USUAL_U) else " "
                told.append(
                    f"{name} {100 * (found.ratio - 1):+6.2f} ± {100 * found.log_ratio_u:4.2f} %{star}"
                )
            print(f"x {x:4.2f} y {y:4.2f}, tilt {tilt:2} towards {towards:2}: {'; '.join(told)}", flush=True)


if __name__ == "__main__":
    main()
