"""Rendered scenes that kinds are learnt and tried on: what varies is materials, surfaces, lights and phones.

    python -m tests.benchmarks.kinds_scenes FOLDER learn|calibrate|try [FIRST COUNT]

`learn` and `calibrate` draw from one palette, `try` from another one with surfaces and lights from wider
ranges, so that it shows materials and lights that nothing was learnt on. One seed, one scene; a scene takes
some fifteen seconds. Needs the extra `samples`, like the sample photos.

Colours are linear reflectances chosen by eye for plausibility; they are not measurements.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.develop import Phone, develop
from sample_images.development import MIXES, PALE_MIX, phone
from sample_images.kinds import FLECK_MM, GRAINS, Colour, Finish, Look, Piece, fibre, grain
from sample_images.light import Lamp
from sample_images.meshes import Mesh, moved, scaled
from sample_images.sheet import Sheet, albedo, card_positions
from sample_images.trace import Stage, trace

Rng = np.random.Generator
WIDTH_PX, HEIGHT_PX = 800, 600
PIECES, FIBRES = 150, 14
DARK_SHARE = 0.3
MARGIN = 0.04  # of the width, kept clear of debris
SAMPLES = 25  # light paths for each pixel where debris or shadow shows
TRUTH = [("x_px", "f8"), ("y_px", "f8"), ("ecd_px", "f8"), ("kind", "U16")]
Truth = NDArray[np.void]

LEARN: dict[str, tuple[Colour, ...]] = {
    "rust": (
        (0.17, 0.060, 0.022),
        (0.25, 0.095, 0.030),
        (0.085, 0.037, 0.022),
        (0.34, 0.145, 0.045),
        (0.20, 0.050, 0.028),
        (0.33, 0.175, 0.060),
    ),
    "grit": (
        (0.16, 0.14, 0.12),
        (0.30, 0.23, 0.15),
        (0.07, 0.068, 0.066),
        (0.38, 0.31, 0.22),
        (0.20, 0.13, 0.08),
        (0.22, 0.22, 0.22),
    ),
    "sand": ((0.62, 0.53, 0.40), (0.70, 0.66, 0.60), (0.55, 0.42, 0.28), (0.74, 0.70, 0.63)),
    "plant": (
        (0.14, 0.105, 0.038),
        (0.085, 0.095, 0.030),
        (0.20, 0.15, 0.06),
        (0.06, 0.042, 0.020),
        (0.33, 0.26, 0.12),
        (0.11, 0.15, 0.045),
    ),
    "rubber": ((0.014, 0.014, 0.014), (0.022, 0.021, 0.020), (0.030, 0.030, 0.031), (0.042, 0.041, 0.040)),
    "bright_metal": ((0.90, 0.90, 0.91), (0.82, 0.81, 0.80), (0.93, 0.90, 0.86), (0.70, 0.70, 0.71)),
    "swarf": ((0.90, 0.90, 0.91), (0.82, 0.81, 0.80), (0.93, 0.90, 0.86), (0.72, 0.71, 0.70)),
    "clear_plastic": ((1.0, 1.0, 1.0),),
    "white_corrosion": ((0.72, 0.72, 0.70), (0.66, 0.67, 0.66), (0.78, 0.77, 0.76), (0.62, 0.61, 0.57)),
    "green_corrosion": ((0.11, 0.34, 0.27), (0.16, 0.42, 0.36), (0.08, 0.25, 0.28), (0.22, 0.42, 0.30)),
    "filter_paper": ((0.52, 0.42, 0.24), (0.58, 0.50, 0.33), (0.62, 0.57, 0.45), (0.46, 0.34, 0.18)),
    "soot": ((0.012, 0.012, 0.012), (0.018, 0.018, 0.018), (0.026, 0.025, 0.024)),
    "gum": ((0.85, 0.55, 0.20), (0.75, 0.40, 0.12), (0.90, 0.68, 0.35), (0.60, 0.28, 0.10)),
    "toner": ((0.036, 0.036, 0.036), (0.028, 0.028, 0.029), (0.048, 0.048, 0.048)),
    "fibre": (
        (0.02, 0.03, 0.09),
        (0.03, 0.03, 0.03),
        (0.10, 0.045, 0.02),
        (0.12, 0.02, 0.02),
        (0.62, 0.66, 0.72),
        (0.66, 0.58, 0.44),
        (0.25, 0.25, 0.26),
    ),
}
TRY: dict[str, tuple[Colour, ...]] = {
    "rust": ((0.28, 0.120, 0.045), (0.13, 0.045, 0.022), (0.21, 0.075, 0.030), (0.11, 0.052, 0.032)),
    "grit": ((0.24, 0.21, 0.17), (0.11, 0.10, 0.095), (0.33, 0.29, 0.24), (0.26, 0.18, 0.12)),
    "sand": ((0.66, 0.59, 0.48), (0.58, 0.48, 0.35), (0.71, 0.68, 0.64)),
    "plant": ((0.17, 0.130, 0.050), (0.10, 0.085, 0.030), (0.28, 0.22, 0.10), (0.07, 0.10, 0.035)),
    "rubber": ((0.018, 0.018, 0.018), (0.026, 0.025, 0.024), (0.036, 0.035, 0.034)),
    "bright_metal": ((0.86, 0.86, 0.86), (0.78, 0.77, 0.75)),
    "swarf": ((0.87, 0.86, 0.85), (0.77, 0.77, 0.78)),
    "clear_plastic": ((1.0, 1.0, 1.0),),
    "white_corrosion": ((0.70, 0.69, 0.68), (0.75, 0.75, 0.74)),
    "green_corrosion": ((0.13, 0.38, 0.28), (0.10, 0.28, 0.25), (0.20, 0.45, 0.42)),
    "filter_paper": ((0.55, 0.46, 0.28), (0.60, 0.54, 0.40)),
    "soot": ((0.015, 0.015, 0.015), (0.021, 0.020, 0.020)),
    "gum": ((0.80, 0.48, 0.16), (0.68, 0.35, 0.12)),
    "toner": ((0.032, 0.032, 0.032), (0.042, 0.042, 0.041)),
    "fibre": ((0.03, 0.045, 0.12), (0.05, 0.05, 0.05), (0.14, 0.07, 0.03), (0.68, 0.66, 0.62)),
}


@dataclass(frozen=True)
class Shot:
    """One photograph to render."""

    seed: int
    camera: Camera
    stage: Stage
    phone: Phone
    dark: bool


@dataclass(frozen=True)
class Campaign:
    """A set of scenes: its palette, seeds, how far materials stray, how far surfaces and lights range."""

    palette: dict[str, tuple[Colour, ...]]
    first_seed: int
    count: int
    stray: float
    wide: float
    usual_mixes: bool  # half of the scenes with few kinds as filters hold them, else all kinds in all


CAMPAIGNS = {
    "learn": Campaign(LEARN, 70_000, 200, 1.0, 1.0, usual_mixes=False),
    "calibrate": Campaign(LEARN, 80_000, 16, 1.0, 1.0, usual_mixes=True),
    "try": Campaign(TRY, 90_000, 20, 1.0, 1.3, usual_mixes=True),
}


def scene_of(campaign: Campaign, number: int) -> Shot:
    """Draw one scene of a campaign from its number."""
    seed = campaign.first_seed + number
    rng = np.random.default_rng([seed, 11])
    um_per_px = float(rng.choice([33.0, 24.0, 12.0]))
    camera = Camera(
        WIDTH_PX,
        HEIGHT_PX,
        um_per_px,
        (WIDTH_PX * um_per_px / 2000, HEIGHT_PX * um_per_px / 2000),
        tilt_deg=float(rng.uniform(0, 6)),
        azimuth_deg=float(rng.uniform(0, 360)),
        pupil_mm=1.0 if um_per_px < 20 else 2.2,
    )
    dark = bool(rng.random() < DARK_SHARE)
    pieces = _pieces(campaign, number, camera, dark, rng)
    stage = Stage(tuple(pieces), _lamp(campaign.wide, rng), finish=_finish(campaign.wide, rng))
    return Shot(seed, camera, stage, phone(rng), dark)


def photograph(shot: Shot) -> tuple[NDArray[np.uint8], Truth]:
    """Picture (rows, columns, 3) as it comes out of a JPEG, and what lies where in it."""
    rng = np.random.default_rng(shot.seed)
    camera = shot.camera
    positions = card_positions(camera)
    paper = albedo(Sheet(dark=shot.dark), positions, rng)
    mask, debris, factor = trace(shot.stage, camera, paper, SAMPLES, shot.seed)
    light = paper.copy()
    light[mask] = debris + factor * paper[mask]
    spots = positions.reshape(-1, 2).astype(np.float64)
    even = shot.stage.lamp.evenness(spots, camera.target_mm).reshape(light.shape[:2]).astype(np.float32)
    defocus = camera.defocus_sigma_px(spots).reshape(light.shape[:2]).astype(np.float32)
    picture = develop(light * (even / even.max() / 0.8)[..., None], defocus, shot.phone, rng)
    coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, shot.phone.quality])[1]
    return np.asarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1], np.uint8), _truth(shot)


def _truth(shot: Shot) -> Truth:
    truth = np.zeros(len(shot.stage.pieces), TRUTH)
    for row, piece in zip(truth, shot.stage.pieces, strict=True):
        seen = shot.camera.to_px(piece.mesh.vertices).astype(np.float32)
        hull = cv2.convexHull(seen)[:, 0]
        row["kind"] = piece.kind
        row["ecd_px"] = np.sqrt(4 * cv2.contourArea(hull) / np.pi)
        row["x_px"], row["y_px"] = seen.mean(axis=0) if piece.kind == "fibre" else _centre(hull)
    return truth


def _centre(hull: NDArray[np.float32]) -> NDArray[np.float64]:
    moments = cv2.moments(hull)
    return np.array([moments["m10"], moments["m01"]]) / moments["m00"]


def _pieces(campaign: Campaign, number: int, camera: Camera, dark: bool, rng: Rng) -> list[Piece]:
    """Pieces laid out with clear paper between the circles round them, biggest first."""
    pixel_mm = camera.um_per_px / 1000
    looks = {name: _look(name, campaign, dark, rng) for name in campaign.palette}
    parts = _parts(campaign, number, dark, rng)
    chosen = rng.choice(list(parts), PIECES, p=np.array(list(parts.values())) / sum(parts.values()))
    median, spread = rng.uniform(4, 9), rng.uniform(1.6, 2.1)
    sizes = np.clip(median * np.exp(rng.normal(0, np.log(spread), PIECES)), 1.5, 45) * pixel_mm
    made = [
        _sized(grain(str(name), rng, looks[str(name)]), size)
        for name, size in zip(chosen, sizes, strict=True)
    ]
    for _ in range(int(rng.integers(3, FIBRES))):
        length, width = 40 * np.exp(rng.normal(0, 0.5)), rng.uniform(0.8, 4)
        made.append(fibre(rng, looks["fibre"], *(1000 * pixel_mm * np.array([length, width]))))
    return _laid_out(made, camera, rng)


def _parts(campaign: Campaign, number: int, dark: bool, rng: Rng) -> dict[str, float]:
    if campaign.usual_mixes and number % 2:
        return dict(PALE_MIX if dark else MIXES[number // 2 % len(MIXES)])
    parts = dict(zip(GRAINS, rng.gamma(1.5, size=len(GRAINS)) + 0.1, strict=True))
    if not dark:  # what is as pale as the paper hardly shows on it
        parts |= {name: 0.4 * parts[name] for name in ("sand", "white_corrosion")}
    return parts


def _sized(piece: Piece, ecd_mm: float) -> Piece:
    """Scaled by its hull; a ragged or curled piece comes out a little smaller, which does not matter here."""
    hull = cv2.convexHull(piece.mesh.vertices[:, :2].astype(np.float32))
    mesh = scaled(piece.mesh, ecd_mm / float(np.sqrt(4 * cv2.contourArea(hull) / np.pi)))
    if piece.kind == "toner":
        mesh = Mesh(mesh.vertices * [1, 1, FLECK_MM / np.ptp(mesh.vertices[:, 2])], mesh.faces)
    return replace(piece, mesh=mesh)


def _laid_out(made: list[Piece], camera: Camera, rng: Rng) -> list[Piece]:
    width, height = (side * camera.um_per_px / 1000 for side in (WIDTH_PX, HEIGHT_PX))
    middles = [(piece.mesh.vertices.min(axis=0) + piece.mesh.vertices.max(axis=0))[:2] / 2 for piece in made]
    radii = np.array(
        [
            np.hypot(*(piece.mesh.vertices[:, :2] - middle).T).max()
            for piece, middle in zip(made, middles, strict=True)
        ]
    )
    placed: list[Piece] = []
    taken = np.zeros((0, 3))
    gap = 5 * camera.um_per_px / 1000
    for k in np.argsort(-radii):
        border = MARGIN * width + radii[k]
        for _ in range(300):
            spot = rng.uniform([border, border], [width - border, height - border])
            if (np.hypot(*(taken[:, :2] - spot).T) > taken[:, 2] + radii[k] + gap).all():
                x, y = spot * [1, -1] - middles[k]
                placed.append(replace(made[k], mesh=moved(made[k].mesh, float(x), float(y))))
                taken = np.vstack([taken, [*spot, radii[k]]])
                break
    return placed


def _look(name: str, campaign: Campaign, dark: bool, rng: Rng) -> Look:
    """This scene's batch of a material: some of its colours, a little brighter, darker or tinted."""
    known = campaign.palette[name]
    if name == "fibre":
        known = known[-3:] if dark else known[:-1]
    chosen = rng.choice(len(known), min(len(known), int(rng.integers(1, 4))), replace=False)
    bright, tint = (
        np.exp(rng.normal(0, 0.12 * campaign.stray)),
        np.exp(rng.normal(0, 0.03 * campaign.stray, 3)),
    )
    colours = [np.clip(np.array(known[k]) * bright * tint, 0.005, 0.97) for k in chosen]
    usual = GRAINS[name][1] if name in GRAINS else Look("matt", (), 0.1)
    mottle = usual.mottle * float(rng.uniform(0.6, 1.5))
    return replace(usual, colours=tuple((float(r), float(g), float(b)) for r, g, b in colours), mottle=mottle)


