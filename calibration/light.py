"""Linear light: the phone's tone curve undone, the paper's level and colour, and the noise on it.

Levels are linear light as a share of the camera's full scale, float32; they become shares of paper white
only when divided by `Light.paper_rgb`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone, grey_of, measure_tone

if TYPE_CHECKING:
    from calibration.card import Frame
    from calibration.scale import PlaneMap

__all__ = ["Light", "Noise", "Tone", "measure_light", "measure_noise", "view_window"]

FloatArray = NDArray[np.float64]
LUMA = np.array([0.299, 0.587, 0.114])  # the weights cv2.cvtColor uses, so codes and levels agree

TILE_PX = 24  # long enough for smooth noise to show in a 5 x 5 mean, short enough to lie between particles
MAX_TILES = 600  # noise to about 1 %
QUIET_SHARE = 0.3  # tiles with a particle read high, so the noise comes from the quieter ones
SD_WITHIN_3 = 0.9866  # sd of normal noise cut at 3 sd, over its sd uncut
MAD_TO_SD = 1.4826  # sd of normal noise over its median absolute deviation


@dataclass(frozen=True)
class Light:
    """How the window is lit. Levels are linear light, (3,) red, green, blue."""

    tone: Tone
    paper_rgb: FloatArray  # bare paper near the window; the window's own background where there is no card
    background_rgb: FloatArray  # the debris window's own background, at its centre
    black_rgb: FloatArray | None  # the card's solid black; None where no card is seen
    unevenness: float  # brightest over darkest part of the window's background, 1 = even
    patch_rgb: tuple[tuple[float, FloatArray], ...] = ()  # (toner coverage 0..1, level) of each patch
    unshadowed: bool = False  # no lamp's shadow is left: a picture made of photos with the lamp moved

    @property
    def white_balance(self) -> FloatArray:
        """Gains (3,) that make the paper neutral without changing its luma."""
        return float(self.paper_rgb @ LUMA) / self.paper_rgb

    @property
    def paper_level(self) -> float:
        """Luma of the paper, linear light 0..1."""
        return float(self.paper_rgb @ LUMA)

    @property
    def background_level(self) -> float:
        """Luma of the window's background, linear light 0..1."""
        return float(self.background_rgb @ LUMA)


@dataclass(frozen=True)
class Noise:
    """Noise of the luma, in shares of the paper level (linear light).

    `sd_rel` is one pixel on the window's background. Smoothing and JPEG leave noise that neighbours
    share: `spread3` and `spread5` are the sd of a 3 x 3 and 5 x 5 mean over what independent pixels
    would give (1 = independent). `black_sd_rel` is one pixel on solid black, None where unknown.
    """

    sd_rel: float
    spread3: float
    spread5: float
    background_rel: float  # the background's level as a share of paper, where sd_rel holds
    black_rel: float | None = None
    black_sd_rel: float | None = None

    def sd_of_mean(self, pixels: float) -> float:
        """Sd of the mean over a compact patch of so many pixels, as a share of the paper level."""
        spread = np.interp(
            np.log(max(pixels, 1.0)), np.log([1.0, 9.0, 25.0]), [1.0, self.spread3, self.spread5]
        )
        return float(self.sd_rel * spread / np.sqrt(max(pixels, 1.0)))

    def sd_at(self, level_rel: float) -> float:
        """Sd of one pixel at a level (share of paper): its square grows linearly with light.

        Without a black patch the sd is taken as proportional to the square root of light, floored at a
        third of the background's.
        """
        if self.black_rel is None or self.black_sd_rel is None or self.background_rel <= self.black_rel:
            return float(self.sd_rel * np.sqrt(max(level_rel / max(self.background_rel, 1e-6), 1 / 9)))
        part = (level_rel - self.black_rel) / (self.background_rel - self.black_rel)
        variance = self.black_sd_rel**2 + part * (self.sd_rel**2 - self.black_sd_rel**2)
        return float(np.sqrt(max(variance, min(self.sd_rel, self.black_sd_rel) ** 2)))


