"""The photographs of the sample folder: one invented hire yard, its machines and what came out of them."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from sample_images.camera import Camera
from sample_images.debris import Recipe
from sample_images.develop import Phone
from sample_images.kinds import Piece
from sample_images.light import Lamp
from sample_images.meshes import dropped, tube
from sample_images.rule import Rule
from sample_images.scene import Scene
from sample_images.sheet import Sheet
from tests.scenes.print_model import Print, print_frame

WIDTH_PX, HEIGHT_PX = 4000, 3000
CLEAR_MM = 0.4
"""How far debris keeps from the window's edge."""


@dataclass(frozen=True)
class Photo:
    """One photograph to render: its scene, its sheet, and what the bench would tell the tool about it."""

    name: str
    story: str
    taken: datetime
    scene: Scene
    sheet: Sheet
    command: tuple[str, ...]
    usable: bool = True


BENCH = Lamp(
    azimuth_deg=125, elevation_deg=52, wide_deg=40, high_deg=30, share=0.45, warmth=0.04, fall_per_m=1.5
)
WINDOW_SEAT = Lamp(
    azimuth_deg=40, elevation_deg=45, wide_deg=36, high_deg=28, share=0.5, warmth=-0.03, fall_per_m=1.0
)
OVERCAST = Lamp(
    azimuth_deg=160, elevation_deg=58, wide_deg=60, high_deg=36, share=0.35, warmth=-0.02, fall_per_m=0.6
)
WORK_LIGHT = Lamp(
    azimuth_deg=70, elevation_deg=50, wide_deg=22, high_deg=20, share=0.55, warmth=0.08, fall_per_m=2.0
)
PHONE = Phone()
YARD_PRINTER = Print(number=3, growth_um=12.0, scale=(1.004, 0.997))
SITE_PRINTER = Print(number=5, growth_um=20.0, scale=(0.996, 0.992))


def on_card(scene: Scene, spec: Print) -> tuple[Scene, Sheet]:
    """Print the card and centre the camera and the debris on it, wherever the printer put it."""
    from calibration.card import make_frame

    printed = print_frame(spec)
    x, y, width, height = make_frame(spec.frame, number=spec.number, dark=spec.dark).debris_rect_mm
    drawn = np.array([[x + CLEAR_MM, y + CLEAR_MM], [x + width - CLEAR_MM, y + height - CLEAR_MM]])
    (left, top), (right, bottom) = printed.place.to_true(drawn)
    window = (float(left), float(top), float(right - left), float(bottom - top))
    camera = replace(scene.camera, target_mm=printed.middle_mm())
    return replace(scene, camera=camera, window_mm=window), Sheet(printed)


def _wide(um_per_px: float, roll_deg: float, tilt_deg: float = 2.0, azimuth_deg: float = 80.0) -> Camera:
    return Camera(WIDTH_PX, HEIGHT_PX, um_per_px, (0, 0), tilt_deg, azimuth_deg, roll_deg, k1=0.012, k2=-0.01)


def _scene(seed: int, camera: Camera, recipe: Recipe, lamp: Lamp, phone: Phone = PHONE) -> Scene:
    return Scene(seed, camera, (0, 0, 1, 1), recipe, lamp=lamp, phone=phone)


def pressure_washer_before() -> Photo:
    """PW-07, in-line filter after 140 h: a rusting tank."""
    parts = {"rust": 9.0, "grit": 3.0, "rubber": 0.6, "green_corrosion": 0.2, "bright_metal": 0.2}
    recipe = Recipe(parts, 620, fibres=14, median_um=145, spread=2.0, touching=0.05)
    scene, sheet = on_card(_scene(11, _wide(36, 1.5), recipe, BENCH), replace(YARD_PRINTER, seed=3))
    return Photo(
        "pressure_washer_PW-07_before",
        "Pressure washer PW-07, in-line filter at the 140 h service, before the tank clean: mostly rust.",
        datetime(2026, 3, 9, 8, 42),
        scene,
        sheet,
        _told(
            "PW-07",
            "--origin filter --element paper --installed 150 --fuel petrol --hours 140 --noticed none",
        ),
    )


