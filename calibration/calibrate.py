"""One photo's calibration: pixels to micrometres, light, noise, blur, and what is wrong with the photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from calibration import kept as store
from calibration.card import Frame
from calibration.errors import CalibrationError
from calibration.flatness import bend_rel_u
from calibration.light import Light, Noise, measure_light, measure_noise
from calibration.locate import Located, locate, outline_of, window_outline
from calibration.photo_check import Problem, check_photo
from calibration.pose import Focal, pose_of
from calibration.scale import PlaneMap, Points, ScaleUncertainty
from calibration.sharpness import Blur, measure_blur
from calibration.squareness import Squareness, squareness_of
from calibration.tone import Tone, grey_of, measure_tone

RectMm = tuple[float, float, float, float]

PRINT_GLOBAL_U = 0.006  # printers are off by up to 1 %: half-width over root 3. Common practice, no source
# What uneven paper feed leaves that a caliper on the long bars does not see. Common practice, no source.
PRINT_LOCAL_U = {
    "wide": 0.0005,
    "cutout": 0.0005,
    "closeup": 0.0015,
    "cutout_closeup": 0.0015,
    "micro": 0.004,
}
LIFT_MM = 0.5  # a sheet as wide as the wide frame lifts up to this far off the plane of its marks
LIFT_PER_WIDTH_MM = 128.0
CUTOUT_STEP_MM = 0.1  # paper under the cut-out frame lies one sheet lower
GRAIN_MM = 0.15  # between 100 and 200 um; half of it stands above the plane
POINTING_PX = 1.0
POSSIBLE_UM_PER_PX = (0.001, 100_000.0)  # below light's own wavelength by far; a room in one picture
LEAST_WINDOW_PX = 8
UNSEEN_TILT_U = (
    0.01  # without marks a tilt of up to 15 degrees goes unseen: cosine 0.97, half-width over root 3
)
STATED_U = 0.005  # a stated number is taken to be right in its last usual place
SCANNER_U = 0.003  # a scanner's transport. From memory, no source


@dataclass(frozen=True)
class ByCard:
    """The printed card in the picture."""


@dataclass(frozen=True)
class ByRule:
    """A steel rule or graph paper in the picture; `unit`: its smallest division, if its marks do not tell."""

    unit: str | None = None


@dataclass(frozen=True)
class ByPoints:
    """Two points (px) a known distance apart (mm)."""

    x1: float
    y1: float
    x2: float
    y2: float
    mm: float


@dataclass(frozen=True)
class ByStated:
    """A scale that the user knows."""

    um_per_px: float


@dataclass(frozen=True)
class ByLens:
    """A fixed-magnification setting kept under a name."""

    name: str


@dataclass(frozen=True)
class ByScanner:
    """The resolution a scanner wrote into the file, dots per inch along x and y."""

    dpi: tuple[float, float]


By = ByCard | ByRule | ByPoints | ByStated | ByLens | ByScanner


@dataclass(frozen=True)
class HowScaled:
    """Where the scale comes from; `window` (x, y, width, height px) limits what counts as debris window."""

    by: By = field(default_factory=ByCard)
    window: tuple[float, float, float, float] | None = None
    camera: str | None = None  # whose kept tone curve to use
    focal_35mm: float | None = None  # that the camera stated: tells a stretched print from a tilted one
    kept: store.Kept | None = None  # None: what this computer has kept by now


@dataclass(frozen=True)
class Calibration:
    """Everything a photo's pixels need to become measurements.

    `plane` gives true millimetres, the print's known stretch put right; `print_plane` gives the frame's
    nominal ones, in which `frame` says where things are printed.
    """

    source: str  # card, rule, points, stated, lens or scanner
    plane: PlaneMap
    print_plane: PlaneMap
    um_per_px: float  # at the middle of the window
    uncertainty: ScaleUncertainty
    tilt_deg: float | None
    card_number: int | None
    frame: Frame | None
    dark: bool
    window_px: Points  # (N, 2) outline of the debris window
    window_mm: RectMm | None
    light: Light
    blur: Blur | None
    noise: Noise
    problems: tuple[Problem, ...]
    print_ratio: float | None = None  # length along x over y, where it surely is not what it should be
    caliper: bool = False  # the card's long bars were measured

    @property
    def print_measured(self) -> bool | None:
        """Whether the card's long bars were measured with a caliper; None without a card."""
        return self.caliper if self.frame else None

    @property
    def um_per_px_rel_u(self) -> float:
        """Relative standard uncertainty of um_per_px."""
        return self.uncertainty.total