@dataclass(frozen=True)
class WindowView:
    """The debris window cut out of a photo: a view, its place and what of it lies inside the outline."""

    rgb: NDArray[np.uint8]  # (h, w, 3), a view into the photo
    mask: NDArray[np.uint8]  # (h, w), 255 inside the outline
    x0: int
    y0: int


def view_window(rgb: NDArray[np.uint8], window_px: FloatArray, shrink: float = 0.02) -> WindowView:
    """Cut the window out of `rgb` (H, W, 3); the outline (N, 2) is drawn in by `shrink` of its size.

    Drawing in keeps a printed border or a cut edge out. Raises ValueError where nothing is left.
    """
    outline = np.asarray(window_px, dtype=float)
    outline = outline + shrink * (outline.mean(axis=0) - outline)
    height, width = rgb.shape[:2]
    x0, y0 = (int(v) for v in np.clip(np.floor(outline.min(axis=0)), 0, [width, height]))
    x1, y1 = (int(v) for v in np.clip(np.ceil(outline.max(axis=0)) + 1, 0, [width, height]))
    if x1 - x0 < 8 or y1 - y0 < 8:
        raise ValueError("the debris window has no pixels in the picture")
    mask = np.zeros((y1 - y0, x1 - x0), dtype=np.uint8)
    cv2.fillPoly(mask, [np.round(outline - [x0, y0]).astype(np.int32)], 255)
    return WindowView(rgb[y0:y1, x0:x1], mask, x0, y0)