def pressure_washer_after() -> Photo:
    """PW-07, the same filter 140 h after the clean."""
    recipe = Recipe({"rust": 3, "grit": 3, "rubber": 0.5}, 62, fibres=6, median_um=105, spread=1.7)
    scene, sheet = on_card(
        _scene(12, _wide(35.5, -1.2, 3.0, 200), recipe, OVERCAST), replace(YARD_PRINTER, seed=4)
    )
    return Photo(
        "pressure_washer_PW-07_after",
        "Pressure washer PW-07, in-line filter 140 h after the tank was cleaned and treated.",
        datetime(2026, 6, 22, 9, 5),
        scene,
        sheet,
        _told(
            "PW-07",
            "--origin filter --element paper --installed 150 --fuel petrol --hours 140 --noticed none",
        ),
    )


def trash_pump() -> Photo:
    """TP-03, sand and chaff through an open filler."""
    parts = {"grit": 7.0, "plant": 2.2, "filter_paper": 0.3, "soot": 0.4, "rubber": 0.3}
    recipe = Recipe(parts, 760, fibres=18, median_um=115, spread=1.9, touching=0.04)
    scene, sheet = on_card(
        _scene(13, _wide(35.5, 1.8, 4, 20), recipe, WINDOW_SEAT), replace(YARD_PRINTER, seed=5)
    )
    return Photo(
        "trash_pump_TP-03",
        "Trash pump TP-03, tank strainer: site grit and bits of plant that came in with the fuel can.",
        datetime(2026, 4, 14, 15, 20),
        scene,
        sheet,
        _told(
            "TP-03",
            "--origin filter --element screen --installed 150 --fuel petrol --hours 60 --noticed none",
        ),
    )


def generator_pale() -> Photo:
    """GN-12, pale debris that white paper would hide."""
    parts = {"sand": 6.0, "clear_plastic": 0.8, "white_corrosion": 1.6, "filter_paper": 0.5}
    recipe = Recipe(parts, 330, fibres=22, pale_fibres=True, median_um=120, spread=1.9)
    phone = replace(PHONE, paper_level=0.82)
    camera = _wide(35.5, -1.5, 2.5, 300)
    scene, sheet = on_card(_scene(14, camera, recipe, BENCH, phone), replace(YARD_PRINTER, seed=6, dark=True))
    return Photo(
        "generator_GN-12_pale_debris",
        "Generator GN-12, carburettor bowl: sand, clear plastic and pale fibres on the dark card.",
        datetime(2026, 5, 5, 11, 32),
        scene,
        sheet,
        _told(
            "GN-12",
            "--origin bowl --element paper --installed 75 --fuel e10 --hours 220 --noticed white_corrosion",
        ),
    )


def compactor() -> Photo:
    """PC-02, photographed at a slant."""
    parts = {"rust": 9.0, "grit": 1.0, "rubber": 0.8, "swarf": 0.3}
    recipe = Recipe(parts, 260, fibres=34, median_um=150, spread=1.9, fibre_length_um=1700)
    scene, sheet = on_card(
        _scene(15, _wide(37, -2.0, 12, 65), recipe, WORK_LIGHT), replace(SITE_PRINTER, seed=7)
    )
    return Photo(
        "plate_compactor_PC-02_tilted",
        "Plate compactor PC-02, in-line filter: rust flakes and fibres, the phone held at 12 degrees.",
        datetime(2026, 5, 19, 16, 48),
        scene,
        sheet,
        _told(
            "PC-02", "--origin filter --element screen --installed 75 --fuel petrol --hours 95 --noticed none"
        ),
    )


def generator_blurred() -> Photo:
    """GN-05, focus missed: to be refused."""
    recipe = Recipe({"grit": 4, "rust": 3, "rubber": 1}, 220, fibres=8, median_um=120, spread=1.9)
    phone = replace(PHONE, lens_sigma_px=6.5)
    scene, sheet = on_card(_scene(16, _wide(36, 1.0), recipe, OVERCAST, phone), replace(YARD_PRINTER, seed=8))
    return Photo(
        "generator_GN-05_blurred",
        "Generator GN-05, in-line filter: the phone missed its focus. No size can be read from this photo.",
        datetime(2026, 5, 20, 7, 55),
        replace(scene, samples=16),
        sheet,
        _told(
            "GN-05", "--origin filter --element paper --installed 75 --fuel petrol --hours 180 --noticed none"
        ),
        usable=False,
    )