def _lamp(wide: float, rng: Rng) -> Lamp:
    """Anything from a dull sky to a bench lamp."""

    def about(low: float, high: float) -> float:
        half = (high - low) / 2 * wide
        return float(rng.uniform((low + high) / 2 - half, (low + high) / 2 + half))

    return Lamp(
        azimuth_deg=about(0, 360),
        elevation_deg=about(37, 63),
        wide_deg=about(16, 48),
        high_deg=about(14, 36),
        share=about(0.3, 0.68),
        warmth=about(-0.07, 0.11),
        fall_per_m=about(0.5, 2.5),
        fall_azimuth_deg=about(0, 360),
    )


def _finish(wide: float, rng: Rng) -> Finish:
    def about(middle: float, factor: float) -> float:
        return float(middle * np.exp(rng.uniform(-1, 1) * wide * np.log(factor)))

    return Finish(about(0.4, 1.6), about(0.22, 1.6), about(0.06, 2.0), about(0.12, 1.8))


def rendered(folder: Path, name: str, number: int) -> Path:
    """Path of scene `number` of the campaign `name`, picture and truth in one file, rendered if not yet."""
    path = folder / f"{name}_{number:03d}.npz"
    if not path.exists():
        folder.mkdir(parents=True, exist_ok=True)
        shot = scene_of(CAMPAIGNS[name], number)
        picture, truth = photograph(shot)
        np.savez_compressed(
            path, picture=picture, truth=truth, um_per_px=shot.camera.um_per_px, dark=shot.dark
        )
    return path


def main() -> None:
    """Render a campaign, or a part of it."""
    folder, name = Path(sys.argv[1]), sys.argv[2]
    first, count = (int(word) for word in sys.argv[3:5]) if len(sys.argv) > 3 else (0, CAMPAIGNS[name].count)
    for number in range(first, first + count):
        print(rendered(folder, name, number), flush=True)


if __name__ == "__main__":
    main()
