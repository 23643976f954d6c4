"""Open any phone's picture safely: size checked before decoding, one upright copy, in sRGB.

The file is read once; its header is judged before a pixel is decoded, so neither a decompression bomb nor a
text file named .jpg costs memory. Place and owner data in the file are never read.
"""

from __future__ import annotations

import hashlib
import io
import math
import stat
import struct
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageFile, JpegImagePlugin, PngImagePlugin, TiffImagePlugin, WebPImagePlugin
from PIL.ExifTags import IFD, Base

from triage.errors import UserError

MAX_BYTES = 200_000_000
MAX_PIXELS = 260_000_000  # the largest phone sensors give 200 million
MIN_SIDE_PX = 16
MAX_ASPECT = 40  # a panorama is up to ten times as long as it is high
LARGE_PIXELS, LEAST_BYTES_PER_PIXEL = (
    12_000_000,
    0.01,
)  # even blank paper takes a camera more; two levels do not
STRIP_ROWS = 512

_HEIF_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"mif2"}
_LENS_TAGS = (Base.ExposureTime, Base.FNumber, Base.FocalLength, Base.FocalLengthIn35mmFilm)
_EXIF_ERRORS = (SyntaxError, ValueError, KeyError, TypeError, OSError, struct.error)
_DNG_VERSION = 50706


@dataclass(frozen=True, eq=False)
class Photo:
    """One opened picture.

    Attributes
    ----------
    file, path : the file's name, and where it is.
    sha256 : of the file's bytes, hexadecimal.
    rgb : uint8 (H, W, 3), sRGB, as displayed upright, read-only.
    taken_at : the camera's clock, ISO 8601 without zone unless the camera stored one; None where not stored.
    dpi : (x, y) resolution stated in the file, converted from cm where needed. None where none is stated, it
        has no unit, or the picture came through a lens. Programs write 72, 96, 100 and 300 without meaning:
        a scale only on the user's word that this is a flatbed scan.
    camera : make and model, None where not stored.
    focal_35mm : focal length as the 35 mm equivalent, mm, that the camera stored; None where it did not.
    colour : where the colours come from: "sRGB", or the colour profile they were converted from.
    pages : pictures in the file; only one was read.
    """

    file: str
    path: Path
    sha256: str
    rgb: NDArray[np.uint8]
    taken_at: str | None
    dpi: tuple[float, float] | None
    camera: str | None
    colour: str
    pages: int
    focal_35mm: float | None = None


def open_photo(path: str | Path, *, page: int = 0) -> Photo:
    """Read a JPEG, PNG, TIFF, WebP or (with pillow-heif) HEIC picture.

    `page` counts a TIFF's pictures from 0; of any other file holding several, the main one is read.
    16-bit pictures keep their upper 8 bits: at most one level of 255 off.

    Raises
    ------
    UserError
        One sentence naming the file, what is wrong with it and what to do.
    """
    path = Path(path)
    name = _shown(path.name or str(path))
    data = _read(path, name)
    with warnings.catch_warnings():
        # The libraries warn of what is checked here, or of odd metadata that does no harm.
        warnings.simplefilter("ignore")
        header, pages = _open_header(name, data, page)
        tags = _tags(header)
        colour, transform = _colour(name, header)
        rgb = _decode(name, header, data, transform)
    orientation = 1 if header.format in ("TIFF", "HEIF") else tags.get(Base.Orientation, 1)
    rgb = _upright(rgb, orientation)
    rgb.flags.writeable = False
    return Photo(
        file=name,
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        rgb=rgb,
        taken_at=_taken_at(tags),
        dpi=_dpi(header, tags),
        camera=_camera(tags),
        colour=colour,
        pages=pages,
        focal_35mm=_focal_35mm(tags),
    )


def printable(name: str) -> str:
    """A file name fit for one line of text and for JSON, whatever bytes it is made of."""
    return "".join(letter if letter.isprintable() else "?" for letter in name)


