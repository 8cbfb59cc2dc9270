"""Parallax: where a plant that stands before the board really is.

The card gives a scale on the board's plane. A plant `offset` mm before it at camera distance Z
looks offset / (Z - offset) too tall there (pinhole camera). Here the offset is inferred from where
the stalk meets the soil, and rays are cut with the upright plane that the plant stands in.

Axes: the card's, mm; x right, y down, z into the board; the camera is at negative z.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from collarvision.card import Scale
from collarvision.network import BACKGROUND, SOIL
from collarvision.parts import Parts, Point

OFFSET_PRIOR_MM = (33.0, 22.0)
"""Mean and sd of a plant's distance from its board: hands put boards 0-60 mm behind, and not always
as near as they are told. With less room for that, own plants are taken as 5 mm too near to it."""

LAID_OFFSET_MM = (9.0, 6.0)
"""The same for a plant that lies on the board: half a stalk, or an arching blade."""

AZIMUTH_SD = 0.36
"""Leaves leave the board's plane by some 20 degrees (radians): their own spread of 10-20 degrees
(from memory, no source) and a plant or board that isn't set square."""

FACING = 0.15
"""Share of the plants that stand turned anyhow, their leaves pointing at the camera. Our own
choice."""

REACH_PER_RISE = (0.96, 0.33)
"""How far a leaf's arch is from the stalk, against its height over the leaf's collar: median, and
sd in natural log units, of 187 plants of our own generator."""

Facing = Literal["board", "camera"]

_AZIMUTHS = np.linspace(-1.4, 1.4, 113)

LAID_DEPTH_MM = (0.0, 8.0)
"""How far before the stalk a laid plant's arch lies: the board presses the leaves flat."""

SOIL_ROUGHNESS_MM = 4.0
"""Sd of the soil's height between the stalk and the board: clods and furrows. Our own choice."""

LEAN_DEG = (1.5, 2.0)
"""Mean and sd of a board's lean backwards: it is pushed into soil by hand. Our own choice."""

SOIL_SLOPE_DEG = 2.0
CARD_CROOKED_DEG = 4.0
CAMERA_ROLL_DEG = 4.0
STALK_LEAN_DEG = 7.0
"""Sds of the four signs of the vertical. Our own choices."""

FOOT_CELLS = 35.0
"""The soil's edge lies within this many map cells of the foot's row."""

MOST_STRETCHED = 4.0
"""Where a px takes so many times the board that it takes at the card, nothing is measured: the
board's horizon is near. Our own choice: it is 1.9 at most in 124 photos that were asked."""

STEP_CELLS = 1.3
"""A point of the soil's edge lies on its line within this many map cells."""


@dataclass(frozen=True)
class SoilLine:
    """Where the soil meets the board.

    Attributes
    ----------
    point : ndarray, (2,)
        Middle of the line, mm on the board.
    direction : ndarray, (2,)
        Unit vector along it, to the right.
    angle_sd : float
        Its error, radians, the soil's own slope included.
    level_sd_mm : float
        Error of its height under the plant, the soil's roughness left out.
    """

    point: np.ndarray
    direction: np.ndarray
    angle_sd: float
    level_sd_mm: float


