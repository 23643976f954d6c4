"""Find the card in a photo: which frame it is, and every printed mark on it, to a small part of a pixel.

All use of OpenCV's marker detector is here. Two of a frame's four markers and four of its crosses must be
seen; they are looked for from the known outward, so that a bent lens or a strong tilt loses none.

CardNotFound
 +- MirroredPicture   the card is seen in a mirror
 +- TwoCards          two cards, or two copies of one
 +- WrongLayout       markers that do not stand where the card has them
 +- NotFlat           a bent or creased card
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.card import MARKER_DICTIONARY, Frame, FrameName, identify, make_frame
from calibration.errors import CalibrationError
from calibration.flatness import LEAST_COVERED, LEAST_STRAYS, covered_share, strays_mm
from calibration.marks import FoundMark, Mark, Picture, Pyramid, marks_of, seek, settle
from calibration.photo_areas import Areas, missing_markers
from calibration.scale import Floats, PlaneFit, PlaneMap, Points, fit_plane_map

LEAST_MARKERS = 2
LEAST_MARKS_USED = 6
LEAST_SIDE, LEAST_SIDE_HALVED = 14.0, 24.0  # px of a marker in the full-size photo, in its halvings
CORNER_U = 0.012  # a detected corner is no better than this share of the marker's side
ROUGH_MARK_PX = 0.1  # a mark seen through a map that is still off
MARK_PX = 0.03
LAYOUT_TOLERANCE = 0.05  # of a marker's side: what curl and print leave of a right layout is half of it
LEAST_KEPT = 0.75  # of the marks must agree with one plane
WORST_SCALE_U = 0.01  # relative, anywhere in the window, from finding the marks alone
PLAIN_PHOTO = "take a plain photo, no panorama"
WINDOW_INSIDE = 0.97  # share of a window's outline in the photo that counts as all of it


Layout = Mapping[int, tuple[tuple[float, float], float]]  # marker id to centre and side, mm


class CardNotFound(CalibrationError):  # noqa: N818 - these names are the sentence they stand for
    """No card that can be used is in the picture: `reason` says why, `remedy` what to do, both clauses.

    `areas_px` are the places (x, y, width, height) where markers that were not seen should be.
    """

    def __init__(self, reason: str, remedy: str, areas_px: Areas = ()) -> None:
        super().__init__(f"{reason}; {remedy}")
        self.reason = reason
        self.remedy = remedy
        self.areas_px = areas_px


class MirroredPicture(CardNotFound):
    """The picture is a mirror image."""


class TwoCards(CardNotFound):
    """Two cards are in the picture."""


class WrongLayout(CardNotFound):
    """The markers seen do not stand where the card has them."""


class NotFlat(CardNotFound):
    """The card is bent or creased, so that no one scale map fits it."""


@dataclass(frozen=True)
class SeenMarkers:
    """Detected markers: ids (N,), corners (N, 4, 2) px from the marker's own top-left, clockwise."""

    ids: NDArray[np.int64]
    corners_px: Floats

    @property
    def centres_px(self) -> Points:
        """(N, 2) where the diagonals cross: the middle of the square also under perspective."""
        a, b, c, d = (self.corners_px[:, i] for i in range(4))
        first, second, gap = c - a, d - b, b - a
        along = _cross(gap, second) / _cross(first, second)
        return np.asarray(a + along[:, None] * first)

    @property
    def corner_u_px(self) -> Floats:
        """(4 * N,) standard uncertainty of each corner."""
        side = np.linalg.norm(self.corners_px[:, 2] - self.corners_px[:, 0], axis=1) / np.sqrt(2.0)
        return np.repeat(CORNER_U * side, 4)


@dataclass(frozen=True)
class Located:
    """A frame found in a photo."""

    frame: Frame
    fit: PlaneFit
    kinds: tuple[str, ...]  # "marker" or "cross" of each mark used
    points_mm: Points  # (N, 2)
    points_px: Points  # (N, 2)

    @property
    def plane(self) -> PlaneMap:
        """Pixels to the frame's printed millimetres."""
        return self.fit.plane


def find_markers(grey: Picture, dictionary: int = MARKER_DICTIONARY) -> SeenMarkers:
    """Markers of an OpenCV dictionary in a grey picture (H, W), each once, corners in its pixels."""
    return _find_in(Pyramid.of(grey), dictionary)


def locate(grey: Picture) -> Located:
    """Find the card's best seen frame in a grey photo (H, W).

    Raises
    ------
    CardNotFound
        Or one of its kinds, with what to do.
    """
    pyramid = Pyramid.of(grey)
    size = (grey.shape[1], grey.shape[0])
    seen = _find_in(pyramid, MARKER_DICTIONARY, _whole_frame)
    frames = _by_frame(seen)
    if not frames:
        raise _why_nothing(pyramid, seen, size)
    _refuse_two_cards(frames)
    best = _best_frame(frames, size)
    return _refine(pyramid, _with_tone(best.frame, pyramid, best.rough.plane), best.rough, best.seen, size)


