"""From pixels to millimetres: one map for the whole picture, fitted to many marks, and how far to trust it.

A picture of a flat card is a homography seen through a lens with radial distortion about the picture's
centre. Pixel coordinates are (x, y), an integer being a pixel's centre. Lengths on the card are millimetres.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.errors import CalibrationError

Floats = NDArray[np.float64]
Points = Floats  # (N, 2)

# Phones correct their own lens to about a percent; clip-on lenses bend by several. At the picture's corner.
LENS_PRIOR = (0.05, 0.05)
FEWEST_MARKS = 4
LEAST_BREADTH = 0.01  # of the marks' length: narrower is a line
FARTHEST = 4.0  # half diagonals from the middle: nothing that far is ever in the picture
RAYLEIGH_MEDIAN = 1.1774  # of the distance from a centre, in standard deviations per coordinate


class TooFewMarks(CalibrationError):  # noqa: N818 - reads as the sentence it stands for
    """Fewer marks than a plane map has unknowns."""


@dataclass(frozen=True)
class PlaneMap:
    """Pixels to millimetres on a plane, and back.

    A pixel is first put relative to `centre_px` in units of `radius_px`, then moved along its radius r by
    1 + k1 r^2 + k2 r^4 (lens), then mapped by `to_card` (3, 3).
    """

    centre_px: tuple[float, float]
    radius_px: float
    lens: tuple[float, float]
    to_card: Floats

    @classmethod
    def similarity(cls, um_per_px: float, um_per_px_y: float | None = None) -> PlaneMap:
        """One scale everywhere, millimetres from the top-left corner; a scanner may have a second for y."""
        x, y = um_per_px / 1000.0, (um_per_px if um_per_px_y is None else um_per_px_y) / 1000.0
        return cls((-0.5, -0.5), 1.0, (0.0, 0.0), np.diag([x, y, 1.0]))

    def to_mm(self, xy_px: ArrayLike) -> Points:
        """(N, 2) pixels to (N, 2) millimetres."""
        return _project(self.to_card, self._straighten(_as_points(xy_px)))

    def to_px(self, xy_mm: ArrayLike) -> Points:
        """(N, 2) millimetres to (N, 2) pixels."""
        straight = _project(np.asarray(np.linalg.inv(self.to_card)), _as_points(xy_mm))
        return self._bend(straight) * self.radius_px + self.centre_px

    def jacobian(self, xy_px: ArrayLike) -> Floats:
        """(N, 2, 2) millimetres per pixel: rows are mm x and y, columns pixel x and y."""
        u = (_as_points(xy_px) - self.centre_px) / self.radius_px
        k1, k2 = self.lens
        stretch = _stretch(u, self.lens)[:, None, None]
        growth = (2.0 * k1 + 4.0 * k2 * _squared_radius(u))[:, None, None]
        lens = stretch * np.eye(2) + growth * (u[:, :, None] * u[:, None, :])
        return _project_jacobian(self.to_card, u * stretch[:, :, 0]) @ lens / self.radius_px

    def um_per_px(self, xy_px: ArrayLike) -> Floats:
        """(N,) micrometres per pixel: the square root of the area of one pixel on the card."""
        return np.asarray(1000.0 * np.sqrt(np.abs(np.linalg.det(self.jacobian(xy_px)))))

    def stretched(self, x: float, y: float) -> PlaneMap:
        """The same map with card millimetres multiplied by `x` and `y`: a print that is not true to scale."""
        return PlaneMap(self.centre_px, self.radius_px, self.lens, np.diag([x, y, 1.0]) @ self.to_card)

    def _straighten(self, xy_px: Points) -> Points:
        u = (xy_px - self.centre_px) / self.radius_px
        return u * _stretch(u, self.lens)[:, None]

    def _bend(self, straight: Points) -> Points:
        """Undo the lens polynomial: Newton on the radius, which grows with r in any real lens."""
        if not any(self.lens):
            return straight
        k1, k2 = self.lens
        target = np.sqrt(_squared_radius(straight))
        r = target
        for _ in range(8):
            r2 = r * r
            slope = np.maximum(1.0 + r2 * (3.0 * k1 + 5.0 * k2 * r2), 0.1)
            step = (r * (1.0 + r2 * (k1 + k2 * r2)) - target) / slope
            r = np.clip(r - step, 0.0, FARTHEST)  # past the turn of a bent lens there is no picture
            if np.abs(step).max(initial=0.0) < 1e-12:
                break
        return straight * np.where(target > 0.0, r / np.maximum(target, 1e-300), 1.0)[:, None]


@dataclass(frozen=True)
class ScaleUncertainty:
    """Parts of the relative standard uncertainty of a length, each 0 where it does not apply."""

    print_global: float = 0.0  # the whole print too large or small
    print_local: float = 0.0  # uneven paper feed
    fit: float = 0.0  # finding the marks, or whatever else gave the scale
    flatness: float = 0.0  # paper lifted off the plane
    grain_height: float = 0.0  # grains stand nearer to the camera than the paper

    @property
    def total(self) -> float:
        """All parts together."""
        parts = (self.print_global, self.print_local, self.fit, self.flatness, self.grain_height)
        return math.hypot(*parts)


@dataclass(frozen=True)
class PlaneFit:
    """A fitted map and how well the marks agree with it."""

    plane: PlaneMap
    residual_px: Points  # (N, 2) found minus predicted, every mark given
    kept: NDArray[np.bool_]  # (N,) False: judged to be something else than the mark
    scatter: float  # of the kept marks over what was expected of them, at least 1
    covariance: Floats  # (10, 10) of the parameters in `_parameters`
    mm_frame: tuple[float, float, float]  # centre x, y and size of the marks, mm

    @property
    def residual_mm(self) -> float:
        """Root mean square distance of the kept marks from their places, mm on the card."""
        middle = self.plane.to_px([self.mm_frame[:2]])
        away = np.sum(self.residual_px[self.kept] ** 2, axis=1)
        return float(np.sqrt(np.mean(away)) * self.plane.um_per_px(middle)[0] / 1000.0)

    def scale_rel_u(self, xy_px: ArrayLike) -> Floats:
        """(N,) relative standard uncertainty of um_per_px at these pixels, from the marks' own scatter."""
        return self.u_of(lambda plane: np.log(plane.um_per_px(xy_px)))

    def place_u_mm(self, xy_mm: ArrayLike) -> Floats:
        """(N,) standard uncertainty of where these card points appear in the picture, mm on the card."""
        px = self.plane.to_px(xy_mm)
        u_x = self.u_of(lambda plane: plane.to_px(xy_mm)[:, 0])
        u_y = self.u_of(lambda plane: plane.to_px(xy_mm)[:, 1])
        return np.hypot(u_x, u_y) * self.plane.um_per_px(px) / 1000.0

    def u_of(self, read: Callable[[PlaneMap], Floats]) -> Floats:
        """(N,) standard uncertainty of the N numbers `read` takes from the map, to first order."""
        theta = _parameters(self.plane, self.mm_frame)
        slopes = []
        for i, step in enumerate(np.maximum(0.1 * np.sqrt(np.diag(self.covariance)), 1e-9)):
            moved = [theta + sign * step * np.eye(10)[i] for sign in (1.0, -1.0)]
            ends = [read(_plane(each, self.plane, self.mm_frame)) for each in moved]
            slopes.append((ends[0] - ends[1]) / (2.0 * step))
        by_parameter = np.array(slopes)
        variance: Floats = np.sum(by_parameter * (self.covariance @ by_parameter), axis=0)
        return np.sqrt(np.maximum(variance, 0.0))