@dataclass(frozen=True)
class Stand:
    """How a plant stands before the board: everything that turns a pixel into a place on it.

    Attributes
    ----------
    camera : ndarray, (3,)
    up : ndarray, (2,)
        The vertical's direction on the board, unit vector.
    up_sd : float
        Its error, radians.
    offset_mm, offset_sd_mm : float
        Distance of the stalk's foot from the board.
    offset_seen : bool
        Whether the soil's line told the offset; otherwise it is a prior.
    lean : float
        Lean of the board backwards, radians.
    """

    camera: np.ndarray
    up: np.ndarray
    up_sd: float
    offset_mm: float
    offset_sd_mm: float
    offset_seen: bool
    lean: float

    def height_mm(
        self,
        base: np.ndarray,
        points: np.ndarray,
        depth_mm: float = 0.0,
        facing: Facing = "board",
    ) -> np.ndarray:
        """Heights (n,) over the stalk's foot of points seen at board positions (n, 2).

        Parameters
        ----------
        base : ndarray, (2,)
            Board position at which the stalk's foot is seen.
        points : ndarray, (n, 2)
        depth_mm : float
            How far before the stalk the points are, level.
        facing : {'board', 'camera'}
            Which way before it: out of the board, or towards the camera.
        """
        vertical = np.array([*(np.cos(self.lean) * self.up), -np.sin(self.lean)])
        right = np.array([-self.up[1], self.up[0], 0.0])
        outward = np.cross(right, vertical)
        outward *= -np.sign(outward[2]) or 1.0
        distance = -self.camera[2]
        foot = self._ray(base[None], np.array([1.0 - self.offset_mm / distance]))[0]
        if facing == "camera":
            away = self.camera - foot
            level = away - (away @ vertical) * vertical
            outward = level / max(float(np.linalg.norm(level)), 1e-9)
        rays = np.column_stack([points, np.zeros(len(points))]) - self.camera
        share = ((foot + depth_mm * outward - self.camera) @ outward) / (rays @ outward)
        return (self._ray(points, share) - foot) @ vertical

    def _ray(self, points: np.ndarray, share: np.ndarray) -> np.ndarray:
        """Points (n, 3) at a share of the way from the camera to board positions (n, 2)."""
        on_board = np.column_stack([points, np.zeros(len(points))])
        return self.camera + share[:, None] * (on_board - self.camera)


def camera_place(scale: Scale) -> np.ndarray:
    """Camera centre (3,), mm in the card's axes."""
    return -scale.rotation.T @ np.asarray(scale.translation_mm, dtype=float).reshape(3)


def on_board(scale: Scale, points_px: np.ndarray) -> np.ndarray:
    """Board positions (n, 2), mm, at which photo px (n, 2) are seen."""
    points_px = np.asarray(points_px, dtype=float).reshape(-1, 2)
    h = np.column_stack([points_px, np.ones(len(points_px))]) @ scale.board_mm_from_px.T
    return h[:, :2] / h[:, 2:]


def has_size(scale: Scale, x: float, y: float) -> bool:
    """Whether anything seen at photo px (x, y) can be measured: the board's horizon isn't near."""
    here = scale.mm_per_px_at(x, y)
    at_card = scale.mm_per_px_at(*scale.corners_px.mean(axis=0))
    return bool(np.isfinite(here) and here <= MOST_STRETCHED * at_card)


def stand(parts: Parts, scale: Scale, base: Point, stalk_px: np.ndarray, *, laid: bool) -> Stand:
    """Infer how the plant stands from the soil's edge, the card, the camera and the stalk."""
    camera = camera_place(scale)
    foot = on_board(scale, np.array([[base.x, base.y]]))[0]
    if laid:
        up = _stalk_direction(scale, stalk_px)
        up = up if up is not None else np.array([0.0, -1.0])
        return Stand(camera, up, np.deg2rad(2.0), *LAID_OFFSET_MM, offset_seen=False, lean=0.0)
    line = soil_line(parts, scale, base)
    up, up_sd = vertical_on_board(scale, line, _stalk_direction(scale, stalk_px))
    offset, sd, seen = plant_offset(camera, foot, line, up)
    return Stand(camera, up, up_sd, offset, sd, seen, np.deg2rad(LEAN_DEG[0]))


def vertical_on_board(
    scale: Scale, line: SoilLine | None, stalk: np.ndarray | None
) -> tuple[np.ndarray, float]:
    """Weigh the signs of the vertical by their errors; unit vector (2,) on the board, and sd, rad.

    The card may hang crooked, the camera may be rolled, soil slopes and plants lean; each alone is
    a few degrees off, together they are off by less.
    """
    plumb = _angle(plumb_line(scale))
    signs = [(plumb, CAMERA_ROLL_DEG)]
    # A card may be hung on any of its sides.
    side = np.round(plumb / (np.pi / 2)) * np.pi / 2
    if abs(side - plumb) < np.deg2rad(20.0):
        signs.append((float(side), CARD_CROOKED_DEG))
    if line is not None:
        normal = np.array([line.direction[1], -line.direction[0]])
        signs.append((_near(_angle(normal), plumb), float(np.rad2deg(line.angle_sd))))
    if stalk is not None:
        signs.append((_near(_angle(stalk), plumb), STALK_LEAN_DEG))
    angles, sds = np.array(signs).T
    weights = 1.0 / np.deg2rad(sds) ** 2
    # A sign that is far off the others (a photo on its side) must not drag them along.
    agree = np.abs(angles - np.median(angles)) < np.deg2rad(25.0)
    # Where no two agree the camera is believed: it is held upright more surely than a card hangs.
    weights = weights * (agree if agree.any() else np.arange(len(angles)) == 0)
    angle = float((weights * angles).sum() / weights.sum())
    return np.array([np.sin(angle), -np.cos(angle)]), float(weights.sum() ** -0.5)


