"""An analysis packed for the record so that it can be taken up again later, outlines and all.

Kept is what was measured: photos, particles in full precision, outlines, blank, sample. What follows from
these (sizes, shares, advice) is worked out anew when the analysis is taken up. zlib of one JSON document.
"""

from __future__ import annotations

import json
import types
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, is_dataclass
from datetime import date
from typing import Any, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

from triage.analysis import Analysis, Blank, PhotoResult, Sample, conclude
from triage.debris.particles import ParticleTable, empty_table
from triage.earlier import Earlier
from triage.filters import load_filters
from triage.photo import Photo


@dataclass(frozen=True)
class Measured:
    """An analysis without what follows from it; fields as in `Analysis`."""

    photos: tuple[PhotoResult, ...]
    particles: ParticleTable
    outlines: tuple[NDArray[np.float32], ...]
    blank: Blank | None
    sample: Sample
    program_version: str
    method_version: str
    analysed_on: date


def pack(analysis: Analysis) -> bytes:
    """Return the analysis as compressed JSON; outlines to a hundredth of a pixel."""
    document = {
        "photos": [asdict(photo) for photo in analysis.photos],
        "particles": {name: analysis.particles[name] for name in analysis.particles.dtype.names or ()},
        "outlines": [np.round(outline.astype(float), 2) for outline in analysis.outlines],
        "blank": asdict(analysis.blank) if analysis.blank else None,
        "sample": asdict(analysis.sample),
        "program_version": analysis.program_version,
        "method_version": analysis.method_version,
        "analysed_on": analysis.analysed_on.isoformat(),
    }
    return zlib.compress(json.dumps(_plain(document), allow_nan=False, separators=(",", ":")).encode())


def unpack(packed: bytes) -> Measured:
    """Return what was measured in the analysis that `pack` was given."""
    document = json.loads(zlib.decompress(packed))
    return Measured(
        photos=tuple(_made(PhotoResult, photo) for photo in document["photos"]),
        particles=_table(document["particles"]),
        outlines=tuple(np.array(each, np.float32).reshape(-1, 2) for each in document["outlines"]),
        blank=_made(Blank | None, document["blank"]),
        sample=_made(Sample, document["sample"]),
        program_version=document["program_version"],
        method_version=document["method_version"],
        analysed_on=date.fromisoformat(document["analysed_on"]),
    )


def concluded(measured: Measured, pictures: Sequence[Photo] = (), earlier: Earlier | None = None) -> Analysis:
    """Return the analysis, its conclusions drawn by this program and the filter list in use."""
    found = conclude(measured.particles, measured.photos, measured.sample, load_filters(), earlier)
    return Analysis(**vars(measured), **vars(found), pictures=tuple(pictures))


def _table(columns: dict[str, list[Any]]) -> ParticleTable:
    """Return the particle table; a column that an older program had in another shape is not known (NaN)."""
    table = empty_table(len(columns["id"]))
    for name in table.dtype.names or ():
        if name in columns and table.dtype[name].base.kind == "f":
            values = np.array(columns[name], float)  # None becomes NaN
            table[name] = values if values.shape == table[name].shape else np.nan
        elif name in columns:
            table[name] = columns[name]
    return table


def _plain(value: Any) -> Any:
    """Return arrays as lists and numbers that are not finite as None."""
    if isinstance(value, dict):
        return {key: _plain(part) for key, part in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def _made(kind: Any, value: Any) -> Any:
    """Return plain data as the type that a dataclass field declares; unknown fields are passed over."""
    if value is None:
        return None
    origin = get_origin(kind)
    if origin in (Union, types.UnionType):
        return _made(next(each for each in get_args(kind) if each is not type(None)), value)
    if origin is tuple:
        return tuple(_made(get_args(kind)[0], each) for each in value)
    if origin is np.ndarray:
        return np.asarray(value, float)
    if is_dataclass(kind) and isinstance(kind, type):
        hints = get_type_hints(kind)
        return kind(**{name: _made(hints[name], each) for name, each in value.items() if name in hints})
    return value