def fit_plane_map(
    points_px: ArrayLike, points_mm: ArrayLike, image_size: tuple[int, int], mark_u_px: ArrayLike = 0.03
) -> PlaneFit:
    """Fit a homography and radial distortion to marks, robustly.

    Parameters
    ----------
    points_px, points_mm : (N, 2)
        Where each mark was found in the picture and where it is on the card. N at least 4; where they are
        too few to tell the lens, it is taken as nearly free of distortion.
    image_size : (width, height)
        Pixels; its middle is the centre of the distortion.
    mark_u_px : (N,) or one number
        Standard uncertainty of each mark at best; their own scatter can only widen it.

    Raises
    ------
    TooFewMarks
        With fewer than 4 marks, or all in one line.
    """
    px, mm = _as_points(points_px), _as_points(points_mm)
    if len(px) < FEWEST_MARKS:
        raise TooFewMarks(f"only {len(px)} marks were found and {FEWEST_MARKS} are needed")
    length, breadth = np.linalg.svd(mm - mm.mean(axis=0), compute_uv=False)
    if breadth < LEAST_BREADTH * length:
        raise TooFewMarks("the marks found stand in one line")
    width, height = image_size
    middle, radius = ((width - 1) / 2.0, (height - 1) / 2.0), math.hypot(width, height) / 2.0
    blank = PlaneMap(middle, radius, (0.0, 0.0), np.eye(3))
    mm_frame = (float(mm[:, 0].mean()), float(mm[:, 1].mean()), float(np.sqrt(mm.var(axis=0).mean())))
    say = radius / np.broadcast_to(np.asarray(mark_u_px, dtype=np.float64), len(px))
    marks = _Marks((px - middle) / radius, (mm - mm_frame[:2]) / mm_frame[2], say)
    theta, trust = _robust_steps(marks)
    scatter, covariance = _spread(theta, marks, trust)
    residual = _residuals(theta, marks) * radius
    return PlaneFit(_plane(theta, blank, mm_frame), residual, trust > 0.0, scatter, covariance, mm_frame)