def trash_pump_rule() -> Photo:
    """TP-04, no card at hand: a steel rule."""
    recipe = Recipe(
        {"grit": 6, "plant": 1, "rust": 2, "rubber": 0.5}, 210, fibres=8, median_um=140, spread=1.9
    )
    camera = replace(_wide(30, 0.0, 1.0, 90), target_mm=(60.0, 45.0))
    scene = replace(
        _scene(17, camera, recipe, OVERCAST),
        window_mm=(8, 8, 104, 52),
        rule=Rule((-8.0, 68.0), -1.4),
        samples=16,
    )
    return Photo(
        "trash_pump_TP-04_steel_rule",
        "Trash pump TP-04, tank strainer: no card at hand, so a steel rule beside the debris on plain paper.",
        datetime(2026, 6, 2, 10, 12),
        scene,
        Sheet(),
        (
            "--rule",
            *_told(
                "TP-04",
                "--origin filter --element screen --installed 150 --fuel petrol --hours 40 --noticed none",
            ),
        ),
    )


def pressure_washer_closeup() -> Photo:
    """PW-07 again, the fine part of the same debris in macro mode."""
    recipe = Recipe(
        {"rust": 8, "grit": 3, "rubber": 0.6, "bright_metal": 0.3},
        330,
        fibres=6,
        median_um=48,
        spread=1.9,
        smallest_um=10,
        biggest_um=420,
        fibre_length_um=600,
        fibre_widths_um=(10, 28),
    )
    camera = replace(_wide(11.2, 0.8, 0.8, 30), pupil_mm=0.9)
    phone = replace(PHONE, lens_sigma_px=1.3)
    spec = replace(YARD_PRINTER, frame="closeup", seed=9)
    scene, sheet = on_card(_scene(18, camera, recipe, BENCH, phone), spec)
    return Photo(
        "pressure_washer_PW-07_close-up",
        "Pressure washer PW-07, in-line filter before the tank clean: fine debris in the phone's macro mode,"
        " a wire laid in the groove.",
        datetime(2026, 3, 9, 8, 47),
        replace(scene, add=(_wire(spec, sheet),)),
        sheet,
        _told(
            "PW-07",
            "--origin filter --element paper --installed 150 --fuel petrol --hours 140 --noticed none",
        ),
    )


def _wire(spec: Print, sheet: Sheet) -> Piece:
    """A straight dark wire 0.3 mm thick along the card's groove."""
    from calibration.card import make_frame

    groove = make_frame(spec.frame, number=spec.number).groove
    if groove is None or sheet.printed is None:
        raise ValueError(f"the {spec.frame} frame has no groove")
    x, y, width, height = groove
    ends = np.array([[x + 0.42 * width, y + 0.06 * height], [x + 0.55 * width, y + 0.95 * height]])
    true = sheet.printed.place.to_true(ends) * [1, -1]
    line = true[0] + np.linspace(0, 1, 20)[:, None] * (true[1] - true[0])
    mesh = dropped(tube(np.column_stack([line, np.zeros(20)]), 0.15, sides=32))
    return Piece("wire", mesh, np.full((len(mesh.vertices), 3), 0.03), "gloss")


def _told(machine: str, options: str) -> tuple[str, ...]:
    return ("--machine", machine, "--method", "tipped", "--feed", "gravity", *options.split())


PHOTOS: dict[str, Callable[[], Photo]] = {
    "before": pressure_washer_before,
    "after": pressure_washer_after,
    "trash-pump": trash_pump,
    "pale": generator_pale,
    "tilted": compactor,
    "blurred": generator_blurred,
    "rule": trash_pump_rule,
    "close-up": pressure_washer_closeup,
}