class BadSetting(CalibrationError):  # noqa: N818 - reads as the sentence it stands for
    """What was given as the scale or the window cannot be one."""


@dataclass(frozen=True)
class _Scale:
    """The part of a calibration that is geometry."""

    source: str
    plane: PlaneMap
    print_plane: PlaneMap
    uncertainty: ScaleUncertainty
    window_px: Points
    frame: Frame | None = None
    window_mm: RectMm | None = None
    tilt_deg: float | None = None
    print_ratio: float | None = None
    caliper: bool = False


def calibrate(rgb: NDArray[np.uint8], how: HowScaled | None = None) -> Calibration:
    """Calibrate an upright sRGB photo (H, W, 3).

    Raises
    ------
    CardNotFound
        No usable card, and no other scale was given.
    CalibrationError
        A given scale cannot be used; the message says why and what to do.
    """
    how = how or HowScaled()
    known = store.load() if how.kept is None else how.kept
    scale = _scale(rgb, how, known)
    frame, marks = scale.frame, scale.print_plane
    tone = _tone(rgb, scale, known.tones.get(how.camera or ""))
    light = measure_light(rgb, marks, frame, scale.window_px, tone)
    noise = measure_noise(rgb, marks, frame, scale.window_px, light)
    blur = measure_blur(rgb, marks, frame, scale.window_px, light, noise)
    middle = _middle(scale, marks)
    return Calibration(
        source=scale.source,
        plane=scale.plane,
        print_plane=marks,
        um_per_px=float(scale.plane.um_per_px(middle)[0]),
        uncertainty=scale.uncertainty,
        tilt_deg=scale.tilt_deg,
        card_number=frame.number if frame else None,
        frame=frame,
        dark=frame.dark if frame else False,
        window_px=scale.window_px,
        window_mm=scale.window_mm,
        light=light,
        blur=blur,
        noise=noise,
        problems=check_photo(rgb, marks, frame, scale.window_px, light, blur),
        print_ratio=scale.print_ratio,
        caliper=scale.caliper,
    )


def _middle(scale: _Scale, marks: PlaneMap) -> Points:
    """Pixel of the window's middle: of the printed window where it is seen in perspective."""
    if scale.frame is None or scale.window_mm is None:
        return np.asarray(scale.window_px.mean(axis=0))
    x, y, width, height = scale.frame.debris_rect_mm
    return np.asarray(marks.to_px(np.array([[x + width / 2, y + height / 2]]))[0])


def _scale(rgb: NDArray[np.uint8], how: HowScaled, known: store.Kept) -> _Scale:
    if isinstance(how.by, ByCard):
        return _card_scale(rgb, how, known)
    plane, uncertainty = _plain_scale(rgb, how.by, known)
    source = {ByRule: "rule", ByPoints: "points", ByStated: "stated", ByLens: "lens", ByScanner: "scanner"}
    height, width = rgb.shape[:2]
    window = _given_window(how.window or (0.0, 0.0, float(width), float(height)), rgb)
    return _Scale(source[type(how.by)], plane, plane, uncertainty, window)


def _tone(rgb: NDArray[np.uint8], scale: _Scale, kept: store.PhoneTone | None) -> Tone:
    """The surer of what the card in this photo shows and what an earlier one showed."""
    seen = measure_tone(rgb, scale.print_plane, scale.frame) if scale.frame else Tone()
    if kept and kept.bend_u < seen.bend_u:
        return Tone(kept.bend, kept.bend_u, measured=True)
    return seen