def tile_corners(mask: NDArray[np.uint8], size: int, count: int) -> NDArray[np.intp]:
    """Top-left corners (N, 2) as (row, col) of up to about `count` even-spread tiles inside the mask."""
    height, width = mask.shape
    size = min(size, height, width)
    step = max(size, int(np.sqrt(height * width / count)))
    rows = np.arange((height - size) % step // 2, height - size + 1, step)
    cols = np.arange((width - size) % step // 2, width - size + 1, step)
    corners = np.stack(np.meshgrid(rows, cols, indexing="ij"), axis=-1).reshape(-1, 2)
    ends = corners + size - 1
    inside = np.ones(len(corners), dtype=bool)
    for r, c in ((corners[:, 0], corners[:, 1]), (corners[:, 0], ends[:, 1]), (ends[:, 0], corners[:, 1])):
        inside &= mask[r, c] > 0
    inside &= mask[ends[:, 0], ends[:, 1]] > 0
    return corners[inside] if inside.any() else corners


def cut_tiles(image: NDArray[np.uint8], corners: NDArray[np.intp], size: int) -> NDArray[np.uint8]:
    """Tiles (N, size, size[, channels]) of `image` at `corners`."""
    size = min(size, *image.shape[:2])
    span = np.arange(size)
    tiles: NDArray[np.uint8] = image[
        corners[:, 0, None, None] + span[:, None], corners[:, 1, None, None] + span
    ]
    return tiles


def measure_light(
    rgb: NDArray[np.uint8],
    plane: PlaneMap,
    frame: Frame | None,
    window_px: FloatArray,
    tone: Tone | None = None,
) -> Light:
    """Levels of paper, black and the window's background. `rgb` (H, W, 3) codes, outline (N, 2) px.

    Without a `tone` known for the camera it is checked on a wide frame and else taken as sRGB.
    """
    tone = tone or (Tone() if frame is None else measure_tone(rgb, plane, frame))
    background, unevenness = _background(view_window(rgb, window_px), tone)
    if frame is None:
        return Light(tone, background, background, None, unevenness)
    patches = tuple(
        (patch.coverage, patch.kind, _patch_level(rgb, plane, patch.rect_mm, tone)) for patch in frame.patches
    )
    seen = [(coverage, kind, level) for coverage, kind, level in patches if level is not None]
    whites = [level for _, kind, level in seen if kind == "white"]
    blacks = [level for _, kind, level in seen if kind == "black"]
    # On the pale card the window itself is the paper, and nearer to the debris than any patch.
    paper = np.median(whites, axis=0) if frame.dark and whites else background
    black = np.median(blacks, axis=0) if blacks else None
    return Light(tone, paper, background, black, unevenness, tuple((c, level) for c, _, level in seen))


def measure_noise(
    rgb: NDArray[np.uint8], plane: PlaneMap, frame: Frame | None, window_px: FloatArray, light: Light
) -> Noise:
    """Noise of the luma on the window's background and, where the card shows it, on solid black.

    `rgb` (H, W, 3) codes, window outline (N, 2) px.
    """
    view = view_window(rgb, window_px)
    sd, spread3, spread5 = _tile_noise(grey_of(view.rgb), view.mask, light.tone)
    paper = max(light.paper_level, 1e-6)
    background = light.background_level / paper
    black_rel, black_sd = None, None
    black_patches = [p for p in frame.patches if p.kind == "black"] if frame is not None else []
    if black_patches and light.black_rgb is not None:
        sds = [_patch_noise(rgb, plane, p.rect_mm, light.tone) for p in black_patches]
        found = [s for s in sds if s is not None]
        if found:
            black_rel, black_sd = float(light.black_rgb @ LUMA) / paper, min(found) / paper
    return Noise(sd / paper, spread3, spread5, background, black_rel, black_sd)


def _background(view: WindowView, tone: Tone) -> tuple[FloatArray, float]:
    corners = tile_corners(view.mask, TILE_PX, MAX_TILES)
    tiles = cut_tiles(view.rgb, corners, TILE_PX)[:, ::2, ::2]
    # Particles cover less than half of most tiles, so the median of a tile is bare background.
    levels = tone.of_code(np.median(tiles.reshape(len(tiles), -1, 3), axis=1))
    basis = _quadratic(corners + float(TILE_PX / 2), view.mask.shape)
    coefficients = _robust_fit(basis, levels @ LUMA)
    surface = basis @ coefficients
    centre = float(_quadratic(np.array([view.mask.shape]) / 2, view.mask.shape)[0] @ coefficients)
    floor = max(1e-6, 0.02 * float(surface.max()))
    colour = np.median(levels / np.maximum(levels @ LUMA, floor)[:, None], axis=0)
    colour = colour / max(float(colour @ LUMA), 1e-6)
    return max(centre, floor) * colour, float(surface.max() / max(float(surface.min()), floor))


def _quadratic(points: NDArray[np.floating], shape: tuple[int, ...]) -> FloatArray:
    """Terms (N, 6) of a second-degree surface at (row, col) points (N, 2) of a picture of that shape."""
    y, x = (points / np.array(shape[:2]) * 2 - 1).T
    return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)


def _robust_fit(basis: FloatArray, values: FloatArray) -> FloatArray:
    """Least squares with values further than 2.5 robust sd from the fit left out, four rounds."""
    middle = float(np.median(values))
    keep = np.abs(values - middle) <= 3 * MAD_TO_SD * _mad(values) + 0.2 * abs(middle)
    coefficients: FloatArray = np.zeros(basis.shape[1])
    for _ in range(4):
        if keep.sum() < 2 * basis.shape[1]:
            coefficients = np.zeros(basis.shape[1])
            coefficients[0] = middle
            return coefficients
        coefficients = np.asarray(np.linalg.lstsq(basis[keep], values[keep], rcond=None)[0], dtype=float)
        residual = values - basis @ coefficients
        keep = np.abs(residual) <= 2.5 * MAD_TO_SD * _mad(residual[keep]) + 1e-6
    return coefficients


def _mad(values: FloatArray) -> float:
    return float(np.median(np.abs(values - np.median(values)))) if len(values) else 0.0


def _tile_noise(codes: NDArray[np.uint8], mask: NDArray[np.uint8], tone: Tone) -> tuple[float, float, float]:
    """Sd of one pixel in linear light; sd of 3 x 3 and 5 x 5 means over that of independent pixels."""
    size = min(TILE_PX + 4, *codes.shape)
    tiles = cut_tiles(codes, tile_corners(mask, size, MAX_TILES), size).astype(np.float32)
    slope = tone.slope_at(np.median(tiles[:, ::2, ::2], axis=(1, 2)))
    means = (tiles[:, 2:-2, 2:-2], _box(tiles, 3)[:, 1:-1, 1:-1], _box(tiles, 5))
    sds = np.array([_tile_sds(mean) * slope for mean in means])
    one, three, five = np.quantile(sds, QUIET_SHARE, axis=1)
    if one <= 0:
        return 0.0, 1.0, 1.0
    return float(one), max(float(3 * three / one), 0.1), max(float(5 * five / one), 0.1)


def _box(tiles: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    """Mean over width x width pixels, where they all lie inside the tile."""
    total = np.cumsum(np.cumsum(tiles, axis=1), axis=2)
    total = np.pad(total, ((0, 0), (1, 0), (1, 0)))
    down = total[:, width:] - total[:, :-width]
    return np.asarray((down[:, :, width:] - down[:, :, :-width]) / np.float32(width * width), np.float32)


def _tile_sds(tiles: NDArray[np.float32]) -> FloatArray:
    """Sd (N,) in codes of what is left in each tile (N, h, w) after a plane, outliers left out."""
    count, height, width = tiles.shape
    y = np.arange(height, dtype=np.float32) - (height - 1) / 2
    x = np.arange(width, dtype=np.float32) - (width - 1) / 2
    slope_x = (tiles.mean(axis=1) @ x) / float(x @ x)
    slope_y = (tiles.mean(axis=2) @ y) / float(y @ y)
    rest = tiles - slope_x[:, None, None] * x - slope_y[:, None, None] * y[:, None]
    return _sd_without_outliers(rest.reshape(count, -1))


def _sd_without_outliers(values: NDArray[np.float32]) -> FloatArray:
    """Sd (N,) of each row of codes (N, M), rows cut at 3 sd about their median, twice."""
    rest = values - np.median(values, axis=1, keepdims=True)
    # Half a code of noise reads as zero or one code everywhere, and a bare median of it as no noise.
    sd = np.maximum(MAD_TO_SD * np.median(np.abs(rest), axis=1, keepdims=True), 0.7)
    for _ in range(2):
        inside = np.abs(rest) <= 3 * sd
        count = np.maximum(inside.sum(axis=1, keepdims=True), 1)
        mean = (rest * inside).sum(axis=1, keepdims=True) / count
        sd = np.sqrt(((rest - mean) ** 2 * inside).sum(axis=1, keepdims=True) / count) / SD_WITHIN_3
    return np.asarray(sd[:, 0], dtype=float)


def _patch_codes(
    rgb: NDArray[np.uint8], plane: PlaneMap, rect_mm: tuple[float, float, float, float], shrink: float = 0.3
) -> WindowView | None:
    """The inner part of a printed patch; None where it lies outside the picture or is too small."""
    x, y, w, h = rect_mm
    corners = plane.to_px(np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]]))
    inside = (corners >= 0).all() and (corners < [rgb.shape[1], rgb.shape[0]]).all()
    if not inside:
        return None
    try:
        return view_window(rgb, corners, shrink)
    except ValueError:
        return None


def _patch_level(
    rgb: NDArray[np.uint8], plane: PlaneMap, rect_mm: tuple[float, float, float, float], tone: Tone
) -> FloatArray | None:
    view = _patch_codes(rgb, plane, rect_mm)
    if view is None:
        return None
    return np.asarray(tone.to_linear(np.ascontiguousarray(view.rgb))[view.mask > 0].mean(axis=0), dtype=float)


def _patch_noise(
    rgb: NDArray[np.uint8], plane: PlaneMap, rect_mm: tuple[float, float, float, float], tone: Tone
) -> float | None:
    view = _patch_codes(rgb, plane, rect_mm)
    if view is None:
        return None
    codes = grey_of(view.rgb)[view.mask > 0].astype(np.float32)
    return float(_sd_without_outliers(codes[None])[0] * tone.slope_at(np.array([np.median(codes)]))[0])