def plumb_line(scale: Scale) -> np.ndarray:
    """Upward direction (2,) on the board if the camera is held without roll.

    Such a camera sees the vertical in its own y-z plane: it has no x in camera axes.
    """
    plumb = np.array([scale.rotation[0, 1], -scale.rotation[0, 0]])
    return plumb / max(float(np.hypot(*plumb)), 1e-9)


def plant_offset(
    camera: np.ndarray, foot: np.ndarray, line: SoilLine | None, up: np.ndarray
) -> tuple[float, float, bool]:
    """Offset of the stalk's foot from the board, its sd (mm), and whether the soil told it.

    The soil is a plane square to the board through `line`. Over that plane the camera stands
    `high`; the foot is seen `low` under the line. Similar triangles give offset = Z low / (high +
    low). The measurement is weighed against the prior, which rules where the camera is low.
    """
    mean, sd = OFFSET_PRIOR_MM
    if line is None:
        return mean, sd, False
    # The point of the line under the plant, not its middle: the line may be aslant.
    across = (foot - line.point) @ line.direction
    under = line.point + across * line.direction
    low = float(-(foot - under) @ up)
    high = float((camera[:2] - under) @ up)
    distance = float(-camera[2])
    if high < 30.0 or not -12.0 < low < 0.5 * high:
        return mean, sd, False
    measured = distance * low / (high + low)
    error = distance * high / (high + low) ** 2 * np.hypot(line.level_sd_mm, SOIL_ROUGHNESS_MM)
    error = float(np.hypot(error, 0.05 * measured))
    weight = sd**2 / (sd**2 + error**2)
    offset = mean + weight * (measured - mean)
    return float(np.clip(offset, 0.0, 80.0)), float(sd * np.sqrt(1.0 - weight)), True


def leaf_depth(
    away_mm: float, offset_mm: float, rise_mm: float | None = None
) -> tuple[float, float]:
    """Mean and sd, mm, of how far before the stalk's plane a leaf's arch lies.

    A leaf that leaves the board's plane by an angle is seen foreshortened: `away_mm` from the stalk
    where it is away / cos(angle). How high the arch is over the leaf's collar tells about how far
    out it must be, so that an arch seen near the stalk points at the camera or from it. It can't
    pass through the board `offset_mm` behind the stalk.

    Parameters
    ----------
    away_mm : float
        Distance of the arch from the stalk as seen on the board.
    offset_mm : float
    rise_mm : float, optional
        Height of the arch over the leaf's collar; without it only the angle's prior speaks.
    """
    away = max(away_mm, 1.0)
    bell = np.exp(-0.5 * (_AZIMUTHS / AZIMUTH_SD) ** 2) / (AZIMUTH_SD * np.sqrt(2 * np.pi))
    weight = (1 - FACING) * bell
    if rise_mm is not None:
        weight = weight + FACING / np.ptp(_AZIMUTHS)
        median, spread = REACH_PER_RISE
        reach = away / (max(rise_mm, 1.0) * np.cos(_AZIMUTHS))
        weight = weight * np.exp(-0.5 * (np.log(reach / median) / spread) ** 2)
    weight = weight / max(float(weight.sum()), 1e-300)
    depth = np.maximum(away * np.tan(_AZIMUTHS), -max(offset_mm, 0.0))
    mean = float(weight @ depth)
    return mean, float(np.sqrt(weight @ (depth - mean) ** 2)) + 0.5


