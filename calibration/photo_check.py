"""Photo check: what is wrong with a photo, each problem with its code, a plain message and a remedy.

A problem is fatal where measuring on would give numbers that are quietly wrong or mean nothing; the rest are
warnings that go with the result.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.light import LUMA, Light, view_window
from calibration.photo_areas import Areas, box, cell_areas, cut_sides, darkest_parts, far_side, quarter

if TYPE_CHECKING:
    from calibration.card import Frame
    from calibration.scale import PlaneMap
    from calibration.sharpness import Blur

FloatArray = NDArray[np.float64]

CODES = (
    "no_card",
    "blurred",
    "glare",
    "clipped",
    "tilted",
    "too_far",
    "window_cut_off",
    "uneven_light",
    "too_crowded",
    "blank_too_dirty",
)

# Coarsest and finest filter rating (um) that each frame is for. A close-up or micro photo that can only do
# the next coarser frame's work is still a photo; one that cannot do even that is refused.
RATINGS_UM = {
    "wide": (150.0, 75.0),
    "cutout": (150.0, 75.0),
    "closeup": (75.0, 30.0),
    "cutout_closeup": (75.0, 30.0),
    "micro": (30.0, 15.0),
}
# Without a card no rating is promised; twice the coarsest in the filter list is where grains stop mattering.
RATINGS_WITHOUT_CARD_UM = (300.0, 150.0)

# Light sizing of a dark disc holds down to 2 px at a blur of 1.2 px, which is 0.7 of the blur's width.
SIZED_PER_FWHM = 0.7
# Below this a wide blur in um only says that the camera stood far off, which is the business of `too_far`.
BLURRED_FWHM_PX = 6.0
# Light sizing needs at least two pixels across a particle, however sharp.
PIXELS_PER_PARTICLE = 2.0

CLIPPED_CODE = 254  # JPEG leaves a blown pixel a code below 255
BLOWN_CODE = 250
CELL_SAMPLES = 4  # every fourth pixel of a row will do to see glare
CELL_PX = 16  # glare is judged on cells this big, so that a glint on one metal flake is none
CLIPPED_WARN = 0.02  # share of the window; below it a reading elsewhere in the window is untouched
CLIPPED_FATAL = 0.30  # then the paper level, against which all missing light is measured, is itself unknown
# Half-covered paper sends back less than half its light, toner growing past its dots; 0.41 to 0.47 on
# simulated prints. Reading higher than this against paper at the limit, the true white is a quarter above it.
FAR_OVER_GREY = 0.58
WELL_EXPOSED = 0.9  # of the camera's range, linear: code 243, above it noise alone reaches the limit
GLARE_WARN = 0.005  # half a percent of the window hides a particle or two among hundreds
# Amounts are scaled by what was seen as if debris lay evenly; over a seventh, that supposition is the result.
GLARE_FATAL = 0.15
DARK_WARN = 0.05  # paper below 5 % of full scale (code 63): noise and code steps reach 1 % of the paper level
DARK_FATAL = 0.012  # code 28: a code step is 7 % of the paper level
UNEVEN_WARN = 2.0  # one stop: the dark end is noisier, its limits worse
UNEVEN_FATAL = 6.0  # the dark end has a sixth of the light; a low-order background no longer follows it
BLUR_CHANGE_WARN = 1.5  # the soft end of the window is half as sharp again
SCALE_CHANGE_WARN = 2.0  # 25 degrees at phone distance give 1.8, and the map takes care of those
SCALE_CHANGE_FATAL = 3.0  # the far end has a ninth of the pixels per grain
CUT_OFF_WARN = 0.005  # share of the window outside the picture; a finder error of half a percent is none
CUT_OFF_FATAL = 0.25  # what is left is no longer the sample that was tipped
CROWDED = 0.10  # over a tenth covered, pieces hide behind and touch each other
BLANK_SHARE = 0.10  # of the count in a size band


@dataclass(frozen=True)
class Problem:
    """One thing wrong with a photo."""

    code: str
    message: str
    remedy: str
    fatal: bool = False  # True: the photo is refused, nothing is measured from it
    areas_px: Areas = ()  # where in the upright photo, (x, y, width, height) each; none where it is all of it
    unseen: float = 0.0  # share of the debris window, 0..1, in which no piece can be seen for it


def check_photo(
    rgb: NDArray[np.uint8],
    plane: PlaneMap,
    frame: Frame | None,
    window_px: FloatArray,
    light: Light,
    blur: Blur | None,
) -> tuple[Problem, ...]:
    """Every problem of a photo (H, W, 3) whose scale is known. `window_px` (N, 2) is the window's outline."""
    coarsest, finest = _ratings(frame)
    um_per_px = plane.um_per_px(np.vstack([window_px.mean(axis=0), window_px]))
    size = (rgb.shape[1], rgb.shape[0])
    found = [
        blurred(blur, float(um_per_px[0]), coarsest, finest),
        too_far(float(um_per_px[0]), coarsest, finest),
        tilted(float(um_per_px.max() / um_per_px.min()), blur),
        window_cut_off(window_px, size),
        nothing_to_see(rgb),
        *exposure(rgb, window_px, light, card=frame is not None),
        uneven_light(light.unevenness, card=frame is not None),
    ]
    softest = blur.worst_quarter if blur is not None else None
    return tuple(_placed(problem, rgb, plane, window_px, softest) for problem in found if problem is not None)


