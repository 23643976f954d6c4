"""A photo without the place it was taken: what may leave the computer.

A JPEG keeps every coded pixel and its colour profile, and of its metadata only the tags in `KEPT`; whatever
else a phone wrote (place, owner, maker's notes, previews, a motion clip after the picture) is left out by not
being copied. Every other kind of picture is written anew as PNG, its pixels as this program sees them.
"""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from PIL.ExifTags import IFD, Base

from triage.photo import Photo, open_photo

KEPT = (Base.Make, Base.Model, Base.Orientation, Base.XResolution, Base.YResolution, Base.ResolutionUnit)
KEPT_INSIDE = (
    Base.DateTimeOriginal,
    Base.OffsetTimeOriginal,
    Base.ExposureTime,
    Base.FNumber,
    Base.FocalLength,
    Base.FocalLengthIn35mmFilm,
)
SOI, EOI, SOS = 0xD8, 0xD9, 0xDA
NO_LENGTH = {0x01, *range(0xD0, 0xD8)}
APP = range(0xE0, 0xF0)
COMMENT = 0xFE


@dataclass(frozen=True)
class CleanPhoto:
    """A photo fit to leave the computer: its bytes, and the ending of its file name."""

    data: bytes
    ending: str


def without_place(path: Path) -> CleanPhoto:
    """Return the photo in a file without its location. UserError where it cannot be opened as a picture."""
    data = path.read_bytes()
    if data.startswith(b"\xff\xd8"):
        cleaned = _clean_jpeg(data)
        if cleaned is not None:
            return CleanPhoto(cleaned, "jpg")
    return CleanPhoto(_as_png(open_photo(path)), "png")


def _clean_jpeg(data: bytes) -> bytes | None:
    """Return the JPEG with only the segments that draw it; None where it is not built by the standard."""
    parts = [data[:2]]
    exif = _kept_exif(data)
    at = 2
    while True:
        found = _segment(data, at)
        if found is None:
            return None
        marker, end = found
        segment = data[at:end]
        if marker == EOI:
            return b"".join([*parts, b"\xff\xd9"])
        if marker == SOS:
            end = _coded_end(data, end)
            segment = data[at:end]
        if marker not in APP and marker != COMMENT:
            if exif and marker not in NO_LENGTH:
                parts.append(exif)
                exif = b""
            parts.append(segment)
        elif _draws(segment):
            parts.append(segment)
        at = end


def _segment(data: bytes, at: int) -> tuple[int, int] | None:
    """Return the marker at a place and where its segment ends."""
    if at + 2 > len(data) or data[at] != 0xFF:
        return None
    marker = data[at + 1]
    if marker == EOI or marker in NO_LENGTH:
        return marker, at + 2
    if at + 4 > len(data) or marker == 0xFF:  # fill bytes: rare enough to take the other way
        return None
    (length,) = struct.unpack(">H", data[at + 2 : at + 4])
    end = at + 2 + length
    return (marker, end) if length >= 2 and end <= len(data) else None


def _coded_end(data: bytes, at: int) -> int:
    """Return where coded pixels end: at the next marker that is neither a stuffed zero nor a restart."""
    while True:
        at = data.find(b"\xff", at)
        if at < 0 or at + 1 >= len(data):
            return len(data)
        if data[at + 1] != 0 and data[at + 1] not in NO_LENGTH:
            return at
        at += 2


def _draws(segment: bytes) -> bool:
    """Tell whether an application segment changes how pixels look: JFIF, colour profile, Adobe coding."""
    name = segment[4:]
    return name.startswith((b"JFIF\0", b"ICC_PROFILE\0", b"Adobe"))


def _kept_exif(data: bytes) -> bytes:
    """Return an APP1 segment with only the kept tags, or nothing."""
    with Image.open(io.BytesIO(data)) as header:
        found = header.getexif()
    kept = _chosen(found)
    if not kept:
        return b""
    body = kept.tobytes()
    return b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body


def _chosen(found: Image.Exif) -> Image.Exif:
    kept = Image.Exif()
    for tag in KEPT:
        if tag in found:
            kept[tag] = found[tag]
    inside = found.get_ifd(IFD.Exif)
    chosen = {tag: inside[tag] for tag in KEPT_INSIDE if tag in inside}
    if chosen:
        kept[IFD.Exif] = chosen
    return kept


def _as_png(photo: Photo) -> bytes:
    exif = Image.Exif()
    if photo.camera:
        exif[Base.Model] = photo.camera
    if photo.taken_at:
        exif[IFD.Exif] = {Base.DateTimeOriginal: photo.taken_at[:19].replace("-", ":").replace("T", " ")}
    stream = io.BytesIO()
    Image.fromarray(photo.rgb).save(stream, "PNG", exif=exif, **({"dpi": photo.dpi} if photo.dpi else {}))
    return stream.getvalue()
