"""Ground: a photo from above at the scale that the network reads, and where its pixels lie.

The working picture has 3 to 3.6 mm a pixel (`working_mm`), x right and y down as in the photo. A
photo taken straight down is only resized. In one taken at an angle things look smaller further off:
it is evened out row by row, so that a plant at any distance is as many px wide as its size tells,
and looks as it does to a camera at that angle. (Laid flat by a homography, upright leaves would be
drawn out to what no camera ever sees.) Places go through the pinhole model: the camera's axis is
tilted from straight down toward the photo's upper edge, and the ground is flat.

Pixel centres lie at integers + 0.5 everywhere; OpenCV has them at integers.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field, replace
from typing import Final

import cv2
import numpy as np

from collarvision.above.coverage import Coverage
from collarvision.above.network import WORKING_MM, working_mm
from collarvision.exif import FULL_FRAME_DIAGONAL_MM
from collarvision.photo import Photo

COARSEST_MM: Final = 8.0
"""A pixel's ground at which leaf tips can still be told; the network was trained up to it."""

FLAT_DEG: Final = 3.0
"""Tilt up to which a photo counts as taken straight down. From 30 m it shifts what lies 10 m off by
2 % of that distance, from 8 m by 7 %."""

MOST_SLANT_DEG: Final = 60.0
"""Ground that is seen at a flatter angle than this from straight down isn't looked at."""

_HALF: Final = np.array([[1.0, 0.0, 0.5], [0.0, 1.0, 0.5], [0.0, 0.0, 1.0]])