def _placed(
    problem: Problem,
    rgb: NDArray[np.uint8],
    plane: PlaneMap,
    window_px: FloatArray,
    softest: tuple[int, int] | None,
) -> Problem:
    """The problem with the place where it shows, where that can be told; `softest` is a quarter."""
    size = (rgb.shape[1], rgb.shape[0])
    if problem.code == "window_cut_off":
        return replace(problem, areas_px=cut_sides(window_px, size))
    if problem.code == "uneven_light":
        return replace(problem, areas_px=darkest_parts(rgb, window_px))
    if problem.code == "tilted" and "coarser" in problem.message:
        return replace(problem, areas_px=far_side(plane, window_px, size))
    if problem.code == "tilted" and softest is not None:
        return replace(problem, areas_px=quarter(window_px, softest, size))
    if problem.code == "blurred":
        return replace(problem, areas_px=box(window_px, size))
    return problem


def _ratings(frame: Frame | None) -> tuple[float, float]:
    """Coarsest and finest rating (um) that a frame is for."""
    return RATINGS_WITHOUT_CARD_UM if frame is None else RATINGS_UM[frame.name]


def blurred_for(blur: Blur, um_per_px: float, frame: Frame | None) -> Problem | None:
    """Problem of a blur found after the calibration, by what the frame is for."""
    return blurred(blur, um_per_px, *_ratings(frame))


def nothing_to_see(rgb: NDArray[np.uint8]) -> Problem | None:
    """Problem of a picture (H, W, 3) of one even tone, which no camera makes of anything."""
    if (rgb[::16, ::16] != rgb[0, 0]).any() or (rgb != rgb[0, 0]).any():
        return None
    return Problem(
        "clipped",
        "The picture is one even tone: there is nothing in it to see.",
        "Take it again with the lens free and a lamp on the debris.",
        fatal=True,
    )


def nothing_sized(areas_px: Areas = ()) -> Problem:
    """Problem of a photo whose noise and blur hide particles of any size; where, if only in parts of it."""
    where = "in part of this photo" if areas_px else "in this photo"
    return Problem(
        "blurred",
        f"Noise and blur hide so much that no piece of any size could be measured {where}.",
        "Take it again in more light, the phone held still or propped, and nearer.",
        fatal=True,
        areas_px=areas_px,
    )


def no_card(reason: str = "no card was found in the picture") -> Problem:
    """Problem of a photo without a scale; `reason` is a clause in plain words."""
    return Problem(
        "no_card",
        f"No scale: {reason}.",
        "Put all four corner squares of one frame in the picture, wipe debris off them, and hold the phone "
        "straight above; or lay a steel rule beside the debris and use --rule.",
        fatal=True,
    )


def blurred(blur: Blur | None, um_per_px: float, coarsest_um: float, finest_um: float) -> Problem | None:
    """Problem where the blur hides what the frame is for: fatal where it hides even the coarsest rating."""
    if blur is None:
        return None
    width_px, width_um = blur.fwhm_px, blur.fwhm_px * um_per_px
    remedy = (
        "Wipe the lens, tap the screen on the debris to focus, rest the phone on a block, and take it again."
    )
    seen = f"edges are {_size(width_um)} wide ({width_px:.1f} pixels)"
    if width_px > BLURRED_FWHM_PX and width_um > coarsest_um and not blur.upper_bound:
        return Problem(
            "blurred", f"Too blurred to measure: {seen}, more than {_size(coarsest_um)}.", remedy, fatal=True
        )
    if SIZED_PER_FWHM * width_um > finest_um:
        bound = " or less; the print itself is too soft to say" if blur.upper_bound else ""
        if blur.upper_bound:
            remedy = "Lay a feeler gauge or fine wire in the marked groove and take it again. " + remedy
        return Problem("blurred", f"Not sharp enough for {_size(finest_um)}: {seen}{bound}.", remedy)
    return None


