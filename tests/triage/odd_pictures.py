"""Small pictures of every kind that a phone, a scanner or a messenger writes, made by code."""

from __future__ import annotations

import base64
import io
import struct
from collections.abc import Callable

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from tests.triage.drawn import blurred_cover, disc, photo, rows_of

EXIF_ORIENTATION = 274
GAIN_MAP_NOTE = (
    b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
    b"xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
    b"xmlns:hdrgm='http://ns.adobe.com/hdr-gain-map/1.0/' hdrgm:Version='1.0'/></rdf:RDF></x:xmpmeta>"
)

Rgb = NDArray[np.uint8]


def debris_picture() -> Rgb:
    """25 dark discs of 6 to 20 px on pale paper, (150, 150, 3)."""
    laid, size = rows_of([disc(width) for width in np.geomspace(6, 20, 25)], 30)
    return photo(0.85 * blurred_cover(laid, size, 1.0))


def odd_pictures(rgb: Rgb | None = None) -> dict[str, bytes]:
    """File name to bytes; HEIC kinds only where their writer is installed."""
    rgb = debris_picture() if rgb is None else rgb
    picture = Image.fromarray(rgb)
    return {**jpegs(picture), **_pngs(picture), **_tiffs(picture), **_webps(picture), **_heics(picture)}


def saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    """The picture as a file of Pillow's kind."""
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def turned(orientation: int) -> Image.Exif:
    """Tags that ask for the picture to be turned."""
    exif = Image.Exif()
    exif[EXIF_ORIENTATION] = orientation
    exif[271], exif[272] = "Maker", "Seven"
    exif.get_ifd(0x8769)[36867] = "2026:03:04 05:06:07"
    return exif


def segment(marker: int, body: bytes) -> bytes:
    """One JPEG segment."""
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


