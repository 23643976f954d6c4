"""Random scenes for measuring accuracy: a set to tune on, and a hidden one drawn apart from it."""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from calibration.card import FrameName, make_frame
from tests.scenes.camera import Camera, CameraMap
from tests.scenes.debris import Debris
from tests.scenes.light import Light
from tests.scenes.materials import OPAQUE_DARK_MIX, PALE_MIX, USUAL_MIX
from tests.scenes.paper import Paper
from tests.scenes.phone import Phone, from_jpeg
from tests.scenes.photograph import Photograph, SceneSpec, photograph
from tests.scenes.print_model import Print, print_map

SET_SEEDS = {"development": 101, "hidden": 90210}
EMPTY_SEED = 4711
PHOTO_PX = (4032, 3024)
FOCUS_TILT_DEG = 10.0
MEASURED: tuple[tuple[FrameName, float, int], ...] = (  # frame, tilt in degrees, markers covered
    ("wide", 0.0, 0),
    ("wide", 8.0, 2),
    ("wide", 16.0, 0),
    ("wide", 25.0, 2),
    ("closeup", 2.0, 0),
    ("closeup", 5.0, 2),
)
EDGE_PX = 40.0  # of picture round the card


@dataclass(frozen=True)
class Scene:
    """One scene of a campaign; `expect` is "measured", "empty" or "refused"."""

    name: str
    expect: str
    spec: SceneSpec


def campaign(set_name: str, size: tuple[int, int] = PHOTO_PX) -> tuple[Scene, ...]:
    """Return the scenes of a set: seven with debris, two empty cards, one blurred."""
    seed = SET_SEEDS[set_name]
    measured = [_scene(seed, k, *kind, size) for k, kind in enumerate(MEASURED)]
    dark = _scene(seed, 10, "closeup", 2.0, 0, size)
    assert dark.spec.card is not None
    pale = replace(dark.spec.debris, mix=PALE_MIX)
    dark = replace(dark, spec=replace(dark.spec, card=replace(dark.spec.card, dark=True), debris=pale))
    empty = [
        _without_debris(_scene(seed, 20, "wide", 3.0, 0, size)),
        _without_debris(_scene(seed, 21, "closeup", 2.0, 0, size)),
    ]
    sharp = _scene(seed, 30, "wide", 3.0, 0, size)
    blurred = replace(sharp.spec, camera=replace(sharp.spec.camera, blur_px=9.0))
    return (*measured, dark, *empty, Scene("blurred", "refused", blurred))


def rendered(scene: Scene, keep: Path) -> Photograph:
    """Render the scene, or read it back from the folder `keep`, where the JPEG and the truth are left."""
    file = keep / f"{scene.name}.jpg"
    truth = file.with_suffix(".pickle")
    if truth.exists():
        spec, kept = pickle.loads(truth.read_bytes())
        if spec == scene.spec:
            jpeg = file.read_bytes()
            return Photograph(from_jpeg(jpeg), jpeg, kept)
    photo = photograph(scene.spec)
    photo.save(file)
    truth.write_bytes(pickle.dumps((scene.spec, photo.truth)))
    return photo


def empty_scene(number: int, frame: FrameName, size: tuple[int, int] = PHOTO_PX) -> SceneSpec:
    """Return one of any number of empty cards, each with its own print, paper, lamp, camera and phone."""
    return _without_debris(_scene(EMPTY_SEED, number, frame, 3.0, 0, size)).spec


def _scene(
    seed: int, index: int, frame: FrameName, tilt: float, covered: int, size: tuple[int, int]
) -> Scene:
    rng = np.random.default_rng([seed, index])
    card = _print(rng, frame, 100 * seed + index)
    markers = make_frame(frame, number=card.number).markers
    hidden = rng.permutation(4)[:covered]
    covers = tuple((*markers[k].centre_mm, 0.62 * markers[k].side_mm) for k in hidden)
    spec = SceneSpec(
        seed=int(rng.integers(1 << 30)),
        card=card,
        debris=_debris(rng, frame, size[0]),
        paper=_paper(rng),
        light=_light(rng),
        camera=_fitted(_camera(rng, frame, tilt, size), card),
        phone=_phone(rng),
        covers=covers,
    )
    return Scene(f"{frame}-{index}-tilt{tilt:.0f}" + ("-covered" if covered else ""), "measured", spec)


