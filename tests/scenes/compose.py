"""Paper, print and debris to the linear picture behind the lens.

Drawn on a grid some times finer than the photo's pixels, blurred by the lens there, then averaged to pixels.
The paper is one grey plane that pieces dim and hide; what the pieces send out is added piece by piece.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.camera import Camera, CameraMap
from tests.scenes.debris import Piece
from tests.scenes.grounds import Laid
from tests.scenes.light import Light, Patch, draw_piece, illumination
from tests.scenes.noise import Field, crop_wrapped
from tests.scenes.paper import Paper, Printed, paper_texture

TILE_PX = 512
WIDE_BLUR_PX = 3.0
COVER_REFLECTANCE = 0.1
LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)

Box = tuple[int, int, int, int]  # first row, first column, end row, end column, in photo pixels


@dataclass(frozen=True)
class Ground:
    """What debris lies on: paper, a print or none, round things hiding it (true mm), what is laid on."""

    paper: Paper
    card: Printed | None = None
    covers: tuple[tuple[float, float, float], ...] = ()
    seed: int = 0
    laid: tuple[Laid, ...] = ()


def compose(
    ground: Ground, pieces: tuple[Piece, ...], light: Light, view: CameraMap
) -> tuple[Field, NDArray[np.float64]]:
    """Return the blurred noiseless linear picture (H, W, 3) and each piece's contrast (N,).

    Paper in full light is as bright as its reflectance. A contrast is the light missing inside the
    silhouette, relative to the paper's; negative where the piece is brighter than what is under it.
    """
    camera = view.camera
    picture = np.zeros((camera.height_px, camera.width_px, 3), np.float32)
    dims: list[tuple[tuple[int, int], Field]] = []
    contrast = np.zeros(len(pieces))
    for k, piece in enumerate(pieces):
        patch = _lit(draw_piece(piece, light, view), piece, ground, light)
        contrast[k] = _contrast(patch, piece, ground)
        _add_own_light(picture, patch, view, float(view.blur_px(np.array([piece.centre_mm]))[0]))
        dims.append((patch.first, patch.shade * (1 - patch.cover * (1 - patch.through))))
    sheet = paper_texture(ground.paper, camera.um_per_px / camera.supersample, ground.seed)
    margin = int(np.ceil(_reach(camera, _worst_blur(view))))
    tint = np.array(ground.paper.tint, np.float32)
    for row in range(0, camera.height_px, TILE_PX):
        for col in range(0, camera.width_px, TILE_PX):
            part = picture[row : row + TILE_PX, col : col + TILE_PX]
            end_row, end_col = row + part.shape[0], col + part.shape[1]
            box = (row - margin, col - margin, end_row + margin, end_col + margin)
            seen = _to_pixels(_paper_tile(ground, sheet, dims, view, box, light), view, box)
            seen = seen[margin:-margin, margin:-margin]
            part += seen if ground.laid else seen[..., None] * tint
    _light_up(picture, light, view)
    return picture, contrast


def _paper_tile(
    ground: Ground,
    sheet: Field,
    dims: list[tuple[tuple[int, int], Field]],
    view: CameraMap,
    box: Box,
    light: Light,
) -> Field:
    """Return the shaded sheet on the fine grid, (h, w), or (h, w, 3) if something is laid on it."""
    fine = view.camera.supersample
    shape = ((box[2] - box[0]) * fine, (box[3] - box[1]) * fine)
    grey = crop_wrapped(sheet, box[0] * fine, box[1] * fine, shape)
    offset = 0.5 / fine - 0.5
    if ground.card is not None or ground.laid:
        x, y = view.grid_mm((box[1] + offset, box[0] + offset), shape, fine)
    if ground.card is not None:
        grey = ground.card.read(x, y, grey)
        for cover_x, cover_y, radius in ground.covers:
            grey[(x - np.float32(cover_x)) ** 2 + (y - np.float32(cover_y)) ** 2 < radius**2] = (
                COVER_REFLECTANCE
            )
    if ground.laid:
        grey = grey[..., None] * np.array(ground.paper.tint, np.float32)
    for laid in ground.laid:
        grey = laid.read(x, y, grey, light)
    for first, dim in dims:
        here, there = _overlap(dim.shape, (first[1] - box[0] * fine, first[0] - box[1] * fine), shape)
        grey[here] *= dim[there][..., None] if ground.laid else dim[there]
    return grey


def _lit(patch: Patch, piece: Piece, ground: Ground, light: Light) -> Patch:
    """Light the piece as the ground there is lit."""
    level = float(np.prod([laid.level(*piece.centre_mm, light) for laid in ground.laid]))
    return replace(patch, colour=patch.colour * np.float32(level)) if ground.laid else patch


def _add_own_light(picture: Field, patch: Patch, view: CameraMap, blur_px: float) -> None:
    camera = view.camera
    fine, margin = camera.supersample, int(np.ceil(_reach(camera, blur_px)))
    col, row = patch.first[0] // fine - margin, patch.first[1] // fine - margin
    left, top = patch.first[0] - col * fine, patch.first[1] - row * fine
    height, width = patch.cover.shape
    size = (-(-(left + width) // fine) + margin, -(-(top + height) // fine) + margin)
    own = np.zeros((size[1] * fine, size[0] * fine, 3), np.float32)
    own[top : top + height, left : left + width] = patch.cover[..., None] * patch.colour
    seen = _seen(own, camera, blur_px, size)
    here, there = _overlap(seen.shape[:2], (row, col), picture.shape[:2])
    picture[here] += seen[there]


def _contrast(patch: Patch, piece: Piece, ground: Ground) -> float:
    under = ground.paper.reflectance
    if ground.card is not None:
        x, y = (np.full((1, 1), mm, np.float32) for mm in piece.centre_mm)
        under = float(ground.card.read(x, y, np.full((1, 1), under, np.float32))[0, 0])
    sent = patch.colour @ LUMINANCE + patch.through * patch.shade * under
    inside = float((sent * patch.cover).sum() / max(float(patch.cover.sum()), 1e-9))
    return (under - inside) / ground.paper.reflectance


def _to_pixels(tile: Field, view: CameraMap, box: Box) -> Field:
    """Blur the fine tile and average it to pixels; where the blur varies, mix two blurs by their variance."""
    camera = view.camera
    size = (box[3] - box[1], box[2] - box[0])
    if not camera.aperture_mm:
        return _seen(tile, camera, camera.blur_px, size)
    x, y = view.grid_mm((box[1], box[0]), (size[1], size[0]), 1)
    variance = view.blur_px(np.column_stack([x.ravel(), y.ravel()])).reshape(x.shape) ** 2
    low, high = float(variance.min()), float(variance.max())
    part = ((variance - low) / max(high - low, 1e-9)).astype(np.float32)
    sharp, soft = (_seen(tile, camera, float(np.sqrt(v)), size) for v in (low, high))
    return np.asarray(sharp + part * (soft - sharp))


def _seen(tile: Field, camera: Camera, blur_px: float, size: tuple[int, int]) -> Field:
    """Blur the fine tile and average it to pixels; a wide blur hides the pixels, so it may come after."""
    if blur_px > WIDE_BLUR_PX:
        return _lens_blur(_shrink(tile, size), camera, blur_px)
    variance = (blur_px * camera.supersample) ** 2 - 1 / 12  # fine points average over their own square
    return _shrink(_lens_blur(tile, camera, np.sqrt(max(variance, 0.0))), size)


def _lens_blur(picture: Field, camera: Camera, sigma: float) -> Field:
    if sigma < 0.1:
        return picture
    blurred = cv2.GaussianBlur(picture, (0, 0), sigma)
    if camera.halo:
        wide = cv2.GaussianBlur(picture, (0, 0), 2.5 * sigma)
        blurred = cv2.addWeighted(blurred, 1 - camera.halo, wide, camera.halo, 0)
    return np.asarray(blurred)


def _reach(camera: Camera, blur_px: float) -> float:
    """Return how far the lens spreads light, in pixels."""
    return 4 * blur_px * (2.5 if camera.halo else 1) + 2


def _shrink(tile: Field, size: tuple[int, int]) -> Field:
    return np.asarray(cv2.resize(tile, size, interpolation=cv2.INTER_AREA))


def _light_up(picture: Field, light: Light, view: CameraMap) -> None:
    height, width = picture.shape[:2]
    across = (np.arange(width) - view.centre_px[0]) ** 2
    for row in range(0, height, 256):
        band = picture[row : row + 256]
        x, y = view.grid_mm((0, row), (len(band), width), 1)
        down = (np.arange(row, row + len(band)) - view.centre_px[1]) ** 2
        radius2 = (down[:, None] + across) / (view.centre_px**2).sum()
        level = illumination(light, view, x, y) * (1 - light.vignetting * radius2)
        band *= (level[..., None] * np.array(light.colour)).astype(np.float32)
        if light.glare:
            away2 = (x - light.glare[0]) ** 2 + (y - light.glare[1]) ** 2
            band += (light.glare[3] * np.exp(-away2 / (2 * light.glare[2] ** 2)))[..., None].astype(
                np.float32
            )


def _worst_blur(view: CameraMap) -> float:
    width, height = view.camera.width_px, view.camera.height_px
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], dtype=float)
    return float(view.blur_px(view.to_mm(corners)).max())


def _overlap(
    shape: tuple[int, ...], first: tuple[int, int], into: tuple[int, ...]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Return what a block of `shape` laid at (row, column) `first` shares with `into`: slices of both."""
    low = [min(max(at, 0), side) for at, side in zip(first, into, strict=True)]
    high = [
        max(min(at + size, side), at_low)
        for at, size, side, at_low in zip(first, shape, into, low, strict=True)
    ]
    here = (slice(low[0], high[0]), slice(low[1], high[1]))
    there = (slice(low[0] - first[0], high[0] - first[0]), slice(low[1] - first[1], high[1] - first[1]))
    return here, there