def jpegs(picture: Image.Image) -> dict[str, bytes]:
    """What phones write: turned, grey, with a second picture, a gain map, a film or a thumbnail."""
    plain = saved(picture, "JPEG", quality=90)
    gain_map = saved(picture.convert("L").resize((40, 40)), "JPEG")
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    return {
        "plain.jpg": plain,
        "turned.jpg": saved(picture, "JPEG", exif=turned(6)),
        "progressive.jpg": saved(picture, "JPEG", progressive=True),
        "grey.jpg": saved(picture.convert("L"), "JPEG"),
        "inks.jpg": saved(picture.convert("CMYK"), "JPEG"),
        "profile.jpg": saved(picture, "JPEG", icc_profile=srgb),
        "broken_profile.jpg": saved(picture, "JPEG", icc_profile=srgb[:200] + b"?" * 300),
        "two_pictures.jpg": saved(picture, "MPO", save_all=True, append_images=[picture.rotate(180)]),
        "gain_map.jpg": plain[:2] + segment(0xE1, GAIN_MAP_NOTE) + plain[2:] + gain_map,
        "depth_map.jpg": plain[:2] + segment(0xE1, _depth_note(gain_map)) + plain[2:] + gain_map,
        "motion.jpg": plain + b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom" + bytes(range(256)) * 8,
        "thumbnail.jpg": plain[:2] + segment(0xE1, _with_thumbnail(picture)) + plain[2:],
        "burst_00001_IMG_20260304_050607_BURST1.jpg": plain,
        "messenger.jpg": saved(picture.resize((120, 120)), "JPEG", quality=45, subsampling=2),
        "cut_short.jpg": plain[: len(plain) * 2 // 3],
    }


def _depth_note(depth: bytes) -> bytes:
    """What a portrait photo keeps of its depths: a picture in base64 among the tags (XMP, from memory)."""
    return (
        b"http://ns.adobe.com/xap/1.0/\0<x:xmpmeta xmlns:x='adobe:ns:meta/'><rdf:RDF "
        b"xmlns:rdf='http://www.w3.org/1999/02/22-rdf-syntax-ns#'><rdf:Description "
        b"xmlns:GDepth='http://ns.google.com/photos/1.0/depthmap/' GDepth:Format='RangeInverse' "
        b"GDepth:Near='0.2' GDepth:Far='0.9' GDepth:Mime='image/jpeg' GDepth:Data='"
        + base64.b64encode(depth)
        + b"'/></rdf:RDF></x:xmpmeta>"
    )


def _with_thumbnail(picture: Image.Image) -> bytes:
    """An Exif block whose second directory holds a small JPEG, as the Exif standard lays it out."""
    small = saved(picture.resize((32, 32)), "JPEG")
    first = struct.pack("<H", 1) + struct.pack("<HHIHH", EXIF_ORIENTATION, 3, 1, 1, 0) + struct.pack("<I", 26)
    second = struct.pack("<H", 3)
    for tag, kind, value in ((259, 3, 6), (513, 4, 68), (514, 4, len(small))):
        second += struct.pack("<HHII", tag, kind, 1, value)
    return b"Exif\0\0II*\0\x08\0\0\0" + first + second + struct.pack("<I", 0) + small


def _pngs(picture: Image.Image) -> dict[str, bytes]:
    rgb = np.asarray(picture)
    deep = cv2.imencode(".png", rgb[..., ::-1].astype(np.uint16) * 257)[1]
    other = Image.fromarray(255 - rgb)
    return {
        "plain.png": saved(picture, "PNG"),
        "deep.png": bytes(deep),
        "palette.png": saved(picture.quantize(32), "PNG"),
        "alpha.png": saved(picture.convert("RGBA"), "PNG"),
        "grey_alpha.png": saved(picture.convert("LA"), "PNG"),
        "two_level.png": saved(picture.convert("1"), "PNG"),
        "turned.png": saved(picture, "PNG", exif=turned(8)),
        "animated.png": saved(picture, "PNG", save_all=True, append_images=[other]),
    }


def _tiffs(picture: Image.Image) -> dict[str, bytes]:
    deep = cv2.imencode(".tif", np.asarray(picture)[..., ::-1].astype(np.uint16) * 257)[1]
    kinds = {"raw": {}, "lzw": {"compression": "tiff_lzw"}, "deflate": {"compression": "tiff_adobe_deflate"}}
    kinds |= {"jpeg": {"compression": "jpeg"}, "big": {"big_tiff": True}, "turned": {"exif": turned(5)}}
    return {
        **{f"{name}.tif": saved(picture, "TIFF", dpi=(600, 600), **how) for name, how in kinds.items()},
        "deep.tif": bytes(deep),
        "pages.tif": saved(picture, "TIFF", save_all=True, append_images=[picture.rotate(90)]),
        "inks.tif": saved(picture.convert("CMYK"), "TIFF"),
        "fax.tif": saved(picture.convert("1"), "TIFF", compression="group4"),
        "tiled.tif": _tiled(np.asarray(picture), side=64),
    }


def _tiled(rgb: Rgb, side: int) -> bytes:
    """An uncompressed TIFF in square tiles, as big scanners write it (TIFF 6.0, section 15)."""
    height, width = rgb.shape[:2]
    rows, columns = -(-height // side), -(-width // side)
    padded = np.zeros((rows * side, columns * side, 3), np.uint8)
    padded[:height, :width] = rgb
    tiles = padded.reshape(rows, side, columns, side, 3).swapaxes(1, 2).reshape(rows * columns, -1)
    count, size, after = len(tiles), tiles.shape[1], 8 + 2 + 10 * 12 + 4
    pixels_at = after + 6 + 8 * count
    offsets = [pixels_at + size * index for index in range(count)]
    entries = [(256, 4, 1, width), (257, 4, 1, height), (258, 3, 3, after), (259, 3, 1, 1), (262, 3, 1, 2)]
    entries += [(277, 3, 1, 3), (322, 3, 1, side), (323, 3, 1, side)]
    entries += [(324, 4, count, after + 6), (325, 4, count, after + 6 + 4 * count)]
    directory = struct.pack("<H", len(entries))
    directory += b"".join(struct.pack("<HHII", *entry) for entry in entries) + struct.pack("<I", 0)
    tables = struct.pack(f"<3H{2 * count}I", 8, 8, 8, *offsets, *[size] * count)
    return b"II*\0" + struct.pack("<I", 8) + directory + tables + tiles.tobytes()


def _webps(picture: Image.Image) -> dict[str, bytes]:
    other = Image.fromarray(255 - np.asarray(picture))
    return {
        "plain.webp": saved(picture, "WEBP", quality=85, exif=turned(3)),
        "lossless.webp": saved(picture, "WEBP", lossless=True),
        "animated.webp": saved(picture, "WEBP", save_all=True, append_images=[other]),
    }


def _heics(picture: Image.Image) -> dict[str, bytes]:
    try:
        from pillow_heif import HeifFile, from_pillow
    except ImportError:
        return {}

    def heic(file: HeifFile, **options: object) -> bytes:
        out = io.BytesIO()
        file.save(out, quality=80, **options)
        return out.getvalue()

    several = from_pillow(picture)
    several.add_from_pillow(picture.rotate(180))
    makers: dict[str, Callable[[], bytes]] = {
        "plain.heic": lambda: heic(from_pillow(picture)),
        "turned.heic": lambda: heic(from_pillow(picture), exif=turned(6).tobytes()),
        "alpha.heic": lambda: heic(from_pillow(picture.convert("RGBA"))),
        "several.heic": lambda: heic(several),
    }
    return {name: make() for name, make in makers.items()}