def remember_tone(calibration: Calibration, camera: str) -> None:
    """Keep the tone curve that this photo showed, for closer photos by the same camera."""
    tone = calibration.light.tone
    kept = store.load().tones.get(camera)
    if tone.bend_u < (kept.bend_u if kept else Tone().bend_u):
        store.keep_tone(camera, store.PhoneTone(tone.bend, tone.bend_u))


def _card_scale(rgb: NDArray[np.uint8], how: HowScaled, known: store.Kept) -> _Scale:
    located = locate(grey_of(rgb))
    frame = located.frame
    correction = known.cards.get(frame.number)
    x, y, width, height = frame.debris_rect_mm
    window = _given_window(how.window, rgb) if how.window else window_outline(frame, located.plane)
    focal = Focal.stated(how.focal_35mm)
    pose = pose_of(located.plane, (x + width / 2.0, y + height / 2.0), focal)
    flatness = max(_flatness(frame) / pose.distance_mm, bend_rel_u(located.fit, frame))
    odd = _odd_print(squareness_of(located.fit, focal, flatness), correction, PRINT_LOCAL_U[frame.name])
    stretch = _stretch(odd, correction)
    return _Scale(
        "card",
        located.plane.stretched(*stretch),
        located.plane,
        _card_uncertainty(located, window, pose.distance_mm, flatness, correction, odd),
        window,
        frame,
        (x * stretch[0], y * stretch[1], width * stretch[0], height * stretch[1]),
        pose.tilt_deg,
        odd.ratio if odd else None,
        correction is not None,
    )


def _odd_print(
    seen: Squareness, correction: store.CardCorrection | None, local_u: float
) -> Squareness | None:
    """What the print's two sides surely lack of being as expected; None where they may be as expected."""
    left = seen.against(correction.x, correction.y) if correction else seen
    side_u = math.hypot(correction.rel_u if correction else PRINT_GLOBAL_U, local_u)
    return left if left.surely_beyond(math.sqrt(2.0) * side_u) else None


def _stretch(odd: Squareness | None, correction: store.CardCorrection | None) -> tuple[float, float]:
    """Printed over nominal length along x and y: the caliper's, or halved between the sides, or 1."""
    if correction is not None:
        return correction.x, correction.y
    half = math.sqrt(odd.ratio) if odd else 1.0
    return half, 1.0 / half


def _flatness(frame: Frame) -> float:
    """How far the paper may lie off the plane of its marks, mm, one standard uncertainty."""
    lift = LIFT_MM * frame.width_mm / LIFT_PER_WIDTH_MM / math.sqrt(3.0)
    return math.hypot(lift, CUTOUT_STEP_MM if frame.name.startswith("cutout") else 0.0)


def _card_uncertainty(
    located: Located,
    window_px: Points,
    distance_mm: float,
    flatness: float,
    correction: store.CardCorrection | None,
    odd: Squareness | None,
) -> ScaleUncertainty:
    frame = located.frame
    # Which of the two sides is the wrong one does not show: half of the difference either way.
    unequal = abs(odd.log_ratio) / 2.0 if odd else 0.0
    return ScaleUncertainty(
        print_global=math.hypot(correction.rel_u if correction else PRINT_GLOBAL_U, unequal),
        print_local=PRINT_LOCAL_U[frame.name],
        fit=float(located.fit.scale_rel_u(window_px).max()),
        flatness=flatness,
        grain_height=GRAIN_MM / 2.0 / distance_mm,
    )


def _plain_scale(rgb: NDArray[np.uint8], by: By, known: store.Kept) -> tuple[PlaneMap, ScaleUncertainty]:
    if isinstance(by, ByRule):
        return _rule_scale(rgb, by)
    if isinstance(by, ByPoints):
        return _points_scale(by)
    if isinstance(by, ByLens):
        return _lens_scale(rgb, by, known)
    if isinstance(by, ByScanner):
        return _scanner_scale(by)
    if isinstance(by, ByStated):
        return PlaneMap.similarity(_possible(by.um_per_px)), ScaleUncertainty(fit=STATED_U)
    raise TypeError(f"{type(by).__name__} is no way to give a scale")


