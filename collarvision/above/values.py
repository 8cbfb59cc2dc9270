"""Values: what a photo from above gives, as frozen types.

Metres are in a frame of the photo's own: x east and y north of `Georeference` where that is known,
else x along the photo's rows of pixels and y up the photo, from the photo's middle. Stages are
numbers of collars, 0 for VE, and every distribution over them is VE, V1 ... V12, as everywhere in
the package. Nothing here is ever *staged*: tips seen from above tell a range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

import numpy as np

from collarvision.above.plantcolumns import (
    PLANT_COLUMNS,
    STAGE_COUNT,
    PlantAbove,
    Plants,
    no_plants,
)
from collarvision.answer import day_in

__all__ = [
    "PLANT_COLUMNS",
    "SQUARE_M_PER_ACRE",
    "STAGE_COUNT",
    "FieldAbove",
    "FrameAbove",
    "Gap",
    "Georeference",
    "GroundScale",
    "Interval",
    "PlantAbove",
    "Plants",
    "Row",
    "ScaleSource",
    "StageRange",
    "StandCount",
    "no_plants",
    "stage_range",
]

Interval = tuple[float, float]
Z90 = 1.6449
"""Of the normal distribution, two-sided 90 in 100."""

ScaleSource = Literal["exif", "card", "rows", "geotransform", "stated"]

SQUARE_M_PER_ACRE = 4046.8564224
"""International acre: 43,560 square feet of (0.3048 m)²."""


def interval_90(value: float, error: float) -> Interval:
    """90 in 100 by a relative standard error, on the scale of ratios: never below nothing."""
    reach = math.exp(Z90 * error)
    return value / reach, value * reach


@dataclass(frozen=True)
class GroundScale:
    """Size of the photo's pixels on the ground.

    Attributes
    ----------
    mm_per_px : float
        At the photo's middle; after rectifying, everywhere.
    relative_error : float
        Standard error over the value.
    source : str
        ``exif`` (height, focal length, sensor), ``card`` lying on the ground, ``rows`` (the
        spacing the user states), ``geotransform`` of an orthomosaic, ``stated`` (a height that the
        user gives, with the camera's EXIF).
    tilt_deg : float
        Angle between the camera's axis and straight down; 0 where nothing is known of it.
    notes : tuple of str
        Sentences on what was doubted or put right.
    """

    mm_per_px: float
    relative_error: float
    source: ScaleSource
    tilt_deg: float = 0.0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Georeference:
    """Where a photo's middle is on the earth.

    Attributes
    ----------
    lat, lon : float
        Of the local metres' zero, degrees of WGS 84.
    heading_deg : float or None
        Clockwise from north to the photo's upper edge. None: the middle is known and no more, so
        that plants have no longitude and latitude of their own.
    error_m : float
        Standard error of the position; plants of one photo share it.
    source : str
        ``gps`` or ``geotransform``.
    """

    lat: float
    lon: float
    heading_deg: float | None
    error_m: float
    source: Literal["gps", "geotransform"]


@dataclass(frozen=True)
class Row:
    """A row of plants: a straight line through the photo.

    Attributes
    ----------
    start_m, end_m : (x, y)
        Ends of what the photo shows of it, local metres.
    length_m : float
    plants : int
        Plants on it; doubles count once.
    """

    start_m: tuple[float, float]
    end_m: tuple[float, float]
    length_m: float
    plants: int


@dataclass(frozen=True)
class Gap:
    """A stretch of row without a plant.

    Attributes
    ----------
    row : int
        Index into the frame's rows.
    start_m, end_m : (x, y)
        The plants beside it, or the end of the row as seen; local metres.
    length_m : float
    missing : int
        Plants that would stand there at the row's usual spacing.
    start_lat_lon, end_lat_lon : (lat, lon) or None
    """

    row: int
    start_m: tuple[float, float]
    end_m: tuple[float, float]
    length_m: float
    missing: int
    start_lat_lon: tuple[float, float] | None = None
    end_lat_lon: tuple[float, float] | None = None


@dataclass(frozen=True)
class StandCount:
    """Plants to a length of row and to an area. Intervals are 90 in 100.

    Attributes
    ----------
    plants : float
        On rows, doubles by their probability, and `unseen_share` of them reckoned.
    row_length_m : float
        Length of row that they stand on.
    row_spacing_m : float or None
        Between rows; None with fewer than two rows, where the areas are None too.
    per_m_row, per_m_row_interval
    per_ha, per_ha_interval, per_acre, per_acre_interval
        A thousandth of an acre holds a thousandth of `per_acre`.
    spacing_m : float or None
        Usual distance from plant to plant in the row: the median.
    doubles : float
        Pairs of plants no further apart than half of `spacing_m`, and centres by the probability
        that they are two plants. ISO 7256-1 counts such as multiples (from memory).
    spacing_cv : float or None
        Standard deviation of the distance from plant to plant over its mean, doubles and gaps
        left out.
    unseen_share : float
        Share of `plants` that was not seen, but is added for what photos of this scale usually
        miss; below 0 where they show more than there are.
    rowless_share : float
        Share of the ground shown that has no rows. Plants to an area are over all of it; where rows
        are they stand ``1 / (1 - rowless_share)`` times as dense.
    """

    plants: float
    row_length_m: float
    row_spacing_m: float | None
    per_m_row: float
    per_m_row_interval: Interval
    per_ha: float | None
    per_ha_interval: Interval | None
    per_acre: float | None
    per_acre_interval: Interval | None
    spacing_m: float | None = None
    doubles: float = 0.0
    spacing_cv: float | None = None
    unseen_share: float = 0.0
    rowless_share: float = 0.0


@dataclass(frozen=True)
class StageRange:
    """Stages that plants seen from above are in: a range, never an answer.

    Attributes
    ----------
    low, high : int
        Collars, 0 for VE; `level` of the plants should lie in this range, both ends included.
    probabilities : tuple of float
        P(VE), P(V1) ... P(V12) of a plant drawn from them.
    level : float
    """

    low: int
    high: int
    probabilities: tuple[float, ...]
    level: float = 0.9


@dataclass(frozen=True, eq=False)
class FrameAbove:
    """What one photo or orthomosaic from above gives.

    Attributes
    ----------
    photo : str
        Base name of the file.
    sha256 : str or None
    size_px : (width, height)
    taken_at : str or None
        ISO 8601, as the file says.
    scale : GroundScale or None
        None: nothing was measured, and `reasons` say why.
    georeference : Georeference or None
    plants : Plants or None
        None where nothing was measured; empty where nothing stands.
    rows : tuple of Row
    row_angle_deg : float or None
        Of the rows, from the x axis of the local metres, anticlockwise, 0..180.
    stand : StandCount or None
    gaps : tuple of Gap
    stages : StageRange or None
    weed_cover : float or None
        Share of the ground under plants other than corn.
    canopy_cover : float or None
        Share of the ground under corn leaves.
    area_m2 : float or None
        Ground that was looked at.
    quality : tuple of str
        Short codes: ``no-scale``, ``sea-height``, ``tilted``, ``no-plants``, ``not-maize``,
        ``closed``, ``blurred``, ``coarse``, ``no-rows``, ``off-rows``, ``rowless``,
        ``odd-rows``, ``weedy``, ``hidden``, ``old``, ``outside``, ``no-network``.
    reasons : tuple of str
        Sentences: what wasn't measured or is in doubt, and what to do.
    model : str or None
    """

    photo: str
    sha256: str | None
    size_px: tuple[int, int]
    taken_at: str | None = None
    scale: GroundScale | None = None
    georeference: Georeference | None = None
    plants: Plants | None = None
    rows: tuple[Row, ...] = ()
    row_angle_deg: float | None = None
    stand: StandCount | None = None
    gaps: tuple[Gap, ...] = ()
    stages: StageRange | None = None
    weed_cover: float | None = None
    canopy_cover: float | None = None
    area_m2: float | None = None
    quality: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    model: str | None = None

    @property
    def day(self) -> date | None:
        """Day that it was taken on; None where the file says none."""
        return day_in(self.taken_at)


@dataclass(frozen=True, eq=False)
class FieldAbove:
    """A field's photos from above together; photos may overlap, and plants aren't matched.

    Attributes
    ----------
    name : str or None
    frames : tuple of FrameAbove
    stand : StandCount or None
        Over all frames with rows.
    stages : StageRange or None
        Of a plant drawn from all plants.
    reasons : tuple of str
    """

    name: str | None
    frames: tuple[FrameAbove, ...]
    stand: StandCount | None = None
    stages: StageRange | None = None
    reasons: tuple[str, ...] = field(default=())


def stage_range(probabilities: np.ndarray | Sequence[float], level: float = 0.9) -> tuple[int, int]:
    """Give the shortest run of stages that holds at least `level`; of equals the likelier.

    Parameters
    ----------
    probabilities : (13,)
        Over VE, V1 ... V12; sum to 1.
    """
    sums = np.concatenate([[0.0], np.cumsum(np.asarray(probabilities, np.float64))])
    count = len(sums) - 1
    for width in range(1, count + 1):
        held = sums[width:] - sums[:-width]
        best = int(held.argmax())
        if held[best] >= level - 1e-9 or width == count:
            return best, best + width - 1
    raise ValueError("a distribution needs at least one stage")
