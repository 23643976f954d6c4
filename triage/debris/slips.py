"""Slips: how far each single wire lies from its even place, and the pattern read where it really is."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from triage.debris.background import Image
from triage.debris.wires import Followed, enlarged

Array = NDArray[np.float64]

SEGMENT = 5.0  # pitches along a wire that share one slip
LARGEST = 0.25  # of the pitch: more is another wire


@dataclass(frozen=True)
class Slips:
    """Displacements of the wires of one direction, in pitches: `table` (wires, segments).

    Row i holds the wire at number `first` + i, its middle at `middle` (0 to 1) past a whole number; column j
    the place `start` + j SEGMENT along it.
    """

    table: Image
    first: float
    middle: float
    start: float

    def cells(self, number: Image, along: Image) -> NDArray[np.int32]:
        """Flat index into `table` of places given by wire number and place along, in pitches."""
        row = np.round(number - np.float32(self.middle + self.first)).astype(np.int32)
        column = np.round((along - np.float32(self.start)) / np.float32(SEGMENT)).astype(np.int32)
        return row * np.int32(self.table.shape[1]) + column

    def at(self, number: Image, along: Image) -> Image:
        """Slips at wire numbers and places along, both in pitches."""
        row = np.round(number - np.float32(self.middle + self.first))
        column = (along - np.float32(self.start)) / np.float32(SEGMENT)
        return np.asarray(
            cv2.remap(self.table, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32
        )


@dataclass(frozen=True)
class Settled:
    """A followed pattern with its wires' slips; `wires` (2, 2) as in `Lattice`."""

    followed: Followed
    wires: NDArray[np.int64]
    slips: tuple[Slips, Slips]

    def at(self, rows: slice, columns: slice) -> list[Image]:
        """Places of some pixels in the repeat, 0 to 1 along each of its sides."""
        one, other = wire_numbers(self.followed, self.wires, rows, columns)
        moved = (one + self.slips[0].at(one, other), other + self.slips[1].at(other, one))
        back = np.linalg.inv(self.wires.astype(float)).astype(np.float32)
        places = (row[0] * moved[0] + row[1] * moved[1] for row in back)
        return [each - np.floor(each) for each in places]


def wire_numbers(followed: Followed, wires: NDArray[np.int64], rows: slice, columns: slice) -> list[Image]:
    """Wire numbers of some pixels, both directions, whole and part."""
    numbers = np.einsum("ij,jhw->ihw", wires.astype(float), followed.repeats)
    return [np.asarray(enlarged(each, rows, columns, followed.step), np.float32) for each in numbers]


def settle(
    light: Image,
    made: Image,
    keep: NDArray[np.uint8],
    followed: Followed,
    wires: NDArray[np.int64],
    before: Settled | None,
) -> Settled:
    """Find every wire's slip from how `light` (H, W) departs from the pattern `made` (H, W).

    A wire that lies aside leaves a difference of the pattern's slope across it times the slip: least squares
    over the kept pixels of each stretch of wire.
    """
    numbers = wire_numbers(followed, wires, slice(0, light.shape[0]), slice(0, light.shape[1]))
    across, down = (cv2.Sobel(made, cv2.CV_32F, *way, scale=1 / 8) for way in ((1, 0), (0, 1)))
    slope_of = np.linalg.inv(_gradients(numbers))  # columns: pixels (x, y) a pitch
    off = light - made
    slips = []
    for one in (0, 1):
        slope = across * np.float32(slope_of[0, one]) + down * np.float32(slope_of[1, one])
        old = before.slips[one] if before else _none(slope, numbers[one], numbers[1 - one])
        more = _more(off, slope, keep, old.cells(numbers[one], numbers[1 - one]), old.table.shape)
        slips.append(replace(old, table=np.clip(old.table + more, -LARGEST, LARGEST)))
    return Settled(followed, wires, (slips[0], slips[1]))


def _gradients(numbers: list[Image]) -> Array:
    """Mean change of both wire numbers a pixel, rows; columns x, y."""
    return np.array(
        [
            [float(np.mean(np.diff(each[::8], axis=1))), float(np.mean(np.diff(each[:, ::8], axis=0)))]
            for each in numbers
        ]
    )


def _none(slope: Image, number: Image, along: Image) -> Slips:
    """No slips yet: where the wires' middles are, and room for all of them."""
    # Light changes across a wire, hardly across an opening: the changes' middle is the wires'.
    some = (slice(None, None, 2), slice(None, None, 2))
    turn = np.sum(slope[some] ** 2 * np.exp(2j * np.pi * number[some]))
    middle = float(np.angle(turn) / (2 * np.pi))
    first, last = (float(np.round(each - middle)) for each in (number.min(), number.max()))
    start = float(along.min())
    shape = (int(last - first) + 1, int(np.ceil((along.max() - start) / SEGMENT)) + 1)
    return Slips(np.zeros(shape, np.float32), first, middle, start)


def _more(
    off: Image, slope: Image, keep: NDArray[np.uint8], cells: NDArray[np.int32], shape: tuple[int, ...]
) -> Image:
    kept = keep > 0
    cells, off, slope = cells[kept], off[kept], slope[kept]
    match, own = (
        cv2.GaussianBlur(
            np.bincount(cells, each, shape[0] * shape[1]).reshape(shape), (0, 0), sigmaX=0.8, sigmaY=1e-3
        )
        for each in (off * slope, slope**2)
    )
    return np.asarray(match / (own + 0.05 * own.mean() + 1e-12), np.float32)
