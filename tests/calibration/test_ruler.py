"""Scale from a rule: rendered rules of known scale, real graph paper, and pictures that show no rule."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest

from calibration.errors import CalibrationError
from calibration.ruler import DIVISIONS_UM, RuleNotFound, RuleScale, _read, find_rule_scale

PHOTOS = Path(__file__).resolve().parents[2] / ".." / "shared" / "photos"
TEXTURE = 32  # texture pixels per mm
LENGTH_MM, WIDTH_MM = 110, 19
# Mark lengths by rank, shortest first, mm (as on common steel rules; no source).
LENGTHS = {
    "mm": {1: 3.0, 5: 4.5, 10: 6.0},
    "1/2 mm": {1: 2.5, 2: 4.0, 10: 5.5, 20: 7.0},
    "1/16 in": {1: 2.4, 2: 3.3, 4: 4.3, 8: 5.3, 16: 7.0},
    "1/32 in": {1: 2.4, 2: 3.3, 4: 4.3, 8: 5.3, 16: 6.3, 32: 8.5},
    "1/64 in": {1: 2.4, 2: 3.3, 4: 4.3, 8: 5.3, 16: 6.3, 32: 7.3, 64: 9.0},
}


@dataclass(frozen=True)
class View:
    """How a flat texture is seen: scale at its middle, turn, tilt and place, then blur and noise."""

    um_per_px: float
    angle_deg: float = 0.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    shape: tuple[int, int] = (900, 1300)
    aim_mm: tuple[float, float] = (0.0, -6.0)  # the texture's point in the middle of the picture
    blur_px: float = 1.0
    noise: float = 4.0

    def matrix(self, texture_shape: tuple[int, ...]) -> np.ndarray:
        """Texture pixels to picture pixels, through a pinhole 150 mm away."""
        a, tx, ty = np.deg2rad([self.angle_deg, *self.tilt_deg])
        turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        about_x = np.array([[1, 0, 0], [0, np.cos(tx), -np.sin(tx)], [0, np.sin(tx), np.cos(tx)]])
        about_y = np.array([[np.cos(ty), 0, np.sin(ty)], [0, 1, 0], [-np.sin(ty), 0, np.cos(ty)]])
        pose = about_x @ about_y @ turn
        focal = 150_000 / self.um_per_px
        height, width = texture_shape[:2]
        to_mm = np.array(
            [
                [1 / TEXTURE, 0, (0.5 - width / 2) / TEXTURE - self.aim_mm[0]],
                [0, 1 / TEXTURE, (0.5 - height / 2) / TEXTURE - self.aim_mm[1]],
                [0, 0, 1],
            ]
        )
        camera = np.array([[focal, 0, self.shape[1] / 2], [0, focal, self.shape[0] / 2], [0, 0, 1]])
        return camera @ np.column_stack([pose[:, 0], pose[:, 1], [0, 0, 150.0]]) @ to_mm


def ink(x: np.ndarray, width: float) -> np.ndarray:
    """Coverage of lines at whole numbers of `x` (texture pixels to either side of the nearest line)."""
    return np.clip(width + 0.5 - np.abs(x), 0, 1)


def steel_rule(division: str, rng: np.random.Generator, wear: float = 0.3) -> np.ndarray:
    """Brushed steel with engraved marks, numerals, scratches and worn or missing marks; grey."""
    height, width = WIDTH_MM * TEXTURE, LENGTH_MM * TEXTURE
    grain = rng.normal(0, 1, (height, width)).astype(np.float32)
    steel = 175 + cv2.GaussianBlur(grain, (0, 0), sigmaX=50, sigmaY=1.2) * 120
    mm = DIVISIONS_UM[division] / 1000
    x, y = (np.arange(width) + 0.5) / TEXTURE - 5, (np.arange(height) + 0.5) / TEXTURE
    number = np.rint(x / mm).astype(int)
    last = int((LENGTH_MM - 8) / mm)
    long = np.array([max(v for k, v in LENGTHS[division].items() if n % k == 0) for n in range(last + 1)])
    depth = rng.uniform(1 - 0.6 * wear, 1, last + 1) * (rng.random(last + 1) > 0.1 * wear)
    on = (number >= 0) & (number <= last)
    number = number.clip(0, last)
    cover = ink((x - number * mm) * TEXTURE, 0.06 * TEXTURE) * on * depth[number]
    dark = (y[:, None] < long[number]) * cover
    numerals = np.zeros((height, width), np.uint8)
    numbered = 10 if "mm" in division else 25.4
    for count in range(1, int((LENGTH_MM - 8) / numbered) + 1):
        at = (int((5 + numbered * count) * TEXTURE) - 30, int(11.5 * TEXTURE))
        cv2.putText(numerals, str(count), at, cv2.FONT_HERSHEY_DUPLEX, 2.2, 255, 6, cv2.LINE_AA)
    steel *= 1 - 0.75 * np.maximum(dark, numerals / 255)
    for _ in range(int(30 + 120 * wear)):
        start = rng.uniform(0, 1, 2) * (width, height)
        end = start + rng.normal(0, 150, 2)
        shade, thick = float(rng.uniform(110, 235)), int(rng.integers(1, 3))
        cv2.line(steel, start.astype(int).tolist(), end.astype(int).tolist(), shade, thick, cv2.LINE_AA)
    return steel


def graph_paper(ink_rgb: tuple[int, int, int]) -> np.ndarray:
    """1 mm squares, every fifth and tenth line heavier, in a faint colour; RGB."""

    def lines(count: int) -> np.ndarray:
        mm = (np.arange(count) + 0.5) / TEXTURE - 2.3
        number = np.rint(mm).astype(int)
        heavy = np.select([number % 10 == 0, number % 5 == 0], [2.0, 1.5], 1.0)
        return (
            ink((mm - number) * TEXTURE, 1.0) * heavy / 2
            + ink((mm - number) * TEXTURE, 2.5) * (heavy > 1) * 0.3
        )

    cover = np.maximum(lines(15 * TEXTURE)[:, None], lines(LENGTH_MM * TEXTURE)[None, :]).clip(0, 1)
    return 245 - cover[..., None] * (245.0 - np.array(ink_rgb))


def photographed(texture: np.ndarray, view: View, rng: np.random.Generator) -> np.ndarray:
    """The texture on a rough dark ground, blurred, noisy and through JPEG; uint8 RGB."""
    texture = np.repeat(texture[..., None], 3, axis=2) if texture.ndim == 2 else texture
    rough = cv2.GaussianBlur(rng.normal(0, 1, view.shape).astype(np.float32), (0, 0), 3)
    ground = np.repeat((60 + rough * 90)[..., None], 3, axis=2)
    matrix, size = view.matrix(texture.shape), view.shape[::-1]
    seen = cv2.warpPerspective(texture.astype(np.float32), matrix, size)
    cover = cv2.warpPerspective(np.ones(texture.shape[:2], np.float32), matrix, size)[..., None]
    picture = cv2.GaussianBlur(ground * (1 - cover) + seen, (0, 0), view.blur_px)
    picture = np.clip(picture + rng.normal(0, view.noise, picture.shape), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 90])[1], cv2.IMREAD_COLOR)


def true_um_per_px(view: View, texture: np.ndarray, found: RuleScale) -> float:
    """Micrometres per pixel at the place and in the direction that the result names."""
    back = np.linalg.inv(view.matrix(texture.shape))
    direction = np.array([np.cos(np.deg2rad(found.angle_deg)), np.sin(np.deg2rad(found.angle_deg))])
    ends = [back @ [*(np.array(found.centre_px) + side * direction), 1] for side in (-5, 5)]
    apart = ends[1][:2] / ends[1][2] - ends[0][:2] / ends[0][2]
    return float(np.hypot(*apart)) * 1000 / TEXTURE / 10


def relative_error(
    texture: np.ndarray, view: View, rng: np.random.Generator, unit: str | None = None
) -> float:
    found = find_rule_scale(photographed(texture, view, rng), unit=unit)
    error = found.um_per_px / true_um_per_px(view, texture, found) - 1
    assert abs(error) < 3 * found.rel_u
    return error


STEEL = [
    ("mm", View(45, 12), "wide view"),
    ("mm", View(35, 90), "upright"),
    ("mm", View(30, -33, tilt_deg=(6, 4)), "tilted"),
    ("mm", View(25, 140, blur_px=2.0, noise=8), "soft and noisy"),
    ("mm", View(12.5, 25, shape=(1200, 1600)), "microscope"),
    ("1/2 mm", View(40, 5), "wide view"),
    ("1/2 mm", View(25, -70, tilt_deg=(3, 3)), "tilted"),
    ("1/2 mm", View(8, 20, aim_mm=(0, -7)), "close"),
    ("1/64 in", View(45, 3, shape=(900, 1800)), "wide view"),
    ("1/64 in", View(40, 40, shape=(1500, 1500)), "oblique"),
]


@pytest.mark.parametrize(("division", "view", "name"), STEEL, ids=[f"{d} {n}" for d, _, n in STEEL])
def test_steel_rule_within_three_per_mille(division, view, name):
    rng = np.random.default_rng(len(name) + len(division))
    texture = steel_rule(division, rng)
    assert abs(relative_error(texture, view, rng)) < 0.003


def test_the_unit_and_the_direction_are_read():
    rng = np.random.default_rng(5)
    for division in ("mm", "1/2 mm", "1/64 in"):
        found = find_rule_scale(photographed(steel_rule(division, rng), View(42, 20, shape=(900, 1800)), rng))
        assert (found.unit, found.unit_sure) == (division, True)
        assert found.angle_deg == pytest.approx(20, abs=1)
        assert found.fit_rel_u < found.rel_u < 0.006


def test_badly_worn_rule():
    rng = np.random.default_rng(11)
    assert abs(relative_error(steel_rule("mm", rng, wear=0.9), View(35, -15), rng)) < 0.003


def test_white_marks_on_black():
    rng = np.random.default_rng(12)
    assert abs(relative_error(235 - steel_rule("mm", rng), View(30, 8), rng)) < 0.003


def test_rule_with_millimetres_and_inches_on_its_edges():
    rng = np.random.default_rng(13)
    texture = np.minimum(steel_rule("1/2 mm", rng), steel_rule("1/64 in", rng)[::-1])
    assert abs(relative_error(texture, View(40, 10, aim_mm=(0, 0)), rng)) < 0.003


@pytest.mark.parametrize(
    "ink_rgb", [(235, 190, 150), (150, 220, 160), (160, 190, 240)], ids=["red", "green", "blue"]
)
def test_faint_coloured_graph_paper(ink_rgb):
    rng = np.random.default_rng(14)
    texture = graph_paper(ink_rgb)
    for view in (View(30, 7, aim_mm=(0, 0)), View(18, -62, tilt_deg=(4, 4), aim_mm=(0, 0))):
        assert abs(relative_error(texture, view, rng)) < 0.003


def test_inches_with_one_inch_mark_in_view_are_not_guessed():
    rng = np.random.default_rng(15)
    texture, view = steel_rule("1/64 in", rng), View(20, 5)
    with pytest.raises(RuleNotFound, match="name its smallest division"):
        find_rule_scale(photographed(texture, view, rng))
    assert abs(relative_error(texture, view, rng, unit="1/64 in")) < 0.003


@pytest.mark.parametrize("division", LENGTHS)
def test_unit_read_from_the_lengths_of_the_marks_alone(division):
    count = 4 * max(LENGTHS[division]) + 2
    long = np.array([max(v for k, v in LENGTHS[division].items() if n % k == 0) for n in range(count)])
    depth = np.arange(0.1, 12, 0.2)
    strengths = 50.0 * (depth[:, None] < long) + np.random.default_rng(16).normal(0, 5, (len(depth), count))
    reading = _read(strengths)
    assert reading.unit == division
    # Longest marks are taken for whole inches, and said to be no more than that, unless 64ths are seen.
    assert reading.sure == (division not in ("1/16 in", "1/32 in"))


def test_equal_marks_name_no_unit():
    assert _read(np.random.default_rng(18).normal(50, 5, (60, 120))).unit is None


def test_a_wrongly_named_unit_is_refused():
    rng = np.random.default_rng(17)
    picture = photographed(steel_rule("mm", rng), View(40, 5), rng)
    with pytest.raises(RuleNotFound, match="look like"):
        find_rule_scale(picture, unit="1/64 in")
    with pytest.raises(ValueError, match="unit must be one of"):
        find_rule_scale(picture, unit="furlong")


def test_stated_uncertainty_covers_the_error():
    errors = []
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        texture = steel_rule("mm", rng, wear=float(rng.uniform(0, 0.8)))
        view = View(
            float(rng.uniform(25, 45)), float(rng.uniform(-90, 90)), blur_px=float(rng.uniform(0.6, 2))
        )
        found = find_rule_scale(photographed(texture, view, rng))
        errors.append((found.um_per_px / true_um_per_px(view, texture, found) - 1) / found.rel_u)
    assert np.abs(errors).max() < 2


# Micrometres per pixel by autocorrelation of the paper, as stated with the photos; repeatable to 0.3 %.
LENTILS = {"1.jpg": 17.39, "20.jpg": 18.17, "64.jpg": 18.26}


@pytest.mark.parametrize("name", LENTILS)
def test_graph_paper_in_real_photos(name):
    path = PHOTOS / "lentils_graph_paper" / name
    if not path.exists():
        pytest.skip("the shared photos are not beside this checkout")
    found = find_rule_scale(cv2.imread(str(path), cv2.IMREAD_COLOR_RGB))
    assert found.unit == "mm"
    assert found.um_per_px == pytest.approx(LENTILS[name], rel=0.005)


RULELESS = sorted(
    path
    for folder in ("backgrounds", "seeds_microscope", "marker_card", "touching_coins")
    for path in (PHOTOS / folder).glob("*.[jp][pn]g")
)


@pytest.mark.parametrize("path", RULELESS or [None], ids=lambda path: path.stem if path else "none")
def test_real_photos_without_a_rule(path):
    if path is None:
        pytest.skip("the shared photos are not beside this checkout")
    with pytest.raises(RuleNotFound):
        find_rule_scale(cv2.imread(str(path), cv2.IMREAD_COLOR_RGB))


def ruleless(kind: str) -> np.ndarray:
    rng = np.random.default_rng(21)
    y, x = np.mgrid[0:900, 0:1200]
    noise = rng.normal(0, 5, (900, 1200)).astype(np.float32)
    pictures = {
        "blank": np.full((900, 1200), 240.0),
        "noise": 128 + 8 * noise,
        "woven mesh": 120 + 60 * np.maximum(ink(x % 17 - 8, 2), ink(y % 17 - 8, 2)),
        "corduroy": 120 + 60 * np.sin(x / 4 + y / 9),
        "brushed metal": 150 + 30 * cv2.GaussianBlur(noise, (0, 0), sigmaX=40, sigmaY=1),
        "lined paper": 230 - 120 * ink(y % 40 - 20, 1.5),
        "squared paper": 230 - 90 * np.maximum(ink(x % 60 - 30, 1.5), ink(y % 60 - 30, 1.5)),
        "keys": 60 + 120 * ((x % 90 > 12) & (y % 90 > 12)) + 3 * cv2.GaussianBlur(noise, (0, 0), 9),
    }
    return np.clip(pictures[kind] + noise, 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    "kind",
    ["blank", "noise", "woven mesh", "corduroy", "brushed metal", "lined paper", "squared paper", "keys"],
)
def test_even_spacing_alone_is_no_rule(kind):
    with pytest.raises(CalibrationError, match=r"rule|divisions"):
        find_rule_scale(ruleless(kind))


def test_pictures_too_small_to_hold_a_rule():
    for shape in ((16, 16), (64, 64), (100, 40), (64, 64, 3)):
        with pytest.raises(RuleNotFound):
            find_rule_scale(np.full(shape, 200, np.uint8))