def _shown(name: str) -> str:
    """The same, of a length that leaves room for the rest of a sentence."""
    shown = printable(name)
    return shown if len(shown) <= 100 else f"{shown[:60]}...{shown[-30:]}"


def _refusal(name: str, what: str, remedy: str) -> UserError:
    return UserError(f"{name} {what}; {remedy}.")


def _read(path: Path, name: str) -> bytes:
    try:
        info = path.stat()
        if stat.S_ISDIR(info.st_mode):
            raise _refusal(name, "is a folder", "name the photo in it")
        if not stat.S_ISREG(info.st_mode):
            raise _refusal(name, "is not an ordinary file", "save the photo to disk and name that file")
        if info.st_size > MAX_BYTES:
            what = f"is {info.st_size / 1e6:.0f} MB, over the limit of {MAX_BYTES / 1e6:.0f} MB"
            raise _refusal(name, what, "share the photo as JPEG")
        data = path.read_bytes()
    except FileNotFoundError:
        raise _refusal(name, "does not exist", "check the name and the folder") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "its name is not valid"
        what = f"cannot be read ({reason})"
        raise _refusal(name, what, "check its permissions or copy it again") from None
    if not data:
        raise _refusal(name, "is empty", "copy it from the phone again")
    return data


def _kind(data: bytes) -> str | None:
    """File type by its first bytes, never by its name."""
    if data.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return "TIFF"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp" and data[8:12] in _HEIF_BRANDS:
        return "HEIF"
    return None


def _reader(name: str, kind: str | None) -> type[ImageFile.ImageFile]:
    # The readers are called directly: Image.open would refuse a 200-megapixel phone photo, try every format
    # it knows on hostile bytes, and take the last picture of some multi-picture JPEGs.
    readers: dict[str | None, type[ImageFile.ImageFile]] = {
        "JPEG": JpegImagePlugin.JpegImageFile,
        "PNG": PngImagePlugin.PngImageFile,
        "TIFF": TiffImagePlugin.TiffImageFile,
        "WEBP": WebPImagePlugin.WebPImageFile,
    }
    if kind in readers:
        return readers[kind]
    if kind != "HEIF":
        raise _refusal(name, "is not a JPEG, PNG, TIFF, WebP or HEIC picture", "share the photo as JPEG")
    try:
        from pillow_heif import HeifImageFile
    except ImportError:
        remedy = (
            "set the phone's camera to 'most compatible' or share the photo as JPEG, "
            "or install the tool with its heic extra"
        )
        raise _refusal(name, "is a HEIC picture, which needs an optional part", remedy) from None
    return HeifImageFile


def _open_header(name: str, data: bytes, page: int) -> tuple[ImageFile.ImageFile, int]:
    """The chosen picture's header, and how many pictures the file holds."""
    kind = _kind(data)
    reader = _reader(name, kind)
    try:
        header = reader(io.BytesIO(data))
        pages = int(getattr(header, "n_frames", 1))
        if page:
            header.seek(page)
    except EOFError:
        raise _refusal(name, f"has no page {page + 1}", "name a page it has") from None
    except Image.DecompressionBombError:
        raise _too_large(name, "too many pixels") from None
    except Exception:
        # Hostile bytes make the libraries raise nearly anything; all of it means the same to the user.
        raise _damaged(name) from None
    _check_header(name, header, data)
    return header, pages


