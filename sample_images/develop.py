"""From light to the JPEG a phone would save: lens, noise, smoothing, sharpening, tone, metadata."""

import itertools
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float32]
LABEL = "rendered scene, invented data"


@dataclass(frozen=True)
class Phone:
    """How one phone turns light into a picture; blur in px, tones relative to a full sensor.

    `s_curve` is the extra slope at mid tone of the contrast curve on top of sRGB; `warmth` what is left of
    the lamp's colour after white balance.
    """

    lens_sigma_px: float = 0.85
    halo_share: float = 0.02
    halo_sigma_px: float = 12.0
    veil: float = 0.01
    corner_light: float = 0.80
    paper_level: float = 0.76
    full_well_e: float = 5000.0
    read_noise_e: float = 3.0
    smoothing: float = 0.35
    sharpening: float = 0.6
    sharpening_sigma_px: float = 1.3
    s_curve: float = 0.12
    warmth: float = 0.015
    quality: int = 92


def develop(light: Floats, defocus_px: Floats, phone: Phone, rng: np.random.Generator) -> NDArray[np.uint8]:
    """The picture (rows, columns, 3) sRGB of the light on the sensor.

    `light` (rows, columns, 3) linear, 1 = the brightest paper; `defocus_px` (rows, columns) blur from lying
    off the plane of focus, to be added in squares to the lens's own.
    """
    image = _through_lens(light * phone.paper_level, defocus_px, phone)
    image = _sensor(image, phone, rng)
    image = _smoothed(image, phone)
    image = image * np.array([1 + phone.warmth, 1.0, 1 - phone.warmth], np.float32)
    return _toned_and_sharpened(image, phone)


def _through_lens(image: Floats, defocus_px: Floats, phone: Phone) -> Floats:
    sharp = _blurred_by(image, np.hypot(defocus_px, phone.lens_sigma_px))
    small = cv2.resize(sharp, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    halo = cv2.resize(cv2.GaussianBlur(small, (0, 0), phone.halo_sigma_px / 4), sharp.shape[1::-1])
    image = (1 - phone.halo_share) * sharp + phone.halo_share * halo
    image = (1 - phone.veil) * image + phone.veil * image.mean(axis=(0, 1))
    rows, columns = image.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    r2 = ((x - columns / 2) ** 2 + (y - rows / 2) ** 2) / ((columns / 2) ** 2 + (rows / 2) ** 2)
    return np.asarray(image * (1 - (1 - phone.corner_light) * r2)[..., None], np.float32)


def _blurred_by(image: Floats, sigma: Floats) -> Floats:
    """Gaussian blur whose width changes slowly over the picture: between neighbours of a ladder of blurs."""
    low, high = float(sigma.min()), float(sigma.max())
    steps = np.linspace(low, high, max(1, int(np.ceil((high - low) / 0.35)) + 1))
    result = cv2.GaussianBlur(image, (0, 0), steps[0])
    for below, above in itertools.pairwise(steps):
        part = np.clip((sigma**2 - below**2) / (above**2 - below**2), 0, 1)[..., None].astype(np.float32)
        wider = cv2.GaussianBlur(image, (0, 0), above)
        result = np.where(
            part > 0, (1 - part) * cv2.GaussianBlur(image, (0, 0), below) + part * wider, result
        )
    return result.astype(np.float32)


def _sensor(image: Floats, phone: Phone, rng: np.random.Generator) -> Floats:
    """One colour to each pixel, counted in electrons, clipped, and the colours filled in between again."""
    raw = image[..., 1].copy()
    raw[0::2, 0::2] = image[0::2, 0::2, 0]
    raw[1::2, 1::2] = image[1::2, 1::2, 2]
    electrons = np.maximum(raw, 0) * phone.full_well_e
    noise = rng.standard_normal(raw.shape, np.float32) * np.sqrt(electrons + phone.read_noise_e**2)
    counts = np.clip((electrons + noise) / phone.full_well_e, -0.01, 1.0)
    coded = ((counts + 0.02) * 60000).astype(np.uint16)
    full = cv2.cvtColor(coded, cv2.COLOR_BayerBG2RGB_EA)
    return np.asarray(full.astype(np.float32) / 60000 - 0.02, np.float32)


def _smoothed(image: Floats, phone: Phone) -> Floats:
    """Noise smoothing: colour heavily, brightness lightly and not across edges."""
    brightness = image @ np.array([0.25, 0.6, 0.15], np.float32)
    colour = cv2.GaussianBlur(image - brightness[..., None], (0, 0), 0.5 + 2.0 * phone.smoothing)
    steady = np.sqrt(np.maximum(brightness, 0) + 0.003)
    threshold = 3 * phone.smoothing / (2 * phone.full_well_e**0.5)
    smooth = cv2.bilateralFilter(steady, 5, threshold, 1.2) ** 2 - 0.003
    return np.asarray(smooth[..., None] + colour, np.float32)


def _toned_and_sharpened(image: Floats, phone: Phone) -> NDArray[np.uint8]:
    coded = tone(np.clip(image, 0, 1), phone.s_curve)
    brightness = coded @ np.array([0.299, 0.587, 0.114], np.float32)
    detail = brightness - cv2.GaussianBlur(brightness, (0, 0), phone.sharpening_sigma_px)
    coded += (phone.sharpening * detail)[..., None]
    return np.clip(np.round(coded * 255), 0, 255).astype(np.uint8)


def tone(linear: Floats, s_curve: float) -> Floats:
    """Linear light 0..1 to code 0..1: sRGB, then a contrast curve that keeps black, middle and white."""
    srgb = np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-6) ** (1 / 2.4) - 0.055
    )
    return (srgb - s_curve / (2 * np.pi) * np.sin(2 * np.pi * srgb)).astype(np.float32)


def save_jpeg(path: Path, picture: NDArray[np.uint8], phone: Phone, taken: datetime, note: str) -> None:
    """Write the picture with the metadata a phone writes, labelled as rendered."""
    from PIL import Image

    image = Image.fromarray(picture)
    exif = Image.Exif()
    exif[0x010E] = f"{LABEL}: {note}"
    exif[0x010F] = "rendered"
    exif[0x0110] = "rendered camera"
    exif[0x0112] = 1
    exif[0x0131] = "sample_images/render.py"
    exif[0x0132] = taken.strftime("%Y:%m:%d %H:%M:%S")
    exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    image.save(path, quality=phone.quality, subsampling=2, exif=exif, comment=LABEL.encode())