def too_far(um_per_px: float, coarsest_um: float, finest_um: float) -> Problem | None:
    """Problem where a particle of the frame's ratings covers too few pixels."""
    remedy = (
        "Hold the phone closer so that the frame fills the picture, and send the picture as the phone saved "
        "it: full size, no screenshot, no messenger."
    )
    if PIXELS_PER_PARTICLE * um_per_px > coarsest_um:
        text = f"Too far away: a pixel covers {_size(um_per_px)}, so even {_size(coarsest_um)} is a speck."
        return Problem("too_far", text, remedy, fatal=True)
    if PIXELS_PER_PARTICLE * um_per_px > finest_um:
        text = f"Taken from too far for {_size(finest_um)}: a pixel covers {_size(um_per_px)}."
        return Problem("too_far", text, remedy)
    return None


def tilted(scale_change: float, blur: Blur | None) -> Problem | None:
    """Problem where scale or blur changes too much across the window.

    `scale_change` is the coarsest over the finest um per px in the window.
    """
    remedy = "Hold the phone flat above the card, its back level with the bench, and take it again."
    if scale_change > SCALE_CHANGE_FATAL:
        text = (
            f"Held too slanted: the far side of the window is {scale_change:.1f} times coarser than the near."
        )
        return Problem("tilted", text, remedy, fatal=True)
    softening = 1.0 if blur is None or blur.worst_px is None else blur.worst_px / blur.sigma_px
    if softening > BLUR_CHANGE_WARN:
        text = f"One side of the window is {softening:.1f} times as blurred as the rest."
        return Problem("tilted", text, remedy)
    if scale_change > SCALE_CHANGE_WARN:
        text = f"Held slanted: the far side of the window is {scale_change:.1f} times coarser than the near."
        return Problem("tilted", text, remedy)
    return None


def window_cut_off(window_px: FloatArray, size: tuple[int, int]) -> Problem | None:
    """Problem where part of the window's outline (N, 2) lies outside a picture of (width, height)."""
    width, height = size
    whole = _area(window_px)
    missing = 1 - _area(_clip_to_picture(window_px, width, height)) / max(whole, 1e-9)
    if missing <= CUT_OFF_WARN:
        return None
    return Problem(
        "window_cut_off",
        f"{100 * missing:.0f} % of the debris window is outside the picture.",
        "Move back or shift the phone until the whole window and its corner squares are in the picture.",
        fatal=missing > CUT_OFF_FATAL,
        unseen=missing,
    )


def uneven_light(unevenness: float, *, card: bool) -> Problem | None:
    """Problem where the window's brightest part gets `unevenness` times the light of its darkest."""
    if unevenness <= UNEVEN_WARN:
        return None
    return Problem(
        "uneven_light",
        f"Uneven light: one side of the window gets {unevenness:.1f} times the light of the other.",
        "Turn the card or move the lamp so that no shadow of hand or phone falls on it; daylight from a "
        "window is best.",
        fatal=card and unevenness > UNEVEN_FATAL,
    )


def exposure(
    rgb: NDArray[np.uint8], window_px: FloatArray, light: Light, *, card: bool
) -> tuple[Problem, ...]:
    """Over-exposure, glare and under-exposure of the window, outline (N, 2) px, of a photo (H, W, 3).

    Without a card white may be drawn or scanned, so none is fatal; nor is paper at the camera's limit where
    the card's grey patches show that it is barely so.
    """
    over, blown_out, drawn = _blown_shares(rgb, window_px)
    (clipped, clipped_at), (blown, blown_at) = over, blown_out
    found = []
    if card or not drawn:
        whole = clipped > CLIPPED_FATAL and not (_paper_is_well_exposed(light) and blown > clipped / 2)
        if whole or (clipped > CLIPPED_WARN and blown < clipped / 2):
            problem = _over_exposed(clipped, fatal=card and whole and _far_over(light))
            found.append(replace(problem, areas_px=clipped_at))
        if not whole and blown > GLARE_WARN:
            found.append(replace(_glare(blown, fatal=card and blown > GLARE_FATAL), areas_px=blown_at))
    if card and light.paper_level < DARK_WARN:
        found.append(_under_exposed(light.paper_level))
    return tuple(found)


def _paper_is_well_exposed(light: Light) -> bool:
    """Whether bare paper lies well below the camera's limit, so that what is blown out is a reflection.

    Told by the card's white patches, which a reflection on half of the window leaves alone.
    """
    whites = [level for coverage, level in light.patch_rgb if coverage == 0.0]
    paper = np.median(whites, axis=0) if whites else light.paper_rgb
    return bool(paper.max() < WELL_EXPOSED)