Pair = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True, eq=False)
class Ground(ABC):
    """A photo's ground as a working picture.

    Attributes
    ----------
    photo : Photo
    width, height : int
        Of the working picture, px.
    ground_from_photo : ndarray, (3, 3)
        Homography from photo px to mm right and ahead of the ground that the photo's middle shows.
    tilt_deg : float
    top_px : float
        Photo row above which the ground isn't looked at.
    working_mm : float
        Ground that a px of the working picture covers.
    """

    photo: Photo
    width: int
    height: int
    ground_from_photo: np.ndarray
    tilt_deg: float = 0.0
    top_px: float = 0.0
    working_mm: float = WORKING_MM
    _levels: dict[int, np.ndarray] = field(default_factory=dict, init=False, repr=False)

    @abstractmethod
    def picture(self, left: int, top: int, width: int, height: int) -> np.ndarray:
        """A window of the working picture, (height, width, 3) uint8; black beyond the photo."""

    @abstractmethod
    def photo_px(self, x: np.ndarray, y: np.ndarray) -> Pair:
        """Photo px of working px."""

    @abstractmethod
    def working_px(self, u: np.ndarray, v: np.ndarray) -> Pair:
        """Working px of photo px."""

    def metres(self, x: np.ndarray, y: np.ndarray) -> Pair:
        """Local metres of working px: x right, y up the photo."""
        right, ahead = _through(self.ground_from_photo, *self.photo_px(x, y))
        return right / 1000, ahead / 1000

    def from_metres(self, x_m: np.ndarray, y_m: np.ndarray) -> Pair:
        """Working px of local metres."""
        inverse = np.linalg.inv(self.ground_from_photo)
        return self.working_px(*_through(inverse, 1000 * x_m, 1000 * y_m))

    def shows(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Whether photo px lie in the photo, and where the ground is looked at."""
        width, height = self.photo.size
        inside = (u >= 0) & (u <= width) & (v >= self.top_px) & (v <= height)
        return np.asarray(inside)

    def coverage(self, cell_m: float = 0.05) -> Coverage:
        """The photo's outline on the ground, as far as it is looked at."""
        wide, tall = self.photo.size
        u = np.array([0.0, wide, 0.0, wide])
        v = np.array([self.top_px, self.top_px, tall, tall])
        right, ahead = (mm / 1000 for mm in _through(self.ground_from_photo, u, v))
        left, top = float(right.min()), float(ahead.max())
        columns = max(1, math.ceil((right.max() - left) / cell_m - 1e-9))
        rows = max(1, math.ceil((top - ahead.min()) / cell_m - 1e-9))
        y, x = np.mgrid[0:rows, 0:columns]
        at = _through(
            np.linalg.inv(self.ground_from_photo),
            1000 * (left + (x.ravel() + 0.5) * cell_m),
            1000 * (top - (y.ravel() + 0.5) * cell_m),
        )
        return Coverage(self.shows(*at).reshape(rows, columns), left, top, cell_m)

    def overview(self, mm_per_px: float) -> np.ndarray:
        """The whole laid flat, small, black beyond the photo: rows are straight and parallel."""
        coverage = self.coverage(mm_per_px / 1000)
        height, width = coverage.mask.shape
        to_ground = np.array(
            [
                [mm_per_px, 0.0, 1000 * coverage.left_m],
                [0.0, -mm_per_px, 1000 * coverage.top_m],
                [0.0, 0.0, 1.0],
            ]
        )
        step = max(1, round(mm_per_px / self._middle_mm()))
        matrix = (
            np.linalg.inv(_HALF)
            @ np.diag([1 / step, 1 / step, 1.0])
            @ np.linalg.inv(self.ground_from_photo)
            @ to_ground
            @ _HALF
        )
        flat = cv2.warpPerspective(
            self._level(step),
            matrix,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        )
        flat[~coverage.mask] = 0
        return np.asarray(flat)

    def length_scale(self, u: float, v: float) -> float:
        """Mm of ground a photo px, mean of both directions."""
        w = float(self.ground_from_photo[2] @ (u, v, 1.0))
        return math.sqrt(abs(float(np.linalg.det(self.ground_from_photo)) / w**3))

    def _middle_mm(self) -> float:
        return self.length_scale(self.photo.size[0] / 2, self.photo.size[1] / 2)

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


@dataclass(frozen=True, eq=False)
class FlatGround(Ground):
    """The ground of a photo taken straight down."""

    def picture(self, left: int, top: int, width: int, height: int) -> np.ndarray:
        """A window of the working picture."""
        across, down = self._ratio()
        if min(across, down) >= 1.0:
            if 0 not in self._levels:
                rgb, _ = self.photo.pixels(min(across, down))
                size = (self.width, self.height)
                self._levels[0] = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            return self._levels[0][top : top + height, left : left + width]
        matrix = np.linalg.inv(_HALF) @ np.diag([across, down, 1.0])
        matrix = matrix @ np.array([[1.0, 0.0, left], [0.0, 1.0, top], [0.0, 0.0, 1.0]]) @ _HALF
        found: np.ndarray = cv2.warpAffine(
            self._level(1),
            matrix[:2],
            (width, height),
            flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return found

    def photo_px(self, x: np.ndarray, y: np.ndarray) -> Pair:
        """Photo px of working px."""
        across, down = self._ratio()
        return np.asarray(x) * across, np.asarray(y) * down

    def working_px(self, u: np.ndarray, v: np.ndarray) -> Pair:
        """Working px of photo px."""
        across, down = self._ratio()
        return np.asarray(u) / across, np.asarray(v) / down

    def _ratio(self) -> tuple[float, float]:
        """Photo px to a working px: whole working px stretch by less than half a px a side."""
        width, height = self.photo.size
        return width / self.width, height / self.height


@dataclass(frozen=True, eq=False)
class TiltedGround(Ground):
    """The ground of a photo taken at an angle.

    Attributes
    ----------
    focal_px : float
    tall_mm : float
        The camera's height.
    """

    focal_px: float = 1.0
    tall_mm: float = 1.0

    def picture(self, left: int, top: int, width: int, height: int) -> np.ndarray:
        """A window of the working picture."""
        rows = top + np.arange(height) + 0.5
        columns = left + np.arange(width) + 0.5
        _, v = self.photo_px(np.full(height, self.width / 2), rows)
        step = max(1, round(self.working_mm / float(np.median(self._across_mm(v)))))
        u = (columns[None] - self.width / 2) * (self.working_mm / self._across_mm(v))[:, None]
        u += self.photo.size[0] / 2
        # Between two sizes of the photo a linear step loses little.
        found: np.ndarray = cv2.remap(
            self._level(step),
            (u / step - 0.5).astype(np.float32),
            np.repeat((v / step - 0.5).astype(np.float32)[:, None], width, 1),
            cv2.INTER_LINEAR,
        )
        return found

    def photo_px(self, x: np.ndarray, y: np.ndarray) -> Pair:
        """Photo px of working px."""
        width, height = self.photo.size
        sin, start = self._start()
        ahead = start * np.exp(self.working_mm * sin / self.tall_mm * np.asarray(y, np.float64))
        v = (ahead - self.focal_px * self._cos()) / sin + height / 2
        u = (np.asarray(x) - self.width / 2) * self.working_mm / self._across_mm(v) + width / 2
        return u, v

    def working_px(self, u: np.ndarray, v: np.ndarray) -> Pair:
        """Working px of photo px."""
        width, height = self.photo.size
        sin, start = self._start()
        ahead = (np.asarray(v, np.float64) - height / 2) * sin + self.focal_px * self._cos()
        safe = np.maximum(ahead, 1e-9)
        y = self.tall_mm / (self.working_mm * sin) * np.log(safe / start)
        x = (np.asarray(u) - width / 2) * self._across_mm(v) / self.working_mm + self.width / 2
        return x, y

    def _cos(self) -> float:
        return math.cos(math.radians(self.tilt_deg))

    def _start(self) -> tuple[float, float]:
        """Sine of the tilt; and how far down the axis the topmost row looks, px."""
        sin = math.sin(math.radians(self.tilt_deg))
        middle = self.photo.size[1] / 2
        return sin, (self.top_px - middle) * sin + self.focal_px * self._cos()

    def _across_mm(self, v: np.ndarray) -> np.ndarray:
        """Mm of ground a photo px across the view, by photo row."""
        sin = math.sin(math.radians(self.tilt_deg))
        depth = (np.asarray(v, np.float64) - self.photo.size[1] / 2) * sin
        found: np.ndarray = self.tall_mm / np.maximum(depth + self.focal_px * self._cos(), 1e-9)
        return found


def straight_down(photo: Photo, mm_per_px: float) -> Ground:
    """The ground of a photo taken straight down."""
    width, height = photo.size
    scale = working_mm(mm_per_px)
    ratio = mm_per_px / scale
    to_ground = np.array(
        [
            [mm_per_px, 0.0, -mm_per_px * width / 2],
            [0.0, -mm_per_px, mm_per_px * height / 2],
            [0.0, 0.0, 1.0],
        ]
    )
    wide, tall = max(1, round(width * ratio)), max(1, round(height * ratio))
    return FlatGround(photo, wide, tall, to_ground, working_mm=scale)


def tilted(photo: Photo, mm_per_px: float, tilt_deg: float) -> Ground:
    """The ground of a photo taken at an angle.

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
        raise ValueError("a tilted photo can't be measured without its focal length")
    tilt = math.radians(tilt_deg)
    sin, cos = math.sin(tilt), math.cos(tilt)
    away = mm_per_px * focal  # mm from the camera to the ground that its middle shows
    tall, ahead = away * cos, away * sin
    # Ground (X right, Y ahead, zero at the photo's middle) to photo px: the camera looks along
    # (0, sin, -cos), its picture's down is (0, -cos, -sin).
    depth = sin * ahead + cos * tall
    to_photo = np.array(
        [
            [focal, width / 2 * sin, width / 2 * depth],
            [
                0.0,
                height / 2 * sin - focal * cos,
                focal * (sin * tall - cos * ahead) + height / 2 * depth,
            ],
            [0.0, sin, depth],
        ]
    )
    # Up to the row where the ground gets too coarse, or is seen too flat.
    coarse = (tall / COARSEST_MM - focal * cos) / sin
    flat = -focal * math.tan(math.radians(MOST_SLANT_DEG) - tilt)
    top = min(max(0.0, height / 2 + max(coarse, flat)), height - 1.0)
    scale = working_mm(mm_per_px)
    ground = TiltedGround(
        photo,
        max(1, round(width * _across(top, height, focal, tall, tilt) / scale)),
        1,
        np.linalg.inv(to_photo),
        tilt_deg,
        top,
        scale,
        focal,
        tall,
    )
    _, bottom = ground.working_px(np.array([width / 2]), np.array([float(height)]))
    return replace(ground, height=max(1, round(float(bottom[0]))))


def focal_px(photo: Photo) -> float | None:
    """Focal length in photo px, from the 35 mm-equivalent (CIPA DCG-001: by the diagonal)."""
    if photo.focal_eq_mm is None:
        return None
    return photo.focal_eq_mm / FULL_FRAME_DIAGONAL_MM * math.hypot(*photo.size)


def _across(v: float, height: int, focal: float, tall: float, tilt: float) -> float:
    return tall / ((v - height / 2) * math.sin(tilt) + focal * math.cos(tilt))


def _through(matrix: np.ndarray, x: np.ndarray, y: np.ndarray) -> Pair:
    """Points through a homography."""
    at = matrix @ np.stack([x, y, np.ones(np.shape(x))])
    return at[0] / at[2], at[1] / at[2]
