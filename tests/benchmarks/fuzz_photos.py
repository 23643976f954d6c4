"""Damaged and hostile pictures against opening and analysing, each in a process of its own.

    python -m tests.benchmarks.fuzz_photos [--count N] [--seed S] [--keep FOLDER] [--seconds S]

Every input is one of the odd pictures of tests/triage with a few of its bytes, numbers, blocks or chunks
changed (checksums of PNG chunks are made right again, or nothing behind them would be reached). A finding is
a crash, a traceback, over 10 s of processor time or over 1.5 GB of memory; refusing and measuring are both
right. Findings are kept as files in FOLDER. The unchanged pictures are tests/triage/test_photo_hostile.py's.
"""

from __future__ import annotations

import argparse
import collections
import os
import resource
import signal
import struct
import sys
import tempfile
import time
import traceback
import zlib
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.calibrate import ByStated, HowScaled
from tests.triage.odd_pictures import odd_pictures
from triage.analysis import Setup, analyse
from triage.errors import UserError
from triage.report import summary_text, to_json

SECONDS = 10
MEGABYTES = 1500
LAST_RESORT_BYTES = 6_000_000_000  # of address space: keeps a runaway from taking the machine down
WALL_SECONDS = 600  # waits as well as works, on a machine that others use too
ODD_NUMBERS = (0, 1, 2, 7, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)
REFUSED, TRACEBACK = 2, 70


@dataclass(frozen=True)
class Outcome:
    """How one input ended: "measured", "refused" or the kind of finding; and what there is to say of it."""

    kind: str
    note: str
    seconds: float
    megabytes: float

    @property
    def is_finding(self) -> bool:
        """Whether this must be mended."""
        return self.kind not in {"measured", "refused"}


def mutated(rng: np.random.Generator, data: bytes, other: bytes) -> bytes:
    """A few changes, the kind and place of each at random."""
    changed = bytearray(data)
    for _ in range(int(rng.choice([1, 1, 2, 3, 6]))):
        change = _CHANGES[rng.integers(len(_CHANGES))]
        changed = change(rng, changed, other) or bytearray(data)
    return _with_checksums(bytes(changed)) if changed.startswith(b"\x89PNG") else bytes(changed)


def _place(rng: np.random.Generator, data: bytearray) -> int:
    """Anywhere, but every other time near the start, where the headers are."""
    return int(rng.integers(min(len(data), 300) if rng.random() < 0.5 else len(data)))