def _check_header(name: str, header: ImageFile.ImageFile, data: bytes) -> None:
    width, height = header.size
    if width * height > MAX_PIXELS:
        raise _too_large(name, f"{width} x {height} pixels, over the limit of {MAX_PIXELS // 10**6} million")
    if min(width, height) < MIN_SIDE_PX:
        what = f"is only {width} x {height} pixels"
        raise _refusal(name, what, "send the photo itself, not a thumbnail")
    if max(width, height) > MAX_ASPECT * min(width, height):
        raise _refusal(name, f"is a strip of {width} x {height} pixels", "send the photo itself")
    if width * height > max(LARGE_PIXELS, len(data) / LEAST_BYTES_PER_PIXEL) and header.mode != "1":
        what = f"says it is {width} x {height} pixels but holds only {len(data) / 1000:.0f} kB"
        raise _refusal(name, what, "copy it from the phone again")
    if header.format in ("PNG", "WEBP") and getattr(header, "is_animated", False):
        raise _refusal(name, "is an animation", "send a single photo")
    tiff = getattr(header, "tag_v2", {}) if header.format == "TIFF" else {}
    if data[8:10] == b"CR" or _DNG_VERSION in tiff or (tiff.get(Base.NewSubfileType) or 0) & 1:
        raise _refusal(name, "is a camera raw file", "share the photo as JPEG")


def _too_large(name: str, what: str) -> UserError:
    return _refusal(name, f"has {what}", "share the photo as a JPEG at the camera's own size")


def _damaged(name: str) -> UserError:
    return _refusal(name, "is damaged or was cut short", "copy it from the phone again")


def _colour(name: str, header: ImageFile.ImageFile) -> tuple[str, Any]:
    """What the colours are, and the transform to sRGB (None where they are sRGB already)."""
    profile = header.info.get("icc_profile")
    if not profile:
        if header.mode == "CMYK":
            raise _refusal(
                name, "is in printing inks (CMYK) without a colour profile", "save it as an RGB JPEG"
            )
        return "sRGB", None
    from PIL import ImageCms

    try:
        source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        described = _shown(ImageCms.getProfileDescription(source).strip())
        mode = {"GRAY": "L", "RGB": "RGB", "CMYK": "CMYK"}[source.profile.xcolor_space.strip()]
        intent = ImageCms.Intent.RELATIVE_COLORIMETRIC
        transform = ImageCms.buildTransform(source, ImageCms.createProfile("sRGB"), mode, "RGB", intent)
    except (ImageCms.PyCMSError, KeyError, OSError, ValueError):
        raise _refusal(name, "has a damaged colour profile", "share the photo as JPEG again") from None
    if (mode == "CMYK") != (header.mode == "CMYK"):
        raise _refusal(name, "has a colour profile of another kind of picture", "save it as an RGB JPEG")
    if mode == "RGB" and _changes_nothing(transform):
        return "sRGB", None
    return described, transform


def _changes_nothing(transform: Any) -> bool:
    """Whether the transform moves no colour of a coarse cube by more than one level."""
    levels = np.linspace(0, 255, 9).astype(np.uint8)
    cube = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(27, 27, 3)
    moved = np.asarray(transform.apply(Image.fromarray(cube)))
    return int(np.abs(moved.astype(int) - cube).max()) <= 1


def _decode(name: str, header: ImageFile.ImageFile, data: bytes, transform: Any) -> NDArray[np.uint8]:
    if header.format == "JPEG" and transform is None:
        return _decode_jpeg(name, data)
    try:
        header.load()
        if header.mode in ("P", "PA") and header.palette is None:
            raise _damaged(name)
        return _in_strips(name, header, transform)
    except UserError:
        raise
    except Image.DecompressionBombError:
        raise _too_large(name, f"{header.size[0]} x {header.size[1]} pixels") from None
    except Exception:
        raise _damaged(name) from None  # as in _open_header


def _in_strips(name: str, picture: Image.Image, transform: Any) -> NDArray[np.uint8]:
    """The decoded picture as sRGB; each conversion of it all at once would cost one more copy of it."""
    width, height = picture.size
    rgb = np.empty((height, width, 3), np.uint8)
    for top in range(0, height, STRIP_ROWS):
        bottom = min(top + STRIP_ROWS, height)
        strip = _plain(name, picture.crop((0, top, width, bottom)))
        if transform is not None:
            strip = transform.apply(strip.convert(transform.input_mode))
        rgb[top:bottom] = np.asarray(strip.convert("RGB"))
    return rgb