@dataclass(frozen=True)
class _Marks:
    """Marks in normalised picture (u) and card (m) coordinates; say: how much each counts, 1 over its sd."""

    u: Points
    m: Points
    say: Floats

    @property
    def spare(self) -> float:
        """How much wider the scatter is than what ten fitted unknowns leave of it."""
        n = 2.0 * len(self.u)
        return math.sqrt(n / max(n - 10.0, 1.0))


def _robust_steps(marks: _Marks) -> tuple[Floats, Floats]:
    """Gauss-Newton; each mark's say falls with its distance (Tukey), the reach narrowing as it settles."""
    theta = np.append(_linear_homography(marks.m, marks.u), (0.0, 0.0))
    trust = np.ones(len(marks.u))
    scatter = 10.0
    for _ in range(12):
        theta = _step(theta, marks, trust, scatter)
        away = np.hypot(*_residuals(theta, marks).T) * marks.say
        scatter = max(float(np.median(away)) / RAYLEIGH_MEDIAN * marks.spare, 1.0)
        trust = np.maximum(1.0 - (away / (6.0 * scatter)) ** 2, 0.0) ** 2
    return theta, trust


def _step(theta: Floats, marks: _Marks, trust: Floats, scatter: float) -> Floats:
    slope, error = _whitened(theta, marks, trust)
    hold = _hold(scatter)
    normal = slope.T @ slope + np.diag(hold)
    return np.asarray(theta - np.linalg.solve(normal, slope.T @ error + hold * theta))


def _spread(theta: Floats, marks: _Marks, trust: Floats) -> tuple[float, Floats]:
    """How many times wider the marks scatter than they should, at least 1, and the parameters' covariance."""
    slope, error = _whitened(theta, marks, trust)
    scatter = max(float(np.sqrt(np.sum(error**2) / np.sum(2.0 * trust))) * marks.spare, 1.0)
    normal = slope.T @ slope + np.diag(_hold(scatter))
    return scatter, np.asarray(scatter**2 * np.linalg.inv(normal))


