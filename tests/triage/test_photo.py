"""Opening photos: right pixels, upright and in sRGB, or one plain sentence."""

from __future__ import annotations

import hashlib
import io
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageCms, ImageOps

from triage.errors import UserError
from triage.photo import open_photo

PHOTOS = Path(__file__).resolve().parents[2] / ".." / "shared" / "photos"
ISO = PHOTOS / ".." / "iso_polyominoes"

# D50 colorants and gamma of the Adobe RGB (1998) encoding, and of sRGB, as their ICC profiles carry them
# (columns red, green, blue; from memory, checked below: each set must add up to the D50 white).
WIDE_XYZ = np.array([[0.60974, 0.20528, 0.14919], [0.31111, 0.62567, 0.06322], [0.01947, 0.06087, 0.74457]])
SRGB_XYZ = np.array([[0.43607, 0.38515, 0.14307], [0.22249, 0.71687, 0.06061], [0.01392, 0.09708, 0.71410]])
D50 = np.array([0.9642, 1.0, 0.8249])
WIDE_GAMMA = 563 / 256


def scene(height: int = 48, width: int = 64) -> np.ndarray:
    """Smooth, unlike itself under any turn, every channel different."""
    y, x = np.mgrid[0:height, 0:width]
    rgb = np.stack([x * 255 / width, y * 255 / height, 128 + 100 * np.sin(x / 9 + y / 23)], axis=-1)
    rgb[:12, :20] = (250, 10, 60)
    return rgb.astype(np.uint8)


def saved(path: Path, image: Image.Image | None = None, **options: object) -> Path:
    (Image.fromarray(scene()) if image is None else image).save(path, **options)
    return path


def wide_profile() -> bytes:
    """A matrix ICC profile (version 2), written by hand as the ICC specification lays it out."""

    def xyz(values: np.ndarray) -> bytes:
        return b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in values))

    text = b"made for a test"
    description = b"desc\0\0\0\0" + struct.pack(">I", len(text) + 1) + text + b"\0" + bytes(78)
    curve = b"curv\0\0\0\0" + struct.pack(">IH", 1, 563)
    tags = {b"desc": description, b"cprt": b"text\0\0\0\0none\0", b"wtpt": xyz(D50)}
    tags |= {name: xyz(WIDE_XYZ[:, i]) for i, name in enumerate((b"rXYZ", b"gXYZ", b"bXYZ"))}
    tags |= dict.fromkeys((b"rTRC", b"gTRC", b"bTRC"), curve)
    table, body, start = b"", b"", 128 + 4 + 12 * len(tags)
    for name, value in tags.items():
        table += struct.pack(">4sII", name, start + len(body), len(value))
        body += value + bytes(-len(value) % 4)
    header = struct.pack(">I4sI4s4s4s", start + len(body), bytes(4), 0x02100000, b"mntr", b"RGB ", b"XYZ ")
    header += bytes(12) + b"acsp" + bytes(28) + struct.pack(">3i", *(round(v * 65536) for v in D50))
    return header.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body


def refused(path: Path | str, **options: int) -> str:
    """The refusal: one sentence that names the file and says what to do after the semicolon."""
    with pytest.raises(UserError) as caught:
        open_photo(path, **options)
    message = str(caught.value)
    assert message.startswith(Path(path).name[:60].split("\0")[0])
    assert message.isprintable()
    assert message.endswith(".")
    assert len(message.split(";")[1]) > 10
    assert len(message) < 250
    return message


# --- what is opened ---


@pytest.mark.parametrize("kind", ["png", "tif", "webp"])
def test_lossless_kinds_give_the_same_pixels(tmp_path, kind):
    path = saved(tmp_path / f"a.{kind}", lossless=True) if kind == "webp" else saved(tmp_path / f"a.{kind}")
    photo = open_photo(path)
    np.testing.assert_array_equal(photo.rgb, scene())
    assert photo.rgb.dtype == np.uint8
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (photo.file, photo.path, photo.colour, photo.pages) == (path.name, path, "sRGB", 1)


def test_jpeg_pixels_are_those_of_another_decoder(tmp_path):
    path = saved(tmp_path / "a.jpg", quality=90)
    with Image.open(path) as other:
        np.testing.assert_allclose(open_photo(path).rgb.astype(int), np.asarray(other).astype(int), atol=2)


def test_type_is_read_from_the_bytes_not_the_name(tmp_path):
    saved(tmp_path / "a.png").rename(tmp_path / "a.jpg")
    np.testing.assert_array_equal(open_photo(tmp_path / "a.jpg").rgb, scene())