def soil_line(parts: Parts, scale: Scale, base: Point) -> SoilLine | None:
    """Fit the edge of the soil against the board, left and right of the plant; None if unclear."""
    edge = soil_edge(parts, base)
    if len(edge) < 12:
        return None
    edge_px = edge @ parts.photo_from_map[:, :2].T + parts.photo_from_map[:, 2]
    near = np.abs(edge_px[:, 0] - base.x) < 60.0 * parts.px_per_map_px
    points = on_board(scale, edge_px[near])
    cell_mm = parts.px_per_map_px * scale.mm_per_px_at(base.x, base.y)
    if len(points) < 12:
        return None
    # In axes that are level if the camera is: the card itself may hang on its side.
    up = plumb_line(scale)
    level = np.array([[-up[1], up[0]], [-up[0], -up[1]]])
    points = points @ level.T
    kept = _on_one_line(points, STEP_CELLS * cell_mm)
    if kept.sum() < max(12, 0.4 * len(points)):
        return None
    points = points[kept]
    extent = float(np.ptp(points[:, 0]))
    if extent < 8.0 * cell_mm:
        return None
    middle = points.mean(axis=0)
    slope, _ = np.polyfit(points[:, 0] - middle[0], points[:, 1] - middle[1], 1)
    direction = np.array([1.0, slope]) / np.hypot(1.0, slope)
    off = (points - middle) @ np.array([-direction[1], direction[0]])
    # Neighbouring columns share their error, so far fewer of them count than there are.
    independent = max(2.0, len(points) / 8.0)
    spread = float(np.hypot(off.std(), 0.3 * cell_mm))
    angle_sd = spread * np.sqrt(12.0 / independent) / extent
    return SoilLine(
        point=middle @ level,
        direction=direction @ level,
        angle_sd=float(np.hypot(angle_sd, np.deg2rad(SOIL_SLOPE_DEG))),
        level_sd_mm=spread / float(np.sqrt(independent)) + 0.3 * cell_mm,
    )


def soil_edge(parts: Parts, base: Point) -> np.ndarray:
    """Points (n, 2), map cells, of the soil's edge where the board is seen right above it.

    A column may hold several such edges (the field's horizon over the board, a shadow): the one
    nearest to the foot's row is taken, and none that is far from it.
    """
    soil = parts.classes == SOIL
    free = parts.classes == BACKGROUND
    edge = np.zeros_like(soil)
    edge[2:-1] = soil[2:-1] & soil[3:] & free[1:-2] & free[:-3]
    foot_row = (base.y - parts.photo_from_map[1, 2]) / parts.photo_from_map[1, 1]
    away = np.where(edge, np.abs(np.arange(len(soil)) - foot_row)[:, None], np.inf)
    rows = away.argmin(axis=0)
    columns = np.nonzero(away.min(axis=0) <= FOOT_CELLS)[0]
    return np.column_stack([columns.astype(float), rows[columns] - 0.5])


def _on_one_line(points: np.ndarray, tolerance: float) -> np.ndarray:
    """Mask of the points on the line that most of them share; every pair of some 30 is tried."""
    chosen = points[:: max(1, len(points) // 30)]
    i, j = np.triu_indices(len(chosen), 1)
    run = chosen[j, 0] - chosen[i, 0]
    usable = np.abs(run) > 0.2 * np.ptp(points[:, 0])
    i, j, run = i[usable], j[usable], run[usable]
    slope = (chosen[j, 1] - chosen[i, 1]) / run
    level = chosen[i, 1] - slope * chosen[i, 0]
    off = np.abs(points[None, :, 1] - slope[:, None] * points[None, :, 0] - level[:, None])
    within = (off < tolerance) & (np.abs(slope) < 0.4)[:, None]
    if not len(within):
        return np.zeros(len(points), dtype=bool)
    return np.asarray(within[within.sum(axis=1).argmax()])


def _stalk_direction(scale: Scale, stalk_px: np.ndarray) -> np.ndarray | None:
    if len(stalk_px) < 5:
        return None
    ends = on_board(scale, stalk_px[[0, -1]])
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    return along / length if length > 5.0 else None


def _near(angle: float, other: float) -> float:
    """The same angle, a whole turn away if that is nearer to another one."""
    return angle - 2 * np.pi * float(np.round((angle - other) / (2 * np.pi)))


def _angle(up: np.ndarray) -> float:
    """Angle of a direction to the card's own upward axis, clockwise, radians."""
    return float(np.arctan2(up[0], -up[1]))
