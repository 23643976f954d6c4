"""What the phone does with the light: noise, demosaicing, smoothing, sharpening, tone curve, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.noise import Field

LUMA = np.array([[0.299, 0.587, 0.114]], np.float32)


@dataclass(frozen=True)
class Phone:
    """The picture's development.

    `exposure`: linear level of unshaded white (reflectance 1) in the picture. `noise`: deviation of one
    pixel at that level, relative, mostly photon noise; `read_noise`: deviation in black, same unit.
    `demosaic`: sample through a Bayer mosaic. `chroma_px`: smoothing of colour. `denoise` 0..1: strength of
    the edge-keeping smoothing of brightness. `sharpen`: amount of unsharp masking at `sharpen_px`.
    `curve` 0..1: S-shaped contrast curve over sRGB.
    """

    exposure: float = 0.80
    noise: float = 0.012
    read_noise: float = 0.002
    demosaic: bool = False
    chroma_px: float = 1.2
    denoise: float = 0.5
    sharpen: float = 0.4
    sharpen_px: float = 1.2
    curve: float = 0.0
    jpeg_quality: int = 92
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)


def expose(linear: Field, phone: Phone, rng: np.random.Generator) -> Field:
    """Return the noisy linear picture; in place, to keep memory low."""
    linear *= np.array(phone.white_balance, np.float32) * np.float32(phone.exposure)
    noise = np.random.Generator(np.random.SFC64(rng.integers(1 << 62)))
    for row in range(0, len(linear), 256):
        band = linear[row : row + 256]
        spread = np.sqrt(phone.noise**2 * phone.exposure * np.maximum(band, 0) + phone.read_noise**2)
        band += spread * noise.standard_normal(band.shape, dtype=np.float32)
    return _through_mosaic(linear) if phone.demosaic else linear


def develop(linear: Field, phone: Phone) -> NDArray[np.uint8]:
    """Turn the noisy linear picture into the 8-bit sRGB picture before JPEG."""
    coded = _encode(linear, phone.curve)
    luma = np.asarray(cv2.transform(coded, LUMA), np.float32)
    if phone.chroma_px:
        coded -= luma[..., None]
        coded = np.asarray(cv2.GaussianBlur(coded, (0, 0), phone.chroma_px), np.float32)
        coded += luma[..., None]
    finished = _finish_luma(luma, phone)
    coded += (finished - luma)[..., None]
    return np.asarray(np.clip(coded * 255 + 0.5, 0, 255).astype(np.uint8))


def to_jpeg(rgb: NDArray[np.uint8], quality: int) -> bytes:
    """Encode as the phones do: colour at half resolution."""
    options = [
        cv2.IMWRITE_JPEG_QUALITY,
        quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    ]
    done, buffer = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), options)
    if not done:
        raise ValueError("the picture could not be encoded as JPEG")
    return bytes(buffer.tobytes())


def from_jpeg(data: bytes) -> NDArray[np.uint8]:
    """Decode to RGB."""
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR_RGB), np.uint8)


def srgb(linear: Field) -> Field:
    """Encode linear light 0..1 (clipped) as sRGB 0..1, IEC 61966-2-1."""
    steps = np.linspace(0, 1, 1 << 16, dtype=np.float32) ** 2  # square roots: dense where the curve is steep
    table = np.where(steps <= 0.0031308, 12.92 * steps, 1.055 * steps ** (1 / 2.4) - 0.055).astype(np.float32)
    return np.take(table, (np.sqrt(np.clip(linear, 0, 1)) * 65535 + 0.5).astype(np.uint16))


def _encode(linear: Field, curve: float) -> Field:
    coded = np.empty_like(linear)
    for row in range(0, len(linear), 512):
        x = srgb(linear[row : row + 512])
        coded[row : row + 512] = x + curve * (x * x * (3 - 2 * x) - x)
    return coded


def _finish_luma(luma: Field, phone: Phone) -> Field:
    smooth = luma
    if phone.denoise:
        mean = cv2.blur(luma, (5, 5))
        spread = np.maximum(cv2.blur(luma * luma, (5, 5)) - mean * mean, 1e-9)
        noise = np.median(spread[::7, ::7])
        keep = np.maximum(spread - 1.2 * noise, 0) / spread
        smooth = luma + phone.denoise * (1 - keep) * (mean - luma)
    if phone.sharpen:
        smooth = smooth + phone.sharpen * (smooth - cv2.GaussianBlur(smooth, (0, 0), phone.sharpen_px))
    return np.asarray(smooth, dtype=np.float32)


def _through_mosaic(linear: Field) -> Field:
    scaled = np.clip(
        linear * 32768 + 1024, 0, 65535
    )  # room for highlights above white, and for noise below black
    mosaic = scaled[..., 1].astype(np.uint16)
    mosaic[0::2, 0::2] = scaled[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = scaled[1::2, 1::2, 2]
    rgb = cv2.demosaicing(mosaic, cv2.COLOR_BAYER_RGGB2RGB_EA)
    return np.asarray((rgb.astype(np.float32) - 1024) / 32768, dtype=np.float32)
