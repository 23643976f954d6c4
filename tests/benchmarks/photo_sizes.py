"""Time and memory over the size of the picture, and which arrays live when memory is fullest.

    python -m tests.benchmarks.photo_sizes [--photo FILE] [--megapixels 12 24 50 100 200 250]
    python -m tests.benchmarks.photo_sizes --arrays MEGAPIXELS [--inside FUNCTION]

The photo (by default a sample photo) is enlarged or shrunk to each size, saved as JPEG and analysed by a
fresh `triage analyse`. Time (of all processors together) and peak memory are its own; "by the megapixel" is
what it took beyond the same photo at 3 megapixels. With --arrays one size is analysed in this process
instead, and the arrays found in the running functions when the process was largest (or largest while inside
FUNCTION) are listed, each once.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from types import FrameType

import cv2
import numpy as np

from tests.benchmarks.speed import whole_process

PHOTO = Path(__file__).resolve().parents[2] / "sample_images" / "pressure_washer_PW-07_before.jpg"
MEGAPIXELS = (12.0, 24.0, 50.0, 100.0, 200.0, 250.0)
FLOOR_MEGAPIXELS = 3.0
SAMPLE_S = 0.004
LEAST_MB = 1.0
LONGEST_LIST = 40


def enlarged(photo: Path, megapixels: float, folder: Path) -> Path:
    """The photo at another size, as a JPEG in the folder."""
    bgr = cv2.imread(str(photo), cv2.IMREAD_COLOR)
    factor = float(np.sqrt(megapixels * 1e6 / (bgr.shape[0] * bgr.shape[1])))
    how = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    path = folder / f"{megapixels:g}.jpg"
    cv2.imwrite(str(path), cv2.resize(bgr, None, fx=factor, fy=factor, interpolation=how))
    return path


def table(photo: Path, megapixels: list[float], folder: Path) -> None:
    """Print one row a size."""
    floor = whole_process(enlarged(photo, FLOOR_MEGAPIXELS, folder), folder)
    print(f"{FLOOR_MEGAPIXELS:4.0f} MP: {floor.processor_s:6.1f} s, {floor.peak_mb:6.0f} MB", flush=True)
    for size in megapixels:
        cost = whole_process(enlarged(photo, size, folder), folder)
        more = size - FLOOR_MEGAPIXELS
        print(
            f"{size:4.0f} MP: {cost.processor_s:6.1f} s, {cost.peak_mb:6.0f} MB, more by the megapixel: "
            f"{(cost.processor_s - floor.processor_s) / more:5.2f} s, "
            f"{(cost.peak_mb - floor.peak_mb) / more:5.1f} MB",
            flush=True,
        )


class Watch(threading.Thread):
    """Samples the process's memory and, whenever it is at its largest, the arrays in running functions."""

    def __init__(self, inside: str) -> None:
        super().__init__(daemon=True)
        self.inside = inside
        self.peak_mb = 0.0
        self.where: list[str] = []
        self.arrays: list[tuple[float, str]] = []
        self.by_function: dict[str, float] = {}
        self.ended = threading.Event()

    def run(self) -> None:
        while not self.ended.wait(SAMPLE_S):
            frames = [frame for thread, frame in sys._current_frames().items() if thread != self.ident]
            now = resident_mb()
            names = {frame.f_code.co_qualname for each in frames for frame in ours(each)}
            self.by_function |= {name: max(self.by_function.get(name, 0.0), now) for name in names}
            if now > self.peak_mb and self.inside in names:
                self.peak_mb = now
                self.arrays = sorted(living(frames), reverse=True)
                self.where = [" < ".join(f.f_code.co_qualname for f in ours(each)) for each in frames]


def ours(frame: FrameType | None) -> Iterator[FrameType]:
    """The frames of this project's functions, innermost first."""
    while frame is not None:
        if frame.f_globals.get("__name__", "").split(".")[0] in {"triage", "calibration"}:
            yield frame
        frame = frame.f_back


def living(frames: list[FrameType]) -> Iterator[tuple[float, str]]:
    """Every large array that a local name leads to: its megabytes, and where it is named."""
    seen: set[int] = set()
    for frame in (found for each in frames for found in ours(each)):
        for name, value in list(frame.f_locals.items()):
            for path, array in arrays_in(value, name):
                root = array
                while isinstance(root.base, np.ndarray):
                    root = root.base
                if id(root) not in seen and root.nbytes > LEAST_MB * 1e6:
                    seen.add(id(root))
                    what = f"{frame.f_code.co_qualname}: {path} {root.dtype} {root.shape}"
                    yield root.nbytes / 1e6, what


def arrays_in(value: object, path: str, depth: int = 0) -> Iterator[tuple[str, np.ndarray]]:
    """Arrays in a value, its fields and its items."""
    if isinstance(value, np.ndarray):
        yield path, value
    elif depth > 4:
        return
    elif is_dataclass(value) and not isinstance(value, type):
        for each in fields(value):
            yield from arrays_in(getattr(value, each.name, None), f"{path}.{each.name}", depth + 1)
    elif isinstance(value, list | tuple) and len(value) < 1000:
        for index, each in enumerate(value):
            yield from arrays_in(each, f"{path}[{index}]", depth + 1)


def resident_mb() -> float:
    """Memory that this process occupies now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def list_arrays(path: Path, inside: str) -> None:
    """Analyse one photo here and print what lived when memory was fullest."""
    from triage.analysis import Setup, analyse

    before = resident_mb()
    watch = Watch(inside)
    watch.start()
    began = time.perf_counter()
    analyse([path], Setup())
    watch.ended.set()
    watch.join()
    print(
        f"{path.name}: {time.perf_counter() - began:.1f} s, from {before:.0f} to {watch.peak_mb:.0f} MB, in"
    )
    print("  " + "\n  ".join(watch.where))
    for megabytes, what in watch.arrays:
        print(f"  {megabytes:7.1f} MB  {what}")
    print("largest while in a function:")
    for name, peak in sorted(watch.by_function.items(), key=lambda each: -each[1])[:LONGEST_LIST]:
        print(f"  {peak:7.0f} MB  {name}")


def main() -> None:
    """Print the table, or the arrays of one size."""
    arguments = argparse.ArgumentParser(description="Time and memory over the size of the picture.")
    arguments.add_argument("--photo", type=Path, default=PHOTO)
    arguments.add_argument("--megapixels", type=float, nargs="+", default=list(MEGAPIXELS))
    arguments.add_argument("--arrays", type=float, metavar="MP")
    arguments.add_argument("--inside", default="analyse", metavar="FUNCTION")
    chosen = arguments.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        if chosen.arrays is None:
            table(chosen.photo, chosen.megapixels, folder)
        else:
            list_arrays(enlarged(chosen.photo, chosen.arrays, folder), chosen.inside)


if __name__ == "__main__":
    main()