def _whitened(theta: Floats, marks: _Marks, trust: Floats) -> tuple[Floats, Floats]:
    """(2N, 10) slopes and (2N,) residuals in standard uncertainties."""
    say = np.repeat(marks.say * np.sqrt(trust), 2)
    return _slopes(theta, marks).reshape(-1, 10) * say[:, None], _residuals(theta, marks).ravel() * say


def _hold(scatter: float) -> Floats:
    """What keeps the lens terms near zero where the marks cannot tell; a trace on the rest."""
    return np.append(np.full(8, 1e-6), (scatter / np.array(LENS_PRIOR)) ** 2)


def _residuals(theta: Floats, marks: _Marks) -> Points:
    straight = marks.u * _stretch(marks.u, (theta[8], theta[9]))[:, None]
    return straight - _project(np.append(theta[:8], 1.0).reshape(3, 3), marks.m)


def _slopes(theta: Floats, marks: _Marks) -> Floats:
    """(N, 2, 10) of the residuals by the parameters."""
    u, m = marks.u, marks.m
    matrix = np.append(theta[:8], 1.0).reshape(3, 3)
    below = m @ matrix[2, :2] + 1.0
    image = _project(matrix, m)
    one = np.column_stack([m, np.ones(len(m))]) / below[:, None]
    slope = np.zeros((len(m), 2, 10))
    slope[:, 0, 0:3] = -one
    slope[:, 1, 3:6] = -one
    slope[:, :, 6:8] = image[:, :, None] * one[:, None, :2]
    r2 = _squared_radius(u)
    slope[:, :, 8] = u * r2[:, None]
    slope[:, :, 9] = u * (r2 * r2)[:, None]
    return slope


def _linear_homography(source: Points, target: Points) -> Floats:
    """(8,) first guess: the direct linear solution with the last element 1."""
    x, y = source.T
    one, none = np.ones_like(x), np.zeros_like(x)
    rows_x = np.column_stack([x, y, one, none, none, none, -target[:, 0] * x, -target[:, 0] * y])
    rows_y = np.column_stack([none, none, none, x, y, one, -target[:, 1] * x, -target[:, 1] * y])
    return np.asarray(
        np.linalg.lstsq(np.vstack([rows_x, rows_y]), np.concatenate(list(target.T)), rcond=None)[0]
    )


def _plane(theta: Floats, like: PlaneMap, mm_frame: tuple[float, float, float]) -> PlaneMap:
    x, y, size = mm_frame
    from_marks = np.linalg.inv(np.append(theta[:8], 1.0).reshape(3, 3))
    to_card = np.array([[size, 0.0, x], [0.0, size, y], [0.0, 0.0, 1.0]]) @ from_marks
    return PlaneMap(like.centre_px, like.radius_px, (float(theta[8]), float(theta[9])), to_card)


def _parameters(plane: PlaneMap, mm_frame: tuple[float, float, float]) -> Floats:
    """(10,) the eight of the homography from normalised card to straightened picture, then k1 and k2."""
    x, y, size = mm_frame
    matrix = np.linalg.inv(plane.to_card) @ np.array([[size, 0.0, x], [0.0, size, y], [0.0, 0.0, 1.0]])
    return np.append((matrix / matrix[2, 2]).ravel()[:8], plane.lens)


def _squared_radius(u: Points) -> Floats:
    return np.asarray(np.sum(u * u, axis=1))


def _stretch(u: Points, lens: tuple[float, float]) -> Floats:
    r2 = _squared_radius(u)
    return 1.0 + lens[0] * r2 + lens[1] * r2 * r2


def _project(matrix: Floats, points: Points) -> Points:
    image: Floats = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(image[:, :2] / image[:, 2:])


def _project_jacobian(matrix: Floats, points: Points) -> Floats:
    below = points @ matrix[2, :2] + matrix[2, 2]
    image = _project(matrix, points)
    return np.asarray((matrix[None, :2, :2] - image[:, :, None] * matrix[2, :2]) / below[:, None, None])


def _as_points(points: ArrayLike) -> Points:
    return np.asarray(points, dtype=np.float64).reshape(-1, 2)