def _print(rng: np.random.Generator, frame: FrameName, seed: int) -> Print:
    return Print(
        frame=frame,
        number=int(rng.integers(41)),
        growth_um=rng.uniform(0, 30),
        ragged_um=rng.uniform(10, 20),
        soft_um=rng.uniform(15, 25),
        ink=rng.uniform(0.03, 0.06),
        scale=(1 + rng.uniform(-0.01, 0.01), 1 + rng.uniform(-0.01, 0.01)),
        wave_um=rng.uniform(3, 10),
        seed=seed,
    )


def _debris(rng: np.random.Generator, frame: FrameName, width_px: int) -> Debris:
    pixel_um = (141_000 if frame == "wide" else 46_000) / width_px
    return Debris(
        count=int(rng.integers(250, 700)) if frame == "wide" else int(rng.integers(150, 300)),
        median_um=pixel_um * rng.uniform(4, 7),
        spread=rng.uniform(1.5, 2.0),
        range_um=(1.5 * pixel_um, 90 * pixel_um),
        mix=USUAL_MIX if rng.random() < 0.7 else OPAQUE_DARK_MIX,
        fibre_width_um=(0.6 * pixel_um, 2.0 * pixel_um),
        gap_um=6 * pixel_um,
        touching=0.02,
    )


def _paper(rng: np.random.Generator) -> Paper:
    return Paper(
        reflectance=rng.uniform(0.78, 0.88),
        tint=(1.0, rng.uniform(0.98, 1.0), rng.uniform(0.94, 1.02)),
        fine=rng.uniform(0.008, 0.025),
        cloudy=rng.uniform(0.004, 0.015),
    )


def _light(rng: np.random.Generator) -> Light:
    return Light(
        from_deg=rng.uniform(0, 360),
        elevation_deg=rng.uniform(35, 75),
        direct=rng.uniform(0.2, 0.7),
        lamp_radius=rng.uniform(0.05, 0.25),
        uneven=rng.uniform(0, 0.35),
        vignetting=rng.uniform(0, 0.25),
        colour=(1.0, rng.uniform(0.95, 1.0), rng.uniform(0.85, 1.0)),
    )


def _camera(rng: np.random.Generator, frame: FrameName, tilt: float, size: tuple[int, int]) -> Camera:
    """Draw a camera; beyond FOCUS_TILT_DEG the picture is kept sharp all over, to test the scale alone."""
    aperture_mm = 1.8 if frame == "wide" else 1.2  # phone main and close-up lenses, from memory
    return Camera(
        *size,
        um_per_px=5.0,
        tilt_deg=tilt,
        tilt_towards_deg=rng.uniform(0, 360),
        rotation_deg=float(rng.choice([0, 180])) + rng.uniform(-3, 3),
        focal_px=size[0] * float(rng.choice([0.75, 1.5])),
        k1=rng.uniform(-0.03, 0.03),
        blur_px=rng.uniform(0.8, 1.8),
        halo=rng.uniform(0, 0.12),
        aperture_mm=aperture_mm if tilt <= FOCUS_TILT_DEG else 0.0,
    )


def _phone(rng: np.random.Generator) -> Phone:
    return Phone(
        exposure=rng.uniform(0.75, 0.95),
        noise=rng.uniform(0.006, 0.03),
        demosaic=bool(rng.random() < 0.5),
        chroma_px=rng.uniform(0.8, 2.0),
        denoise=rng.uniform(0, 1),
        sharpen=rng.uniform(0, 0.9),
        sharpen_px=rng.uniform(0.9, 1.6),
        curve=rng.uniform(0, 0.35),
        jpeg_quality=int(rng.integers(82, 97)),
    )


def _fitted(camera: Camera, card: Print) -> Camera:
    """Move the camera back until the whole frame is in the picture."""
    frame = make_frame(card.frame)
    corners = [[x, y] for x in (0, frame.width_mm) for y in (0, frame.height_mm)]
    *corners_mm, middle_mm = print_map(card).to_true(np.array([*corners, np.mean(corners, axis=0)]))
    size = np.array([camera.width_px, camera.height_px])
    while True:
        seen = CameraMap(camera, (middle_mm[0], middle_mm[1])).to_px(np.array(corners_mm))
        if (seen > EDGE_PX).all() and (seen < size - EDGE_PX).all():
            return camera
        camera = replace(camera, um_per_px=camera.um_per_px * 1.02)


def _without_debris(scene: Scene) -> Scene:
    spec = replace(scene.spec, debris=replace(scene.spec.debris, count=0))
    return Scene(scene.name + "-empty", "empty", spec)