def _bits(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    for _ in range(int(rng.integers(1, 9))):
        data[_place(rng, data)] ^= 1 << int(rng.integers(8))
    return data


def _number(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    at, width = _place(rng, data), int(rng.choice([1, 2, 4]))
    value = int(rng.choice(ODD_NUMBERS)) & (256**width - 1)
    data[at : at + width] = value.to_bytes(width, "big" if rng.random() < 0.5 else "little")
    return data


def _cut(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    return data[: _place(rng, data)]


def _dropped(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    at = _place(rng, data)
    del data[at : at + int(rng.integers(1, 200))]
    return data


def _doubled(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    at = _place(rng, data)
    block = data[at : at + int(rng.integers(1, 200))]
    data[at:at] = block * int(rng.choice([1, 2, 50]))
    return data


def _filled(rng: np.random.Generator, data: bytearray, _: bytes) -> bytearray:
    at, length = _place(rng, data), int(rng.integers(1, 64))
    data[at : at + length] = rng.integers(0, 256, length, dtype=np.uint8).tobytes()
    return data


def _spliced(rng: np.random.Generator, data: bytearray, other: bytes) -> bytearray:
    return data[: _place(rng, data)] + other[int(rng.integers(len(other))) :]


_CHANGES = (_bits, _bits, _number, _number, _cut, _dropped, _doubled, _filled, _spliced)


def _with_checksums(data: bytes) -> bytes:
    """A PNG whose chunks carry the checksum of what they hold now."""
    out, at = bytearray(data[:8]), 8
    while at + 12 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        body = data[at + 4 : at + 8 + length]
        if len(body) < length + 4:
            break
        out += data[at : at + 4] + body + struct.pack(">I", zlib.crc32(body))
        at += 12 + length
    return bytes(out + data[at:])


def run(path: Path) -> Outcome:
    """Analyse one file in a forked child and see how it ends."""
    read, write = os.pipe()
    began = time.monotonic()
    child = os.fork()
    if child == 0:
        os.close(read)
        _child(path, write)
    os.close(write)
    while os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        if time.monotonic() - began > WALL_SECONDS:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.002)
    _, status, usage = os.wait4(child, 0)
    with os.fdopen(read, errors="replace") as pipe:
        note = pipe.read()
    return _judged(
        os.waitstatus_to_exitcode(status), note, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1000
    )


def _child(path: Path, write: int) -> None:
    """Never returns: ends the process with how the analysis went."""
    resource.setrlimit(resource.RLIMIT_CPU, (SECONDS, SECONDS + 1))
    resource.setrlimit(resource.RLIMIT_AS, (LAST_RESORT_BYTES, LAST_RESORT_BYTES))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    status = 0
    try:
        _analysed(path)
    except UserError as error:
        os.write(write, str(error).encode(errors="replace")[:4000])
        status = REFUSED
    except BaseException:
        os.write(write, traceback.format_exc().encode(errors="replace")[-4000:])
        status = TRACEBACK
    os._exit(status)


def _analysed(path: Path) -> None:
    analysis = analyse([path], Setup(how=HowScaled(by=ByStated(10.0))))
    summary_text(analysis)
    to_json(analysis)


def _judged(status: int, note: str, seconds: float, megabytes: float) -> Outcome:
    kind = {0: "measured", REFUSED: "refused"}.get(status, "traceback")
    if status < 0:
        kind = "hang" if -status in (signal.SIGXCPU, signal.SIGKILL) else f"crash by signal {-status}"
    elif megabytes > MEGABYTES:
        kind = "memory"
    elif kind == "refused" and not (note.isprintable() and note.endswith(".")):
        kind = "not one plain sentence"
    return Outcome(kind, note, seconds, megabytes)


def campaign(count: int, seed: int, keep: Path, seconds: float) -> list[Outcome]:
    """Run `count` changed pictures, or as many as the time allows."""
    corpus = odd_pictures()
    names = list(corpus)
    rng = np.random.default_rng(seed)
    first = keep / "first.jpg"
    first.write_bytes(corpus["plain.jpg"])
    _analysed(first)  # loads the libraries once, for all the children
    first.unlink()
    outcomes = []
    began = time.monotonic()
    for index in range(count):
        name = names[index % len(names)]
        other = corpus[names[rng.integers(len(names))]]
        data = mutated(rng, corpus[name], other)
        path = keep / f"{index:06d}_{name}"
        path.write_bytes(data)
        outcome = run(path)
        outcomes.append(outcome)
        if outcome.is_finding:
            print(
                f"{path.name}: {outcome.kind}, {outcome.seconds:.1f} s, {outcome.megabytes:.0f} MB",
                flush=True,
            )
            print("    " + outcome.note.strip().replace("\n", "\n    "), flush=True)
        else:
            path.unlink()
        if time.monotonic() - began > seconds:
            break
    return outcomes


def main() -> None:
    """Run the campaign and print what came of it."""
    arguments = argparse.ArgumentParser(description="Damaged and hostile pictures against the whole path.")
    arguments.add_argument("--count", type=int, default=10_000)
    arguments.add_argument("--seed", type=int, default=1)
    arguments.add_argument("--keep", type=Path, help="folder that keeps the findings")
    arguments.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    chosen = arguments.parse_args()
    cv2.setNumThreads(1)  # a forked child must find no threads of its parent's
    keep = chosen.keep or Path(tempfile.mkdtemp(prefix="findings_"))
    keep.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as kept:
        os.environ["TRIAGE_DATA"] = kept
        outcomes = campaign(chosen.count, chosen.seed, keep, chosen.seconds)
    print(f"{len(outcomes)} inputs, seed {chosen.seed}:")
    for kind, number in collections.Counter(outcome.kind for outcome in outcomes).most_common():
        print(f"  {kind:28} {number}")
    longest, most = (max(getattr(each, name) for each in outcomes) for name in ("seconds", "megabytes"))
    print(f"  longest {longest:.1f} s, most {most:.0f} MB")
    sys.exit(any(outcome.is_finding for outcome in outcomes))


if __name__ == "__main__":
    main()