def fit_markers(
    seen: SeenMarkers,
    centres_mm: Mapping[int, tuple[float, float]],
    side_mm: float,
    image_size: tuple[int, int],
) -> PlaneFit:
    """Fit a plane map to the corners of upright markers of any layout, id to centre (x, y) mm.

    `image_size` is (width, height) px. CardNotFound with fewer than two of them, WrongLayout if they do not
    stand as said: a sheet of other proportions would fit by its centres alone, but its markers would not be
    square.
    """
    known = np.array([int(marker) in centres_mm for marker in seen.ids], dtype=bool)
    if known.sum() < LEAST_MARKERS:
        raise CardNotFound("fewer than two of the layout's markers were found", "photograph the whole sheet")
    seen = SeenMarkers(seen.ids[known], seen.corners_px[known])
    fit = _corner_fit({i: (centres_mm[i], side_mm) for i in centres_mm}, seen, image_size)
    _check_layout(fit, side_mm)
    return fit


def _find_in(
    pyramid: Pyramid, dictionary: int, enough: Callable[[SeenMarkers], bool] = lambda _: False
) -> SeenMarkers:
    """Detect from the smallest halving up to the full size, or until `enough` are seen."""
    found: dict[int, list[Floats]] = {}
    seen = _gathered(found)
    for level in reversed(range(len(pyramid.levels))):
        ids, corners = _detect(pyramid.levels[level], dictionary, LEAST_SIDE_HALVED if level else LEAST_SIDE)
        for marker, corner in zip(ids, corners, strict=True):
            _keep(found.setdefault(marker, []), (corner + 0.5) * 2**level - 0.5)
        seen = _gathered(found)
        if enough(seen):
            break
    return seen


def _gathered(found: Mapping[int, list[Floats]]) -> SeenMarkers:
    flat = [(marker, corner) for marker, copies in found.items() for corner in copies]
    return SeenMarkers(
        np.array([marker for marker, _ in flat], dtype=np.int64),
        np.array([corner for _, corner in flat], dtype=np.float64).reshape(-1, 4, 2),
    )


def _whole_frame(seen: SeenMarkers) -> bool:
    return any(len(set(members.ids.tolist())) == 4 for members in _by_frame(seen).values())


def _detect(grey: Picture, dictionary: int, least_side: float) -> tuple[list[int], list[Floats]]:
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_CONTOUR
    options.minMarkerPerimeterRate = min(4.0 * least_side / max(grey.shape), 1.0)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary), options)
    corners, ids, _ = detector.detectMarkers(grey)
    if ids is None:
        return [], []
    return [int(i) for i in ids.ravel()], [np.asarray(c, np.float64).reshape(4, 2) for c in corners]


def _keep(copies: list[Floats], corners: Floats) -> None:
    """The finer sighting replaces the same marker's coarser one; elsewhere it is another copy."""
    for i, old in enumerate(copies):
        if np.linalg.norm(old.mean(axis=0) - corners.mean(axis=0)) < np.linalg.norm(old[2] - old[0]):
            copies[i] = corners
            return
    copies.append(corners)


def _by_frame(seen: SeenMarkers) -> dict[tuple[FrameName, int], SeenMarkers]:
    """Markers of each frame of which enough are seen."""
    members: dict[tuple[FrameName, int], list[int]] = {}
    for i, marker in enumerate(seen.ids):
        try:
            number, name, _ = identify(int(marker))
        except ValueError:
            continue
        members.setdefault((name, number), []).append(i)
    return {
        key: SeenMarkers(seen.ids[rows], seen.corners_px[rows])
        for key, rows in members.items()
        if len(set(seen.ids[rows].tolist())) >= LEAST_MARKERS
    }


def _why_nothing(pyramid: Pyramid, seen: SeenMarkers, size: tuple[int, int]) -> CardNotFound:
    mirrored = _find_in(
        Pyramid(tuple(level[:, ::-1].copy() for level in pyramid.levels[-2:])), MARKER_DICTIONARY
    )
    if _by_frame(mirrored):
        return MirroredPicture(
            "the picture is a mirror image of the card", "turn off mirroring in the camera and take it again"
        )
    if len(seen.ids):
        return CardNotFound(
            "only one of the card's corner markers can be seen and at least two of a frame's four are needed",
            "clear them and take the whole frame into the picture",
            missing_markers(int(seen.ids[0]), seen.corners_px[0], size),
        )
    return CardNotFound(
        "no card was found", "lay the debris on the printed card and take the whole frame into the picture"
    )