def _far_over(light: Light) -> bool:
    """Whether the grey patches read so close to white that white must lie far above the camera's limit."""
    greys = [float(level @ LUMA) for coverage, level in light.patch_rgb if 0.3 < coverage < 0.7]
    return not greys or min(greys) > FAR_OVER_GREY * light.paper_level


def too_crowded(coverage: float) -> Problem | None:
    """Problem where particles cover more than a tenth of the window; `coverage` is 0..1."""
    if coverage <= CROWDED:
        return None
    return Problem(
        "too_crowded",
        f"Debris covers {100 * coverage:.0f} % of the window; over {100 * CROWDED:.0f} % it hides itself.",
        "Spread it thinner, or mix it, take a quarter, photograph that, and enter the part with --fraction.",
    )


def blank_too_dirty(band: str, blank_count: int, debris_count: int) -> Problem | None:
    """Problem where the empty card shows over a tenth of the pieces of a size band ('75 to 150 µm')."""
    if blank_count == 0 or blank_count <= BLANK_SHARE * debris_count:
        return None
    return Problem(
        "blank_too_dirty",
        f"The blank alone shows {blank_count} pieces of {band}, against {debris_count} in the sample.",
        "Print a fresh card or wipe the sheet, keep lint and dust away, and take blank and sample again.",
    )


def _over_exposed(share: float, *, fatal: bool) -> Problem:
    return Problem(
        "clipped",
        f"Over-exposed: {100 * share:.0f} % of the window is at the camera's limit and pale debris is lost.",
        "Tap on the white paper, pull the brightness down until it is light grey, switch the flash off, and "
        "take it again.",
        fatal,
    )


def _under_exposed(level: float) -> Problem:
    return Problem(
        "clipped",
        f"Too dark: the paper reaches only {100 * level:.1f} % of the camera's range.",
        "Take it again in more light, beside a window or under a lamp to one side.",
        level < DARK_FATAL,
    )


def _glare(share: float, *, fatal: bool) -> Problem:
    return Problem(
        "glare",
        f"Glare: {100 * share:.1f} % of the window is blown out by a reflection.",
        "Move the lamp to one side or turn the card until the bright patch is gone; switch the flash off.",
        fatal,
        unseen=share,
    )


def _blown_shares(
    rgb: NDArray[np.uint8], window_px: FloatArray
) -> tuple[tuple[float, Areas], tuple[float, Areas], bool]:
    """Shares of the window with a clipped and with all channels blown, and where; is it a drawn picture."""
    view = view_window(rgb, window_px)
    step = min(CELL_SAMPLES, *view.mask.shape)
    inside = view.mask[::step, ::step] > 0
    red, green, blue = (view.rgb[::step, ::step, k] for k in range(3))
    top, bottom = np.maximum(np.maximum(red, green), blue), np.minimum(np.minimum(red, green), blue)
    drawn = not ((top > 8) & (bottom < 247) & inside).any()
    side = CELL_PX // CELL_SAMPLES
    rows, cols = (max(n // side, 1) * side for n in inside.shape)

    def share(hit: NDArray[np.bool_]) -> tuple[float, Areas]:
        count, area = (
            cv2.boxFilter(v.astype(np.float32), -1, (side, side), anchor=(0, 0), normalize=False)[
                :rows:side, :cols:side
            ]
            for v in (hit & inside, inside)
        )
        full = area > side * side / 2
        blown = full & (count > 0.5 * area)
        where = cell_areas(blown, (view.x0, view.y0), side * step)
        return (float(np.mean(blown[full])) if full.any() else 0.0), where

    return share(top >= CLIPPED_CODE), share(bottom >= BLOWN_CODE), drawn


def _size(um: float) -> str:
    return f"{um:.0f} µm ({um / 25.4:.1f} thou)"


def _area(outline: FloatArray) -> float:
    x, y = outline.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def _clip_to_picture(outline: FloatArray, width: int, height: int) -> FloatArray:
    """The outline cut to the picture's rectangle, side by side."""
    for axis, sign, limit in ((0, 1, -0.5), (0, -1, -(width - 0.5)), (1, 1, -0.5), (1, -1, -(height - 0.5))):
        depth = sign * outline[:, axis] - limit
        kept: list[FloatArray] = []
        for here, there, a, b in zip(
            outline, np.roll(outline, -1, axis=0), depth, np.roll(depth, -1), strict=True
        ):
            if a >= 0:
                kept.append(here)
            if (a >= 0) != (b >= 0):
                kept.append(here + (there - here) * a / (a - b))
        if len(kept) < 3:
            return np.zeros((3, 2))
        outline = np.array(kept)
    return outline