def _possible(um_per_px: float) -> float:
    """Return a scale that a picture can have, or say that it cannot."""
    low, high = POSSIBLE_UM_PER_PX
    if not low <= um_per_px <= high:
        raise BadSetting(
            f"the micrometres per pixel cannot be {um_per_px:g}; they must be above 0, "
            f"from {low:g} to {high:g}"
        )
    return um_per_px


def _rule_scale(rgb: NDArray[np.uint8], by: ByRule) -> tuple[PlaneMap, ScaleUncertainty]:
    from calibration.ruler import find_rule_scale

    rule = find_rule_scale(rgb, unit=by.unit)
    return PlaneMap.similarity(rule.um_per_px), ScaleUncertainty(fit=rule.rel_u)


def _points_scale(by: ByPoints) -> tuple[PlaneMap, ScaleUncertainty]:
    apart_px = math.hypot(by.x2 - by.x1, by.y2 - by.y1)
    if not (apart_px > 0.0 and by.mm > 0.0 and math.isfinite(by.mm / apart_px)):
        raise BadSetting("the two points must lie apart, and their distance in mm must be above 0")
    pointing = POINTING_PX * math.sqrt(2.0) / apart_px
    return PlaneMap.similarity(_possible(1000.0 * by.mm / apart_px)), ScaleUncertainty(
        fit=math.hypot(pointing, UNSEEN_TILT_U)
    )


def same_scale(um_per_px: float, rel_u: float) -> ByPoints:
    """Return two points that give this scale with this uncertainty, as two marked points once did."""
    pointing = math.sqrt(max(rel_u**2 - UNSEEN_TILT_U**2, 1e-12))
    apart_px = POINTING_PX * math.sqrt(2.0) / pointing
    return ByPoints(0.0, 0.0, apart_px, 0.0, um_per_px * apart_px / 1000.0)


def kept_lens(by: ByLens, known: store.Kept) -> store.LensScale:
    """The kept setting of that name, or BadSetting."""
    lens = known.lenses.get(by.name)
    if lens is None:
        names = ", ".join(sorted(known.lenses)) or "none yet"
        raise BadSetting(
            f"no lens called {by.name!r} is kept (kept: {names}); measure it once with "
            f"triage lens {by.name} --rule PHOTO"
        )
    return lens


def _lens_scale(rgb: NDArray[np.uint8], by: ByLens, known: store.Kept) -> tuple[PlaneMap, ScaleUncertainty]:
    lens = kept_lens(by, known)
    smaller = lens.long_side_px / max(rgb.shape[:2])
    return PlaneMap.similarity(lens.um_per_px * smaller), ScaleUncertainty(fit=lens.rel_u)


def _scanner_scale(by: ByScanner) -> tuple[PlaneMap, ScaleUncertainty]:
    if not all(dpi > 0.0 and math.isfinite(dpi) for dpi in by.dpi):
        raise BadSetting("the file's resolution tag is not above 0; give the scale with --um-per-px")
    return PlaneMap.similarity(*(25400.0 / dpi for dpi in by.dpi)), ScaleUncertainty(fit=SCANNER_U)


def given_window(outline_px: Points | None) -> tuple[float, float, float, float] | None:
    """Return the rectangle of pixels (x, y, width, height) that the outline of a given window goes round."""
    if outline_px is None:
        return None
    low, high = outline_px.min(axis=0) + 0.5, outline_px.max(axis=0) + 0.5
    return float(low[0]), float(low[1]), float(high[0] - low[0]), float(high[1] - low[1])


def _given_window(rect_px: tuple[float, float, float, float], rgb: NDArray[np.uint8]) -> Points:
    """(32, 2) outline of a rectangle of pixels, each of which reaches half a pixel about its centre."""
    x, y, width, height = rect_px
    tall, wide = rgb.shape[:2]
    if min(x, y) < 0 or min(width, height) < LEAST_WINDOW_PX or x + width > wide or y + height > tall:
        raise BadSetting(
            f"the window {x:g},{y:g},{width:g},{height:g} does not lie in the picture of {wide} x {tall} px; "
            "give it as X,Y,W,H from the top-left corner"
        )
    return outline_of((x - 0.5, y - 0.5, width, height))
