"""Invented: fields with soils, planting depths and late plants, flown over and walked, by seed.

For the demo's flight and for trying out walks on fields whose truth is known. A plant's leaf number
is a sum: the field's mean, what its soil adds, a smooth drift, its planter row's depth, its own
lot, and for late emergers some leaves less (up to 25 in 100 plants came 5-7 days late in the worst
rows: Novak & Ransom 2018, 10.4236/as.2018.910092). All amounts are invented. Its stage is the whole
part of that number. From above its tips are two or three more than its collars
(`collarvision.leafwords`), the same for the whole field, with an error of its own and one that
drifts over the field.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Final

import numpy as np

from collarvision.above.assembling import range_of
from collarvision.above.calibration import load_above_calibration
from collarvision.above.values import (
    STAGE_COUNT,
    FieldAbove,
    FrameAbove,
    Gap,
    Georeference,
    GroundScale,
    Plants,
)
from collarvision.above.values import StageRange as AboveRange

ROW_M: Final = 0.762  # 30 in
PLANT_M: Final = 0.17
_UNITS: Final = 16  # rows of a planter
_WAVES: Final = 48
_TIP_ERROR: Final = 0.8


@dataclass(frozen=True)
class Patch:
    """A soil: a smooth-edged ellipse in which plants are some leaves ahead (or behind)."""

    x_m: float
    y_m: float
    radius_m: tuple[float, float]
    turn: float
    leaves: float
    late: float = 0.0  # share of late plants more
    missing: float = 0.0

    def inside(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """How much of the patch there is at each point, 0 to 1."""
        c, s = np.cos(self.turn), np.sin(self.turn)
        dx, dy = x - self.x_m, y - self.y_m
        along, across = c * dx + s * dy, c * dy - s * dx
        out = np.hypot(along / self.radius_m[0], across / self.radius_m[1])
        return np.asarray(1 / (1 + np.exp(12 * (out - 1))))


@dataclass(frozen=True, eq=False)
class InventedField:
    """A field `size_m` wide and deep, its south-western corner at zero; rows run north."""

    size_m: tuple[float, float]
    leaves: float
    patches: tuple[Patch, ...]
    drift: float  # leaves, sd over the field
    drift_m: float
    rows: float  # leaves, sd between planter units
    plants: float  # leaves, sd between plants
    late: float  # share of plants
    more_tips: float  # tips more than leaf number
    seen_drift: float  # tips, sd over the field of an error from above
    seed: int
    tip_error: float = 0.8  # tips, sd of one plant's count from above
    photo_error: float = 0.0  # tips, sd of what all plants of one photo err by together
    found: float = 1.0  # share of plants that are found from above

    def mean_leaves(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Leaf number of a usual plant at each point, without its own lot."""
        found = self.leaves + self.drift * self._waves(x, y, self.drift_m, 1)
        for patch in self.patches:
            found += patch.leaves * patch.inside(x, y)
        unit = np.random.default_rng([self.seed, 3]).normal(0, self.rows, _UNITS)
        return np.asarray(found + unit[(x // ROW_M).astype(int) % _UNITS])

    def grow(self, x: np.ndarray, y: np.ndarray, random: np.random.Generator) -> np.ndarray:
        """Leaf number of one plant at each point."""
        late = self.late + sum(p.late * p.inside(x, y) for p in self.patches)
        behind = np.where(random.random(len(x)) < late, random.uniform(0.8, 1.8, len(x)), 0.0)
        own = random.normal(0, self.plants, len(x))
        return np.asarray(np.clip(self.mean_leaves(x, y) + own - behind, 0, STAGE_COUNT - 0.01))

    def missing(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Share of plants missing at each point."""
        return np.asarray(
            np.clip(0.04 + sum(p.missing * p.inside(x, y) for p in self.patches), 0, 0.9)
        )

    def shares(self, plants: int = 60_000) -> np.ndarray:
        """Share of the field's plants at or past VE, V1, ... V12, (13,)."""
        random = np.random.default_rng([self.seed, 5])
        x, y = random.uniform(0, self.size_m[0], plants), random.uniform(0, self.size_m[1], plants)
        there = random.random(plants) >= self.missing(x, y)
        stages = np.floor(self.grow(x, y, random))[there]
        return np.array([(stages >= k).mean() for k in range(STAGE_COUNT)])

    def walk_to(self, x: float, y: float, plants: int, random: np.random.Generator) -> np.ndarray:
        """Stages of plants at a stop: every third along a row, as the plan asks."""
        step = 3 * PLANT_M * (np.arange(plants) - plants / 2)
        xs, ys = np.full(plants, x), np.clip(y + step, 0, self.size_m[1])
        return np.asarray(np.floor(self.grow(xs, ys, random)).astype(int))

    def fly(
        self,
        origin: tuple[float, float],
        metres_a_degree: tuple[float, float],
        day: date,
        *,
        photos: int,
        frame_m: tuple[float, float] = (16.0, 11.0),
        name: str | None = None,
        first_number: int = 1,
        seed: int = 0,
    ) -> FieldAbove:
        """Fly over it: photos on an even grid, as `collarvision above` would read them.

        Parameters
        ----------
        origin : (latitude, longitude)
            Of the field's zero.
        metres_a_degree : (float, float)
            Of latitude and of longitude.
        """
        random = np.random.default_rng([self.seed, 7, seed])
        wide, deep = self.size_m
        columns = max(round(float(np.sqrt(photos * wide / deep))), 1)
        lines = max(round(photos / columns), 1)
        middles = [
            ((i + 0.5) * wide / columns, (j + 0.5) * deep / lines)
            for j in range(lines)
            for i in (range(columns) if j % 2 == 0 else reversed(range(columns)))
        ]
        frames = [
            self._photo(x, y, frame_m, origin, metres_a_degree, day, number, random)
            for number, (x, y) in enumerate(middles, start=first_number)
        ]
        every = np.concatenate([one.plants.stage_probabilities for one in frames if one.plants])
        return FieldAbove(name, tuple(frames), stages=_range(every))

    def _photo(
        self,
        x0: float,
        y0: float,
        frame_m: tuple[float, float],
        origin: tuple[float, float],
        metres_a_degree: tuple[float, float],
        day: date,
        number: int,
        random: np.random.Generator,
    ) -> FrameAbove:
        rows = np.arange(
            np.ceil((x0 - frame_m[0] / 2) / ROW_M), np.floor((x0 + frame_m[0] / 2) / ROW_M) + 1
        )
        along = np.arange(y0 - frame_m[1] / 2, y0 + frame_m[1] / 2, PLANT_M)
        x = np.repeat((rows + 0.5) * ROW_M, len(along))
        y = np.tile(along, len(rows))
        row = np.repeat(np.arange(len(rows)), len(along))
        there = random.random(len(x)) >= self.missing(x, y)
        if self.found < 1:
            there &= random.random(len(x)) < self.found
        there &= (x > 0) & (x < self.size_m[0]) & (y > 0) & (y < self.size_m[1])
        lat_m, lon_m = metres_a_degree

        def degrees(px: float, py: float) -> tuple[float, float]:
            return origin[0] + py / lat_m, origin[1] + px / lon_m

        gaps = tuple(
            Gap(
                int(k),
                (x[i] - x0, y[i] - y0),
                (x[j] - x0, y[j] - y0),
                float(y[j] - y[i]),
                int(j - i - 1),
                degrees(x[i], y[i]),
                degrees(x[j], y[j]),
            )
            for k in range(len(rows))
            for own in [np.flatnonzero(there & (row == k))]
            for i, j in pairwise(own)
            if j - i > 2
        )
        x, y, row = x[there], y[there], row[there]
        x = x + random.normal(0, 0.01, len(x))
        y = y + random.normal(0, 0.02, len(y))
        leaves = self.grow(x, y, random)
        seen = self.seen_drift * self._waves(x, y, 60.0, 2)
        tips = leaves - 0.5 + self.more_tips + seen + random.normal(0, self.tip_error, len(x))
        if self.photo_error:
            tips += random.normal(0, self.photo_error)
        tips = np.maximum(tips, 0.0)
        canopy = 2500 * np.exp(0.45 * (leaves - 3) + random.normal(0, 0.25, len(x)))
        stages = stages_of_tips(tips)
        middle = degrees(x0, y0)
        empty = np.zeros(0, np.float32)
        plants = Plants(
            x_px=((x - x0 + frame_m[0] / 2) / 0.003),
            y_px=((y0 + frame_m[1] / 2 - y) / 0.003),
            x_m=x - x0,
            y_m=y - y0,
            lat=origin[0] + y / lat_m,
            lon=origin[1] + x / lon_m,
            score=np.full(len(x), 0.9, np.float32),
            tips=np.round(tips).astype(np.int32),
            tip_count=tips.astype(np.float32),
            canopy_mm2=canopy.astype(np.float32),
            double=np.zeros(len(x), np.float32),
            row=row.astype(np.int32),
            place_in_row_m=(y - y0 + frame_m[1] / 2).astype(np.float32),
            stage_probabilities=stages,
            tip_x_px=empty,
            tip_y_px=empty,
            tip_start=np.zeros(len(x) + 1, np.int64),
        )
        return FrameAbove(
            photo=f"FLY_{number:04d}.jpg",
            sha256=None,
            size_px=(round(frame_m[0] / 0.003), round(frame_m[1] / 0.003)),
            taken_at=f"{day.isoformat()}T10:{number // 60 % 60:02d}:{number % 60:02d}",
            scale=GroundScale(3.0, 0.03, "exif"),
            georeference=Georeference(*middle, 0.0, 2.0, "gps"),
            plants=plants,
            row_angle_deg=90.0,
            gaps=gaps,
            stages=_range(stages),
            area_m2=frame_m[0] * frame_m[1],
        )

    def _waves(self, x: np.ndarray, y: np.ndarray, length_m: float, key: int) -> np.ndarray:
        """A smooth field of mean 0 and variance 1, correlated over some `length_m`.

        Random cosines (Rahimi & Recht 2007, NeurIPS 20, from memory).
        """
        random = np.random.default_rng([self.seed, key])
        turn = random.normal(0, 1 / length_m, (2, _WAVES))
        phase = random.uniform(0, 2 * np.pi, _WAVES)
        found = np.zeros(len(x))
        for k in range(_WAVES):
            found += np.cos(turn[0, k] * x + turn[1, k] * y + phase[k])
        return np.asarray(found * np.sqrt(2 / _WAVES))


def stages_of_tips(tips: np.ndarray) -> np.ndarray:
    """P(VE) ... P(V12) of plants by their tips: two or three fewer collars, and a tip's error."""
    k = np.arange(STAGE_COUNT)
    found = sum(
        np.exp(-0.5 * ((k - (tips[:, None] - more)) / _TIP_ERROR) ** 2) for more in (2.0, 3.0)
    )
    found = np.where(tips[:, None] < 1.5, k == 0, found)
    return np.asarray(found / found.sum(axis=1, keepdims=True), np.float32)


def _range(stages: np.ndarray) -> AboveRange:
    return range_of(stages, load_above_calibration())


def invent_field(seed: int, *, even: bool | None = None) -> InventedField:
    """Invent a field of 12 to 60 acres; about a quarter are even, unless told."""
    random = np.random.default_rng([seed, 0])
    area = random.uniform(12, 60) * 4046.86
    shape = random.uniform(0.5, 2.0)
    wide, deep = float(np.sqrt(area * shape)), float(np.sqrt(area / shape))
    chosen = random.random() < 0.25
    flat = chosen if even is None else even
    patches = []
    for _ in range(0 if flat else int(random.integers(1, 4))):
        sign = random.choice([-1.0, 1.0])
        patches.append(
            Patch(
                x_m=random.uniform(0, wide),
                y_m=random.uniform(0, deep),
                radius_m=(wide * random.uniform(0.2, 0.55), deep * random.uniform(0.2, 0.55)),
                turn=random.uniform(0, np.pi),
                leaves=sign * random.uniform(0.7, 2.0),
                late=random.uniform(0, 0.2) if sign < 0 else 0.0,
                missing=random.uniform(0, 0.2) if sign < 0 else 0.0,
            )
        )
    return InventedField(
        size_m=(wide, deep),
        leaves=random.uniform(3.2, 7.0),
        patches=tuple(patches),
        drift=random.uniform(0.05, 0.3),
        drift_m=random.uniform(25, 80),
        rows=random.uniform(0.0, 0.25),
        plants=random.uniform(0.35, 0.6),
        late=random.uniform(0.03, 0.25),
        more_tips=2.5 + random.normal(0, 0.5),
        seen_drift=random.uniform(0.05, 0.3),
        seed=seed,
    )