def test_pixels_cannot_be_changed_by_accident(tmp_path):
    photo = open_photo(saved(tmp_path / "a.png"))
    with pytest.raises(ValueError):
        photo.rgb[0, 0] = 0


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
def test_every_orientation_is_turned_upright(tmp_path, kind, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    exif[282], exif[283], exif[296] = 300.0, 600.0, 2
    path = saved(tmp_path / f"a.{kind}", exif=exif)
    with Image.open(path) as other:
        upright = np.asarray(ImageOps.exif_transpose(other).convert("RGB")).astype(int)
    photo = open_photo(path)
    np.testing.assert_allclose(photo.rgb.astype(int), upright, atol=2)
    assert photo.rgb.shape[:2] == ((48, 64) if orientation < 5 else (64, 48))
    if kind == "jpg":
        assert photo.dpi == ((300, 600) if orientation < 5 else (600, 300))


@pytest.mark.parametrize("orientation", [0, 9, 65535])
def test_senseless_orientation_is_left_as_stored(tmp_path, orientation):
    exif = Image.Exif()
    exif[274] = orientation
    np.testing.assert_array_equal(open_photo(saved(tmp_path / "a.png", exif=exif)).rgb, scene())


def test_heic_opens_upright(tmp_path):
    heif = pytest.importorskip("pillow_heif", reason="the heic extra is not installed")
    heif.from_pillow(Image.fromarray(scene())).save(tmp_path / "a.heic", quality=95)
    rgb = open_photo(tmp_path / "a.heic").rgb
    assert rgb.shape == (48, 64, 3)
    assert np.abs(rgb.astype(int) - scene()).mean() < 6
    exif = Image.Exif()
    exif[274] = 6
    heif.from_pillow(Image.fromarray(scene())).save(tmp_path / "b.heic", quality=95, exif=exif.tobytes())
    turned = open_photo(tmp_path / "b.heic").rgb
    assert turned.shape == (64, 48, 3)
    assert np.abs(turned.astype(int) - np.rot90(scene(), -1)).mean() < 6


def test_heic_without_its_reader_says_how_to_send_jpeg(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    path = tmp_path / "a.jpg"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(100))
    message = refused(path)
    assert "HEIC" in message
    assert "JPEG" in message


def test_first_of_a_multi_picture_jpeg(tmp_path):
    other = Image.fromarray(255 - scene())
    Image.fromarray(scene()).save(
        tmp_path / "a.jpg", format="MPO", save_all=True, append_images=[other], quality=95
    )
    assert np.abs(open_photo(tmp_path / "a.jpg").rgb.astype(int) - scene()).mean() < 4


@pytest.mark.parametrize("kind", ["png", "tif"])
def test_sixteen_bit_colour(tmp_path, kind):
    deep = scene().astype(np.uint16) * 257
    cv2.imwrite(str(tmp_path / f"a.{kind}"), deep[..., ::-1])
    np.testing.assert_array_equal(open_photo(tmp_path / f"a.{kind}").rgb, scene())


@pytest.mark.parametrize("kind", ["png", "tif"])
def test_sixteen_bit_grey_is_within_one_level(tmp_path, kind):
    deep = np.linspace(0, 65535, 64 * 64).astype(np.uint16).reshape(64, 64)
    cv2.imwrite(str(tmp_path / f"a.{kind}"), deep)
    rgb = open_photo(tmp_path / f"a.{kind}").rgb
    assert np.abs(rgb - deep[..., None] / 257).max() <= 1
    assert (rgb[..., 0] == rgb[..., 2]).all()


@pytest.mark.parametrize("mode", ["L", "1", "P", "LA"])
def test_grey_palette_and_opaque_alpha(tmp_path, mode):
    image = Image.fromarray(scene()).convert("L").convert(mode)
    rgb = open_photo(saved(tmp_path / "a.png", image)).rgb
    np.testing.assert_array_equal(rgb, np.asarray(image.convert("RGB")))


def test_opaque_alpha_is_dropped_and_see_through_refused(tmp_path):
    image = Image.fromarray(scene()).convert("RGBA")
    np.testing.assert_array_equal(open_photo(saved(tmp_path / "a.png", image)).rgb, scene())
    image.putpixel((3, 3), (0, 0, 0, 200))
    assert "see-through" in refused(saved(tmp_path / "b.png", image))
    assert "see-through" in refused(saved(tmp_path / "c.webp", image, lossless=True))


def test_pages_of_a_tiff(tmp_path):
    frames = [Image.fromarray(np.full((32, 32), level, np.uint8)) for level in (10, 20, 30)]
    path = saved(tmp_path / "a.tif", frames[0], save_all=True, append_images=frames[1:])
    assert open_photo(path).pages == 3
    assert [int(open_photo(path, page=page).rgb[0, 0, 0]) for page in range(3)] == [10, 20, 30]
    assert "no page 4" in refused(path, page=3)


def test_reference_pictures_of_the_standard():
    path = ISO / "4-omino-fixed.tif"
    if not path.exists():
        pytest.skip("the shared reference pictures are not beside this checkout")
    photo = open_photo(path, page=18)
    assert (photo.pages, photo.rgb.shape) == (19, (64, 64, 3))


# --- colour ---


def test_wide_gamut_profile_is_converted_as_its_definition_says(tmp_path):
    np.testing.assert_allclose(WIDE_XYZ.sum(axis=1), D50, atol=2e-4)
    np.testing.assert_allclose(SRGB_XYZ.sum(axis=1), D50, atol=2e-4)
    levels = np.random.default_rng(3).integers(70, 200, (32, 32, 3)).astype(np.uint8)
    linear = (levels / 255.0) ** WIDE_GAMMA @ (np.linalg.inv(SRGB_XYZ) @ WIDE_XYZ).T
    assert linear.min() > -0.2  # some colours lie outside sRGB and are clipped
    linear = linear.clip(0, 1)
    expected = 255 * np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    photo = open_photo(saved(tmp_path / "a.png", Image.fromarray(levels), icc_profile=wide_profile()))
    inside = (linear > 0.002).all(axis=-1) & (linear < 1).all(axis=-1)
    assert inside.mean() > 0.8
    assert np.abs(photo.rgb - expected)[inside].max() < 1.6
    assert photo.colour == "made for a test"
    assert np.abs(photo.rgb.astype(int) - levels).max() > 15  # so the check can fail


def test_srgb_profile_changes_no_pixel(tmp_path):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    photo = open_photo(saved(tmp_path / "a.png", icc_profile=profile))
    np.testing.assert_array_equal(photo.rgb, scene())
    assert photo.colour == "sRGB"


def test_real_phone_photo_with_display_p3():
    path = PHOTOS / "marker_sheets" / "singlemarkersoriginal.jpg"
    if not path.exists():
        pytest.skip("the shared photos are not beside this checkout")
    photo = open_photo(path)
    with Image.open(path) as other:
        source = ImageCms.ImageCmsProfile(io.BytesIO(other.info["icc_profile"]))
        expected = ImageCms.profileToProfile(other, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
    assert photo.colour == "Display P3"
    assert photo.camera == "Apple iPhone 11"
    np.testing.assert_allclose(photo.rgb.astype(int), np.asarray(expected).astype(int), atol=1)


def test_inks_without_profile_and_broken_profile_are_refused(tmp_path):
    inks = Image.fromarray(scene()).convert("CMYK")
    assert "inks" in refused(saved(tmp_path / "a.jpg", inks))
    assert "colour profile" in refused(saved(tmp_path / "b.jpg", icc_profile=b"not a profile at all" * 20))
    assert "another kind" in refused(saved(tmp_path / "c.jpg", inks, icc_profile=wide_profile()))


def test_grey_picture_with_a_colour_profile(tmp_path):
    grey = Image.fromarray(scene()).convert("L")
    rgb = open_photo(saved(tmp_path / "a.jpg", grey, icc_profile=wide_profile(), quality=95)).rgb.astype(int)
    assert np.ptp(rgb, axis=-1).max() <= 1


# --- what the camera wrote ---


def test_time_and_camera_but_never_the_place(tmp_path):
    exif = Image.Exif()
    exif[271], exif[272] = "Maker ", "MAKER Seven\0"
    details = exif.get_ifd(0x8769)
    details[36867], details[36881], details[37386] = "2026:03:04 05:06:07", "+02:00", 4.2
    exif.get_ifd(0x8825)[1] = "N"
    exif.get_ifd(0x8825)[2] = (51.0, 28.0, 40.5)
    photo = open_photo(saved(tmp_path / "a.jpg", exif=exif, dpi=(300, 300)))
    assert photo.taken_at == "2026-03-04T05:06:07+02:00"
    assert photo.camera == "MAKER Seven"
    assert photo.dpi is None  # it came through a lens
    assert "51" not in "".join(
        str(getattr(photo, n)) for n in ("taken_at", "camera", "dpi", "colour", "pages")
    )


@pytest.mark.parametrize("written", ["0000:00:00 00:00:00", "yesterday", "", "2026:13:01 00:00:00"])
def test_senseless_time_is_none(tmp_path, written):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = written
    assert open_photo(saved(tmp_path / "a.jpg", exif=exif)).taken_at is None


def test_time_without_zone_has_none(tmp_path):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[36867] = "2026:03:04 05:06:07"
    assert open_photo(saved(tmp_path / "a.jpg", exif=exif)).taken_at == "2026-03-04T05:06:07"


def test_damaged_exif_does_no_harm(tmp_path):
    path = saved(tmp_path / "a.jpg", exif=b"Exif\0\0II*\0\xff\xff\xff\xff" + bytes(range(200)))
    assert open_photo(path).taken_at is None


def test_scanner_resolution_in_inches_and_centimetres(tmp_path):
    assert open_photo(saved(tmp_path / "a.jpg", dpi=(1200, 1200))).dpi == (1200, 1200)
    assert open_photo(saved(tmp_path / "a.png", dpi=(600, 600))).dpi == pytest.approx((600, 600), rel=1e-4)
    assert open_photo(saved(tmp_path / "a.tif", dpi=(600, 300))).dpi == (600, 300)
    cm = {"resolution_unit": "cm", "x_resolution": 100.0, "y_resolution": 100.0}
    assert open_photo(saved(tmp_path / "b.tif", **cm)).dpi == pytest.approx((254, 254))
    assert open_photo(saved(tmp_path / "b.jpg")).dpi is None
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 100.0, 100.0, 3
    unstated = saved(tmp_path / "c.jpg", exif=exif).read_bytes()
    assert open_photo(tmp_path / "c.jpg").dpi == pytest.approx((254, 254))
    exif[296] = 1
    assert unstated
    assert open_photo(saved(tmp_path / "d.jpg", exif=exif)).dpi is None


@pytest.mark.parametrize("mode", ["RGB", "P", "L", "LA", "1"])
def test_pictures_higher_than_a_strip_of_rows_are_joined_up(tmp_path, mode):
    picture = Image.fromarray(scene(1200, 40)).convert(mode)
    opened = open_photo(saved(tmp_path / "a.png", picture)).rgb
    assert np.array_equal(opened, np.asarray(picture.convert("RGB")))


# --- hostile and hopeless ---


def png_bomb(side: int = 30_000) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", side, side, 1, 0, 0, 0, 0)
    pixels = zlib.compress(bytes((side // 8 + 1) * side), 1)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", pixels) + chunk(b"IEND", b"")


def jpeg_claiming(width: int, height: int) -> bytes:
    """A small JPEG whose frame header is rewritten to claim another size."""
    out = io.BytesIO()
    Image.fromarray(scene()).save(out, "JPEG")
    data = bytearray(out.getvalue())
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


def png_claiming(width: int, height: int) -> bytes:
    """A small PNG whose header claims another size: that its pixels end early no reader minds."""
    data = bytearray(plain_png())
    data[16:24] = struct.pack(">II", width, height)
    data[29:33] = struct.pack(">I", zlib.crc32(data[12:29]))
    return bytes(data)


def plain_png() -> bytes:
    out = io.BytesIO()
    Image.fromarray(scene()).save(out, "PNG")
    return out.getvalue()


def png_without_palette() -> bytes:
    out = io.BytesIO()
    Image.fromarray(scene()).quantize(16).save(out, "PNG")
    data = out.getvalue()
    at = data.index(b"PLTE") - 4
    return data[:at] + data[at + 12 + struct.unpack(">I", data[at : at + 4])[0] :]


HOSTILE = {
    "strip.png": (lambda: png_claiming(150, 131_222), "strip of 150 x 131222"),
    "claims.png": (lambda: png_claiming(9000, 9000), "holds only"),
    "no_palette.png": (png_without_palette, "damaged"),
    "empty.jpg": (lambda: b"", "empty"),
    "text.jpg": (lambda: b"Dear customer, the photo is attached.\n" * 20, "not a JPEG"),
    "page.png": (lambda: b"%PDF-1.7\n" + bytes(99), "not a JPEG"),
    "bomb.png": (png_bomb, "30000 x 30000"),
    "huge.jpg": (lambda: jpeg_claiming(60_000, 60_000), "60000 x 60000"),
    "magic_only.jpg": (lambda: b"\xff\xd8\xff", "damaged"),
    "magic_only.png": (lambda: b"\x89PNG\r\n\x1a\n", "damaged"),
    "magic_only.tif": (lambda: b"II*\0\x08\0\0\0", "damaged"),
    "magic_only.webp": (lambda: b"RIFF\x10\0\0\0WEBP", "damaged"),
    "magic_only.heic": (lambda: b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "HEIC|damaged"),
    "looping.tif": (lambda: b"II*\0\x08\0\0\0" + bytes(2) + struct.pack("<I", 8), "damaged"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_files_get_one_sentence(tmp_path, name):
    make, what = HOSTILE[name]
    (tmp_path / name).write_bytes(make())
    assert any(word in refused(tmp_path / name) for word in what.split("|"))


def test_hostile_files_cost_no_memory(tmp_path):
    resource = pytest.importorskip("resource", reason="this system does not report peak memory")
    del resource
    for name, (make, _) in HOSTILE.items():
        (tmp_path / name).write_bytes(make())
    code = (
        "import resource, sys, pathlib\n"
        "from triage.photo import open_photo\n"
        "from triage.errors import UserError\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "before = peak()\n"
        "for path in sorted(pathlib.Path(sys.argv[1]).iterdir()):\n"
        "    try: open_photo(path); print('opened', path)\n"
        "    except UserError: pass\n"
        "print((peak() - before) // (1 if sys.platform == 'linux' else 1024))\n"
    )
    command = [sys.executable, "-W", "error", "-c", code, str(tmp_path)]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    assert run.stderr == ""
    assert int(run.stdout) < 60_000  # kB; a decoded bomb would take 2.7 GB


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
@pytest.mark.parametrize("part", [0.2, 0.6, 0.95])
def test_a_file_cut_short_is_refused(tmp_path, kind, part):
    noise = np.random.default_rng(1).integers(0, 255, (200, 200, 3), dtype=np.uint8)
    path = saved(tmp_path / f"a.{kind}", Image.fromarray(noise))
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * part)])
    assert "cut short" in refused(path)


@pytest.mark.parametrize("kind", ["jpg", "png", "webp", "tif"])
def test_damaged_bytes_never_escape_as_another_error(tmp_path, kind):
    rng = np.random.default_rng(7)
    good = saved(tmp_path / f"good.{kind}", dpi=(300, 300), exif=Image.Exif()).read_bytes()
    path = tmp_path / f"a.{kind}"
    messages = []
    for _ in range(150):
        data = bytearray(good)
        for at in rng.integers(8, len(data), 4):
            data[at] = rng.integers(256)
        path.write_bytes(data)
        try:
            open_photo(path)
        except UserError as error:
            messages.append(str(error))
    assert messages
    assert all(message.startswith(path.name) for message in messages)


def test_tiny_missing_folder_and_odd_files(tmp_path):
    assert "1 x 1" in refused(saved(tmp_path / "dot.png", Image.new("RGB", (1, 1))))
    assert "does not exist" in refused(tmp_path / "none.jpg")
    assert "folder" in refused(tmp_path)
    assert "cannot be read" in refused("a\0b.jpg")
    assert "cannot be read" in refused(tmp_path / ("long" * 200 + ".jpg"))


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no device files")
def test_an_endless_device_is_not_read():
    assert "ordinary file" in refused("/dev/zero")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read anything")
def test_unreadable_file(tmp_path):
    path = saved(tmp_path / "a.png")
    path.chmod(0)
    assert "cannot be read" in refused(path)


def test_more_bytes_than_the_limit(tmp_path):
    path = tmp_path / "big.tif"
    with path.open("wb") as out:
        out.truncate(201_000_000)
    assert "201 MB" in refused(path)


@pytest.mark.parametrize("kind", ["png", "webp"])
def test_animation_is_refused(tmp_path, kind):
    frames = [Image.fromarray(scene()), Image.fromarray(255 - scene())]
    path = saved(tmp_path / f"a.{kind}", frames[0], save_all=True, append_images=frames[1:])
    assert "animation" in refused(path)


def test_camera_raw_is_refused_not_its_thumbnail(tmp_path):
    thumbnail = saved(tmp_path / "a.dng", format="TIFF", tiffinfo={50706: b"\1\4\0\0"})
    assert "raw" in refused(thumbnail)
    assert "raw" in refused(saved(tmp_path / "b.nef", format="TIFF", tiffinfo={254: 1}))


def test_numbers_without_a_colour_meaning_are_refused(tmp_path):
    floats = Image.fromarray(np.zeros((32, 32), np.float32))
    assert "stores its colours" in refused(saved(tmp_path / "a.tif", floats))
