"""Ground: a photo from above laid flat, at the scale that the network reads.

The working picture is the ground seen from straight up, `WORKING_MM` a pixel; x runs right in the
photo and y down. A photo taken straight down is only resized. One taken at an angle is rectified by
the pinhole model: the camera stands at height h, its axis tilted from straight down toward the
photo's upper edge, and the ground is flat. Where it would be coarser than `COARSEST_MM` a pixel,
toward the horizon, it isn't looked at.

Pixel centres lie at integers + 0.5 everywhere; OpenCV has them at integers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import cv2
import numpy as np

from collarvision.above.network import WORKING_MM
from collarvision.exif import FULL_FRAME_DIAGONAL_MM
from collarvision.photo import Photo

COARSEST_MM: Final = 8.0
"""A pixel's ground at which leaf tips can still be told; the network was trained up to it."""

FLAT_DEG: Final = 3.0
"""Tilt up to which a photo counts as taken straight down: 10 m off, a plant moves by 1 in 400."""

_HALF: Final = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])


@dataclass(frozen=True, eq=False)
class Coverage:
    """What of the ground was looked at: a grid of squares in local metres.

    Attributes
    ----------
    mask : ndarray, (h, w) bool
        Row 0 is the northmost (largest y).
    left_m, top_m : float
        The grid's corner.
    cell_m : float
    """

    mask: np.ndarray
    left_m: float
    top_m: float
    cell_m: float

    def holds(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Whether each point lies on ground that was looked at."""
        height, width = self.mask.shape
        column = np.floor((np.asarray(x_m) - self.left_m) / self.cell_m).astype(np.int64)
        row = np.floor((self.top_m - np.asarray(y_m)) / self.cell_m).astype(np.int64)
        inside = (column >= 0) & (column < width) & (row >= 0) & (row < height)
        found = np.zeros(np.shape(x_m), bool)
        found[inside] = self.mask[row[inside], column[inside]]
        return found

    def edge_distance_m(self, x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
        """Distance of each point to ground that wasn't looked at; 0 outside."""
        padded = np.pad(self.mask, 1).astype(np.uint8)
        away = cv2.distanceTransform(padded, cv2.DIST_L2, 5)[1:-1, 1:-1] * self.cell_m
        inside = self.holds(x_m, y_m)
        found = np.zeros(np.shape(x_m), np.float64)
        column = np.floor((np.asarray(x_m)[inside] - self.left_m) / self.cell_m).astype(np.int64)
        row = np.floor((self.top_m - np.asarray(y_m)[inside]) / self.cell_m).astype(np.int64)
        found[inside] = away[row, column]
        return found

    @property
    def area_m2(self) -> float:
        """Ground looked at."""
        return float(self.mask.sum()) * self.cell_m**2


@dataclass(frozen=True, eq=False)
class Ground:
    """A photo's ground as a working picture.

    Attributes
    ----------
    photo : Photo
    width, height : int
        Of the working picture, px.
    photo_from_working : ndarray, (3, 3)
        Homography between px of the two.
    middle : (x, y)
        Working px that the photo's middle shows: zero of the local metres.
    tilt_deg : float
    """

    photo: Photo
    width: int
    height: int
    photo_from_working: np.ndarray
    middle: tuple[float, float]
    tilt_deg: float = 0.0
    _levels: dict[int, np.ndarray] = field(default_factory=dict, init=False, repr=False)

    def picture(self, left: int, top: int, width: int, height: int) -> np.ndarray:
        """A window of the working picture, (height, width, 3) uint8; black beyond the photo."""
        local = self._photo_px_per_px(left + width / 2, top + height / 2)
        if self.tilt_deg == 0.0 and local >= 1.0:
            return self._shrunk()[top : top + height, left : left + width]
        step = max(1, round(local))
        shift = np.array([[1.0, 0.0, left], [0.0, 1.0, top], [0.0, 0.0, 1.0]])
        shrink = np.diag([1 / step, 1 / step, 1.0])
        matrix = np.linalg.inv(_HALF) @ shrink @ self.photo_from_working @ shift @ _HALF
        # Between two sizes of the photo a linear step loses little; enlarged, cubic is sharper.
        how = cv2.INTER_CUBIC if local < 1.0 else cv2.INTER_LINEAR
        found: np.ndarray = cv2.warpPerspective(
            self._level(step), matrix, (width, height), flags=how | cv2.WARP_INVERSE_MAP
        )
        return found

    def overview(self, shrink: float) -> np.ndarray:
        """The whole working picture with one px for `shrink`, black beyond the photo."""
        step = max(1, round(self._photo_px_per_px(self.width / 2, self.height / 2) * shrink))
        matrix = (
            np.linalg.inv(_HALF)
            @ np.diag([1 / step, 1 / step, 1.0])
            @ self.photo_from_working
            @ np.diag([shrink, shrink, 1.0])
            @ _HALF
        )
        size = (max(1, int(self.width / shrink)), max(1, int(self.height / shrink)))
        found: np.ndarray = cv2.warpPerspective(
            self._level(step), matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        return found

    def metres(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Local metres of working px: x right, y up the photo."""
        size = WORKING_MM / 1000
        return (np.asarray(x) - self.middle[0]) * size, (self.middle[1] - np.asarray(y)) * size

    def photo_px(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Photo px of working px."""
        at = self.photo_from_working @ np.stack([x, y, np.ones(np.shape(x))])
        return at[0] / at[2], at[1] / at[2]

    def coverage(self, cell_m: float = 0.05) -> Coverage:
        """The photo's outline on the ground, as far as it is looked at."""
        (left, right), (bottom, top) = (
            self.metres(np.array([0.0, self.width]), np.zeros(2))[0],
            self.metres(np.zeros(2), np.array([self.height, 0.0]))[1],
        )
        columns = math.ceil((right - left) / cell_m)
        rows = math.ceil((top - bottom) / cell_m)
        px = cell_m * 1000 / WORKING_MM
        y, x = np.mgrid[0:rows, 0:columns]
        u, v = self.photo_px((x.ravel() + 0.5) * px, (y.ravel() + 0.5) * px)
        wide, tall = self.photo.size
        inside = (u >= 0) & (u <= wide) & (v >= 0) & (v <= tall)
        return Coverage(inside.reshape(rows, columns), float(left), float(top), cell_m)

    def _photo_px_per_px(self, x: float, y: float) -> float:
        """Photo px that one working px spans there: the finer of both directions."""
        step = 0.5
        xs = np.array([x - step, x + step, x, x])
        ys = np.array([y, y, y - step, y + step])
        u, v = self.photo_px(xs, ys)
        return float(
            max(math.hypot(u[1] - u[0], v[1] - v[0]), math.hypot(u[3] - u[2], v[3] - v[2]))
        )

    def _shrunk(self) -> np.ndarray:
        """The whole of a photo taken straight down, each px the mean of what it covers."""
        if 0 not in self._levels:
            rgb, _ = self.photo.pixels(self._photo_px_per_px(self.width / 2, self.height / 2))
            self._levels[0] = cv2.resize(
                rgb, (self.width, self.height), interpolation=cv2.INTER_AREA
            )
        return self._levels[0]

    def _level(self, step: int) -> np.ndarray:
        """The photo with one px for a square of `step`: their means."""
        if step not in self._levels:
            rgb, have = self.photo.pixels(step)
            if have != step:
                width, height = self.photo.size
                # Squares that the photo's edge cuts are left out.
                rgb = rgb[: height // step * step // have, : width // step * step // have]
                size = (max(1, width // step), max(1, height // step))
                rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            self._levels[step] = rgb
        return self._levels[step]


def straight_down(photo: Photo, mm_per_px: float) -> Ground:
    """The ground of a photo taken straight down."""
    width, height = photo.size
    ratio = mm_per_px / WORKING_MM
    wide, tall = max(1, round(width * ratio)), max(1, round(height * ratio))
    # Whole px of the working picture stretch by less than half a px over its sides.
    to_photo = np.diag([width / wide, height / tall, 1.0])
    return Ground(photo, wide, tall, to_photo, (wide / 2, tall / 2))


def tilted(photo: Photo, mm_per_px: float, tilt_deg: float) -> Ground:
    """The ground of a photo taken at an angle, rectified.

    Parameters
    ----------
    photo : Photo
        With its focal length.
    mm_per_px : float
        At the photo's middle, across the view.
    tilt_deg : float
        Of the camera's axis from straight down toward the photo's upper edge, under 90.
    """
    width, height = photo.size
    focal = focal_px(photo)
    if focal is None:
        raise ValueError("a tilted photo can't be rectified without its focal length")
    tilt = math.radians(tilt_deg)
    sin, cos = math.sin(tilt), math.cos(tilt)
    away = mm_per_px * focal  # mm from the camera to the ground that its middle shows
    tall = away * cos  # the camera's height
    # Ground (X right, Y ahead, zero at the photo's middle) to photo px: the camera looks along
    # (0, sin, -cos), its picture's down is (0, -cos, -sin).
    ahead = away * sin
    to_photo = np.array(
        [
            [focal, width / 2 * sin, width / 2 * (sin * ahead + cos * tall)],
            [
                0.0,
                -focal * cos + height / 2 * sin,
                focal * (sin * tall - cos * ahead) + height / 2 * (sin * ahead + cos * tall),
            ],
            [0.0, sin, sin * ahead + cos * tall],
        ]
    )
    # Along the view a px covers z^2 / (focal * height) of ground, z the depth of the place.
    deepest = math.sqrt(COARSEST_MM * focal * tall)
    furthest = (deepest - cos * tall) / sin - ahead
    corners = _corners(np.linalg.inv(to_photo), width, height, furthest)
    (left, near), (right, far) = corners.min(0), corners.max(0)
    far = min(far, furthest)
    work = np.array([[WORKING_MM, 0.0, left], [0.0, -WORKING_MM, far], [0.0, 0.0, 1.0]])
    return Ground(
        photo,
        max(1, math.ceil((right - left) / WORKING_MM)),
        max(1, math.ceil((far - near) / WORKING_MM)),
        to_photo @ work,
        (-left / WORKING_MM, far / WORKING_MM),
        tilt_deg,
    )


def focal_px(photo: Photo) -> float | None:
    """Focal length in photo px, from the 35 mm-equivalent (CIPA DCG-001: by the diagonal)."""
    if photo.focal_eq_mm is None:
        return None
    return photo.focal_eq_mm / FULL_FRAME_DIAGONAL_MM * math.hypot(*photo.size)


def _corners(from_photo: np.ndarray, width: int, height: int, furthest: float) -> np.ndarray:
    """Ground of points round the photo's rim that lie nearer than `furthest`, (n, 2) mm."""
    t = np.linspace(0.0, 1.0, 201)
    zero, one = np.zeros_like(t), np.ones_like(t)
    rim = np.concatenate(
        [
            np.column_stack([t * width, zero]),
            np.column_stack([t * width, one * height]),
            np.column_stack([zero, t * height]),
            np.column_stack([one * width, t * height]),
        ]
    )
    at = np.column_stack([rim, np.ones(len(rim))]) @ from_photo.T
    ground = at[:, :2] / at[:, 2:]
    kept: np.ndarray = ground[(at[:, 2] > 0) & (ground[:, 1] <= furthest)]
    return kept