def _decode_jpeg(name: str, data: bytes) -> NDArray[np.uint8]:
    # Twice as fast as the general reader, the same pixels.
    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        rgb = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        rgb = None
    if rgb is None:
        raise _damaged(name)
    return rgb.astype(np.uint8, copy=False)


def _plain(name: str, picture: Image.Image) -> Image.Image:
    """The decoded picture as 8-bit grey, RGB or CMYK, without alpha."""
    if picture.mode.startswith("I;16"):
        return Image.fromarray((np.asarray(picture) >> 8).astype(np.uint8))
    if picture.mode not in ("1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBX", "YCbCr", "CMYK"):
        raise _refusal(name, f"stores its colours as {picture.mode}", "save it as an RGB JPEG")
    if picture.has_transparency_data:
        rgba = picture.convert("RGBA")
        lowest, _ = rgba.getchannel("A").getextrema()
        if lowest != 255:
            raise _refusal(name, "has see-through parts", "send the photo as the camera saved it")
        picture = rgba if picture.mode != "LA" else picture
    if picture.mode in ("1", "L", "LA"):
        return picture.convert("L")
    return picture if picture.mode == "CMYK" else picture.convert("RGB")


def _upright(rgb: NDArray[Any], orientation: int) -> NDArray[np.uint8]:
    """Turn as EXIF tag 274 asks (1..8; anything else: as stored)."""
    if orientation in (5, 6, 7, 8):
        rgb = cv2.transpose(rgb)
    flip = {2: 1, 3: -1, 4: 0, 6: 1, 7: -1, 8: 0}.get(orientation)
    if flip is not None:
        rgb = cv2.flip(rgb, flip)
    return rgb


def _tags(header: ImageFile.ImageFile) -> Mapping[int, Any]:
    """Main and exposure tags of the file; the block with the place is not opened."""
    try:
        exif = header.getexif()
        return {**exif, **exif.get_ifd(IFD.Exif)}
    except _EXIF_ERRORS:
        return {}


def _taken_at(tags: Mapping[int, Any]) -> str | None:
    try:
        taken = datetime.strptime(str(tags.get(Base.DateTimeOriginal)).strip("\0 "), "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    zone = str(tags.get(Base.OffsetTimeOriginal, "")).strip("\0 ")
    try:
        return datetime.fromisoformat(taken.isoformat() + zone).isoformat()
    except ValueError:
        return taken.isoformat()


def _camera(tags: Mapping[int, Any]) -> str | None:
    make, model = (" ".join(str(tags.get(tag, "")).strip("\0 ").split()) for tag in (Base.Make, Base.Model))
    if model.lower().startswith(make.lower()):
        return model or None
    return f"{make} {model}".strip()


def _focal_35mm(tags: Mapping[int, Any]) -> float | None:
    try:
        stated = float(tags.get(Base.FocalLengthIn35mmFilm, 0))
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return stated if 0 < stated < math.inf else None


def _dpi(header: ImageFile.ImageFile, tags: Mapping[int, Any]) -> tuple[float, float] | None:
    if any(tag in tags for tag in _LENS_TAGS):
        return None
    info = header.info
    if header.format in ("PNG", "TIFF") or info.get("jfif_unit"):
        stated = info.get("dpi")
    else:
        per_inch = {2: 1.0, 3: 2.54}.get(tags.get(Base.ResolutionUnit, 2))
        x, y = tags.get(Base.XResolution), tags.get(Base.YResolution)
        stated = (float(x) * per_inch, float(y) * per_inch) if per_inch and x and y else None
    if not stated or not all(0 < value < 1e5 for value in stated):
        return None
    x, y = (float(value) for value in stated)
    return (y, x) if tags.get(Base.Orientation, 1) in (5, 6, 7, 8) else (x, y)
