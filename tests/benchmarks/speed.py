"""How fast, and how big in memory, the tool is on a 12 megapixel photo with 1,000 particles.

    python -m tests.benchmarks.speed [--keep FOLDER] [--runs N]

The whole command is timed as a fresh process, files in, files out. The measuring core (from decoded pixels
and a calibration to the particle table) is set against decoding the same JPEG alone, and against a plain
scikit-image script: Otsu's threshold, labels, regionprops_table. That script finds no scale, no shadow, no
limit; it also measures the print. Every time is the least of the runs, in one process unless said otherwise.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.camera import Camera
from tests.scenes.campaign import PHOTO_PX, Scene, rendered
from tests.scenes.debris import Debris
from tests.scenes.photograph import SceneSpec
from tests.scenes.print_model import Print

THOUSAND = Scene(
    "thousand",
    "measured",
    SceneSpec(
        seed=12,
        card=Print("wide", number=3),
        debris=Debris(count=1000, median_um=170, range_um=(60, 2500), fibre_width_um=(25, 70)),
        camera=Camera(*PHOTO_PX, um_per_px=34.5, tilt_deg=3, rotation_deg=1.5, k1=0.02, blur_px=1.1),
    ),
)
PROPERTIES = ("area", "feret_diameter_max", "equivalent_diameter_area", "solidity", "perimeter")


LAUNCHER = """
import resource, subprocess, sys, time
began = time.perf_counter()
status = subprocess.run(sys.argv[1:], stdout=subprocess.DEVNULL).returncode
took, used = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
print(status, took, used.ru_maxrss, used.ru_utime + used.ru_stime)
"""


@dataclass(frozen=True)
class Cost:
    """What one process took: time on the clock, time of all processors, memory at its peak."""

    seconds: float
    processor_s: float
    peak_mb: float


def whole_process(photo: Path, folder: Path) -> Cost:
    """Return the cost of `triage analyse PHOTO --json FILE` as a process of its own.

    It is started by a small process: a child's peak counts the memory of what it was forked from.
    """
    command = [str(Path(sys.executable).with_name("triage")), "analyse", str(photo)]
    command += ["--json", str(folder / "result.json")]
    done = subprocess.run(
        [sys.executable, "-c", LAUNCHER, *command], check=True, capture_output=True, text=True
    )
    status, seconds, peak_kb, processor_s = done.stdout.split()
    if status != "0":
        raise RuntimeError(f"triage analyse ended with status {status}: {done.stderr}")
    return Cost(float(seconds), float(processor_s), float(peak_kb) / 1000)


def plain_script(grey: NDArray[np.uint8]) -> int:
    """Measure everything dark in a picture the usual way; return how many regions there were."""
    from skimage.filters import threshold_otsu
    from skimage.measure import label, regionprops_table

    regions = label(grey < threshold_otsu(grey))
    return len(regionprops_table(regions, properties=PROPERTIES)["area"])


def least_seconds(work: Callable[[], object], runs: int) -> float:
    """Return the shortest of `runs` timings; one untimed run before them loads the libraries."""
    work()
    seconds = []
    for _ in range(runs):
        began = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - began)
    return min(seconds)


def compare(path: Path, runs: int) -> None:
    """Print the core against decoding and the plain script, both on the whole photo and on the window."""
    from calibration.calibrate import calibrate
    from triage.debris.measure import cut_window, measure_debris
    from triage.photo import open_photo

    data = np.frombuffer(path.read_bytes(), np.uint8)
    rgb = open_photo(path).rgb
    calibration = calibrate(rgb)
    window = cv2.cvtColor(cut_window(rgb, calibration.window_px).rgb, cv2.COLOR_RGB2GRAY)
    found = len(measure_debris(rgb, calibration).table)
    core = least_seconds(lambda: measure_debris(rgb, calibration), runs)
    rows = (
        (f"measuring core ({found} particles)", core),
        ("decoding the JPEG alone", least_seconds(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR), runs)),
        (
            f"plain script on the window ({plain_script(window)} regions)",
            least_seconds(lambda: plain_script(window), runs),
        ),
        ("finding the card, light, noise, blur", least_seconds(lambda: calibrate(rgb), runs)),
        ("opening safely, hash and colour profile", least_seconds(lambda: open_photo(path), runs)),
    )
    for name, seconds in rows:
        print(f"  {name:50} {seconds:6.3f} s   core / this {core / seconds:5.2f}")


def main() -> None:
    """Render (or read back) the photo and print the timings."""
    arguments = argparse.ArgumentParser(
        description="Time the tool on a 12 megapixel photo with 1,000 particles."
    )
    arguments.add_argument("--keep", type=Path, help="folder that keeps the rendered photo for the next run")
    arguments.add_argument("--runs", type=int, default=3)
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = chosen.keep or Path(temporary)
        folder.mkdir(parents=True, exist_ok=True)
        rendered(THOUSAND, folder)
        path = folder / f"{THOUSAND.name}.jpg"
        print(f"{PHOTO_PX[0]} x {PHOTO_PX[1]} px, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
        compare(path, chosen.runs)
        runs = [whole_process(path, Path(temporary)) for _ in range(chosen.runs)]
        seconds, peak = min(run.seconds for run in runs), max(run.peak_mb for run in runs)
        print(f"  whole process `triage analyse`: {seconds:.2f} s, peak {peak:.0f} MB")


if __name__ == "__main__":
    main()
