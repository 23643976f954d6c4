"""Invented samples that can be saved: an invented result together with the photo file it speaks of."""

from __future__ import annotations

import hashlib
import io
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from tests.triage.invented import invented_analysis
from triage.analysis import Analysis


@dataclass(frozen=True)
class Invented:
    """An analysis and the file of its only photo."""

    analysis: Analysis
    photo: Path


def invented(
    folder: Path, count: int = 40, *, limit_um: float = 60.0, seed: int = 5, **said: Any
) -> Invented:
    """Return an invented sample of `count` pieces, its photo in `folder`; `said` is said of it."""
    analysis = invented_analysis(count, shape=(300, 400), limit_um=limit_um, seed=seed)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"photo_{seed}_{count}.png"
    path.write_bytes(png(analysis.pictures[0].rgb))
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    photo = replace(analysis.photos[0], file=path.name, sha256=sha256, width_px=400, height_px=300)
    sample = replace(analysis.sample, machine=None, **said)
    return Invented(replace(analysis, photos=(photo,), sample=sample), path)


def with_photo(sample: Invented, path: Path) -> Invented:
    """Return the sample as if the photo in another file had been analysed."""
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    photo = replace(sample.analysis.photos[0], file=path.name, sha256=sha256)
    return Invented(replace(sample.analysis, photos=(photo,)), path)


def png(rgb: np.ndarray) -> bytes:
    """Return a picture as the bytes of a PNG file."""
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "PNG")
    return stream.getvalue()