def _refuse_two_cards(frames: Mapping[tuple[FrameName, int], SeenMarkers]) -> None:
    numbers = sorted({number for _, number in frames})
    if len(numbers) > 1:
        shown = " and ".join(str(number) for number in numbers)
        raise TwoCards(f"cards number {shown} are both in the picture", "take it again with one card only")
    for (name, _), seen in frames.items():
        if len(seen.ids) - len(set(seen.ids.tolist())) >= LEAST_MARKERS:
            raise TwoCards(
                f"two copies of the {name} frame are in the picture", "take it again with one only"
            )


@dataclass(frozen=True)
class _Candidate:
    """A frame of which enough markers are seen, and how much of its window is in the photo."""

    frame: Frame
    seen: SeenMarkers
    rough: PlaneFit
    window_inside: bool
    window_px2: float


def _best_frame(frames: Mapping[tuple[FrameName, int], SeenMarkers], size: tuple[int, int]) -> _Candidate:
    """The frame whose window is all in the photo, and of those the largest window."""
    candidates = [
        _candidate(make_frame(name, number=number), seen, size) for (name, number), seen in frames.items()
    ]
    best = max(candidates, key=lambda each: (each.window_inside, each.window_px2))
    if best.window_px2 <= 0.0:
        raise CardNotFound(
            "the frame's debris window is not in the picture", "take the whole frame into the picture"
        )
    return best


def _candidate(frame: Frame, seen: SeenMarkers, size: tuple[int, int]) -> _Candidate:
    rough = _rough_fit(frame, seen, size)
    outline, last = window_outline(frame, rough.plane), np.array(size) - 0.5
    inside = ((outline >= -0.5) & (outline <= last)).all(axis=1).mean()
    area = cv2.contourArea(np.clip(outline, -0.5, last).astype(np.float32))
    return _Candidate(frame, seen, rough, bool(inside >= WINDOW_INSIDE), float(area))


def window_outline(frame: Frame, plane: PlaneMap) -> Points:
    """(32, 2) pixels along the debris window's outline, clockwise from its top left."""
    return plane.to_px(outline_of(frame.debris_rect_mm))


def outline_of(rect: tuple[float, float, float, float], points_a_side: int = 8) -> Points:
    """(N, 2) points along the sides of x, y, width, height, so many on each of the four."""
    x, y, width, height = rect
    along = np.arange(points_a_side)[:, None] / points_a_side
    corners = np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])
    return np.vstack(
        [a + along * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)]
    )


def _rough_fit(frame: Frame, seen: SeenMarkers, size: tuple[int, int]) -> PlaneFit:
    return _corner_fit(_layout_of(frame), seen, size)


def _layout_of(frame: Frame) -> Layout:
    return {marker.id: (marker.centre_mm, marker.side_mm) for marker in frame.markers}


def _corner_fit(layout: Layout, seen: SeenMarkers, size: tuple[int, int]) -> PlaneFit:
    return fit_plane_map(seen.corners_px.reshape(-1, 2), _corners_mm(layout, seen), size, seen.corner_u_px)


def _corners_mm(layout: Layout, seen: SeenMarkers) -> Points:
    """(4 * N, 2) places on the card of the corners seen; a marker's corners turn with it."""
    square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]])
    return np.vstack([np.array(layout[int(i)][0]) + square * layout[int(i)][1] for i in seen.ids])


def _with_tone(frame: Frame, pyramid: Pyramid, plane: PlaneMap) -> Frame:
    """The dark version where most of the window is nearer to the markers' black than to their white."""
    if _window_is_dark(frame, pyramid, plane):
        return make_frame(frame.name, number=frame.number, dark=True)
    return frame


def _window_is_dark(frame: Frame, pyramid: Pyramid, plane: PlaneMap) -> bool:
    x, y, width, height = frame.debris_rect_mm
    across, down = np.meshgrid(np.linspace(0.03, 0.97, 33), np.linspace(0.03, 0.97, 33))
    at = np.column_stack([x + across.ravel() * width, y + down.ravel() * height])
    window, inside = pyramid.sample(plane.to_px(at).reshape(33, 33, 2), 8.0)
    half = frame.markers[0].side_mm * 0.6
    levels = []
    for marker in frame.markers:
        offsets = np.column_stack([across.ravel() - 0.5, down.ravel() - 0.5]) * 2.0 * half
        grey, there = pyramid.sample(plane.to_px(offsets + marker.centre_mm).reshape(33, 33, 2), 4.0)
        if there.all():
            levels.append(np.percentile(grey, [10, 90]).mean())
    return bool(levels and np.median(window[inside]) < np.median(levels))


def _refine(
    pyramid: Pyramid, frame: Frame, rough: PlaneFit, seen: SeenMarkers, size: tuple[int, int]
) -> Located:
    """From rough corners outward to every mark, then once more with the map they give."""
    _check_layout(rough, frame.markers[0].side_mm)
    marks = marks_of(frame)
    corners_px, corners_mm = seen.corners_px.reshape(-1, 2), _corners_mm(_layout_of(frame), seen)
    fit, found = rough, dict[int, FoundMark]()
    for _ in range(8):
        new = _look(pyramid, fit, marks, found)
        found |= new
        px = np.vstack([corners_px, *(found[i].xy_px for i in found)])
        mm = np.vstack([corners_mm, *(marks[i].centre_mm for i in found)])
        mark_u_px = np.append(seen.corner_u_px, np.full(len(found), ROUGH_MARK_PX))
        fit = fit_plane_map(px, mm, size, mark_u_px)
        if not new:
            break
    return _final(pyramid, frame, fit, np.isin(np.arange(len(marks)), list(found)), size)


def _look(
    pyramid: Pyramid, fit: PlaneFit, marks: list[Mark], found: Mapping[int, FoundMark]
) -> dict[int, FoundMark]:
    """Marks not yet found whose place is known well enough to be told from their neighbours."""
    new = {}
    left = [i for i in range(len(marks)) if i not in found]
    places = np.array([marks[i].centre_mm for i in left]).reshape(-1, 2)
    reach = fit.place_u_mm(places) * 4.0
    for i, reach_mm in zip(left, reach, strict=True):
        if reach_mm > 2.0 * marks[i].half_mm:
            continue
        start = seek(pyramid, fit.plane, marks[i], float(reach_mm))
        mark = settle(pyramid, fit.plane, marks[i], start) if start else None
        if mark:
            new[i] = mark
    return new


def _final(
    pyramid: Pyramid, frame: Frame, fit: PlaneFit, found: NDArray[np.bool_], size: tuple[int, int]
) -> Located:
    """The last fit, to marks registered by the one before; `found` says which of the frame's were seen."""
    marks = marks_of(frame)
    settled = [
        settle(pyramid, fit.plane, mark, mark.centre_mm) if seen else None
        for mark, seen in zip(marks, found, strict=True)
    ]
    pairs = [(mark, place) for mark, place in zip(marks, settled, strict=True) if place]
    if len(pairs) < LEAST_MARKS_USED:
        raise CardNotFound(
            f"only {len(pairs)} of the frame's {len(marks)} marks can be made out and "
            f"{LEAST_MARKS_USED} are needed",
            "clear the frame of debris, hold still and take it again in focus",
        )
    px, mm = np.array([place.xy_px for _, place in pairs]), np.array([mark.centre_mm for mark, _ in pairs])
    last = fit_plane_map(px, mm, size, MARK_PX)
    _check_layout(last, frame.markers[0].side_mm)
    _check_flat(pyramid, frame, last, np.array([place is not None for place in settled]))
    window = window_outline(frame, last.plane)
    covered = covered_share(last, px, window, size)
    if last.scale_rel_u(window).max() > WORST_SCALE_U or covered < LEAST_COVERED:
        raise CardNotFound(
            "the marks that can be seen lie too close together to give the scale of the whole window",
            "clear the frame's corners, press the card flat and take the whole frame into the picture",
        )
    return Located(frame, last, tuple(mark.kind for mark, _ in pairs), mm, px)


def _check_flat(pyramid: Pyramid, frame: Frame, fit: PlaneFit, used: NDArray[np.bool_]) -> None:
    """Refuse a sheet of which several marks stand where a flat one cannot have them."""
    far = strays_mm(pyramid, fit, marks_of(frame), used, frame)
    if len(far) >= LEAST_STRAYS:
        raise NotFlat(
            f"the card does not lie flat: {len(far)} of its marks stand up to {far.max():.1f} mm from where "
            "a flat card has them",
            f"press it flat, its corners taped down, or print a fresh one if it is creased; {PLAIN_PHOTO}",
        )


def _check_layout(fit: PlaneFit, side_mm: float) -> None:
    """Refuse marks that do not stand where the layout has them, or that stand mirrored."""
    determinant = np.linalg.det(fit.plane.jacobian([fit.plane.centre_px]))[0]
    if fit.kept.mean() < LEAST_KEPT or fit.residual_mm > LAYOUT_TOLERANCE * side_mm or determinant < 0.0:
        raise WrongLayout(
            "the markers seen do not stand where this card has them",
            f"use a card printed by this program, whole, flat and not pieced together; {PLAIN_PHOTO}",
        )


def _cross(a: Points, b: Points) -> Floats:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])
