"""How a corn field stands: rows, spacing errors, doubles, skips, uneven stages, weeds.

Ground coordinates in mm, x right, y up in the map, rows along a direction of their own. Shares
and spreads without a source are common practice or from memory [M] and are varied widely.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

MAX_STAGE = 8
"""Highest stage grown in a field seen from above (V8)."""

ROW_SPACINGS_MM = (381.0, 508.0, 559.0, 700.0, 750.0, 762.0, 914.0, 965.0, 1016.0)
"""15, 20, 22, 30, 36, 38 and 40 inches, and 70 and 75 cm (common practice)."""
ROW_SHARES = (0.06, 0.08, 0.04, 0.08, 0.12, 0.48, 0.05, 0.05, 0.04)

DOUBLE_REACH_MM = 60.0
"""Two plants nearer than this in a row are a double (common practice: about 2 in)."""

KINDS = ("corn", "bare", "other_crop")
KIND_SHARES = (0.92, 0.04, 0.04)


@dataclass(frozen=True)
class FieldPlant:
    """One corn plant of a field.

    Attributes
    ----------
    x_mm, y_mm : float
        Where it stands on the ground.
    stage_v : int
        Collars, 0 (VE) to `MAX_STAGE`.
    row : int
    double : bool
        Whether another plant stands within `DOUBLE_REACH_MM`.
    """

    x_mm: float
    y_mm: float
    stage_v: int
    row: int
    double: bool = False


@dataclass(frozen=True)
class Stand:
    """What grows on a piece of ground.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    plants : tuple of FieldPlant
        Corn; empty on bare ground and in another crop.
    row_direction_rad : float
        Rows run along (cos, sin) of it.
    row_spacing_mm : float
    row_offset_mm : float
        Across the rows, from the origin to the nearest one.
    mean_stage : float
        Of the field; late plants are below it.
    weeds_per_m2, weed_size_mm : float
    residue_share : float
        Of the ground covered by straw, 0..0.7.
    lean : (float, float)
        How far the wind pushes a plant's top over, as a share of its height, along x and y.
    """

    kind: str
    plants: tuple[FieldPlant, ...]
    row_direction_rad: float
    row_spacing_mm: float
    row_offset_mm: float
    mean_stage: float
    weeds_per_m2: float
    weed_size_mm: float
    residue_share: float
    lean: tuple[float, float]

    def across(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Distance across the rows from the nearest row's line, mm, signed."""
        c, s = math.cos(self.row_direction_rad), math.sin(self.row_direction_rad)
        v = -s * x_mm + c * y_mm - self.row_offset_mm
        return v - np.round(v / self.row_spacing_mm) * self.row_spacing_mm


def stages_of(
    rng: np.random.Generator, count: int, mean: float, spread: float, late: float
) -> np.ndarray:
    """Stages of plants of one field.

    Parameters
    ----------
    rng : numpy.random.Generator
    count : int
    mean, spread : float
        Of the plants that came up in time, in leaves.
    late : float
        Share that emerged days later and is one to three leaves behind: up to a quarter in the
        worst rows (Novak & Ransom 2018, 10.4236/as.2018.910092).
    """
    stage = rng.normal(mean, spread, count)
    behind = rng.random(count) < late
    stage = stage - behind * rng.uniform(0.7, 3.0, count)
    return np.clip(np.round(stage), 0, MAX_STAGE).astype(int)


def row_positions(
    rng: np.random.Generator,
    length_mm: float,
    spacing_mm: float,
    error_mm: float,
    skips: float,
    doubles: float,
) -> np.ndarray:
    """Where plants stand along a row of a length, mm, sorted.

    Parameters
    ----------
    rng : numpy.random.Generator
    length_mm, spacing_mm : float
    error_mm : float
        Standard deviation of each plant's place.
    skips, doubles : float
        Share of places with no plant, and with two.
    """
    places = np.arange(rng.uniform(0, spacing_mm), length_mm, spacing_mm)
    keep = rng.random(len(places)) >= skips
    if rng.random() < 0.12 and length_mm > 600:  # a longer gap: a blocked seed tube, crusting
        at = rng.uniform(0, length_mm)
        keep &= np.abs(places - at) > rng.uniform(200, 600)
    places = places[keep] + rng.normal(0, error_mm, int(keep.sum()))
    twice = rng.random(len(places)) < doubles
    beside = places[twice] + rng.choice([-1, 1], int(twice.sum())) * rng.uniform(
        6.0, DOUBLE_REACH_MM - 5, int(twice.sum())
    )
    return np.sort(np.concatenate([places, beside]))


def _double(places: np.ndarray) -> np.ndarray:
    near = np.zeros(len(places) + 1, bool)
    near[1:-1] = np.diff(places) < DOUBLE_REACH_MM
    return near[1:] | near[:-1]


def draw_stand(
    rng: np.random.Generator,
    reach_mm: float,
    *,
    kind: str | None = None,
    mean_stage: float | None = None,
    doubles: float | None = None,
) -> Stand:
    """Draw a piece of field.

    Parameters
    ----------
    rng : numpy.random.Generator
        Every random choice comes from it.
    reach_mm : float
        Plants stand within this distance of the origin.
    kind : str, optional
        One of `KINDS`; drawn when left out.
    mean_stage : float, optional
        Mean stage of the field; drawn when left out.
    doubles : float, optional
        Share of places with two plants; drawn when left out.
    """
    if kind is None:
        kind = str(rng.choice(KINDS, p=KIND_SHARES))
    drawn = float(rng.uniform(0.2, 8.0) if rng.random() < 0.35 else rng.triangular(0.5, 3.5, 7.5))
    mean = drawn if mean_stage is None else mean_stage
    direction = float(rng.uniform(0, math.pi))
    spacing_rows = float(rng.choice(ROW_SPACINGS_MM, p=ROW_SHARES)) * float(rng.normal(1, 0.01))
    offset = float(rng.uniform(-0.5, 0.5)) * spacing_rows
    # 60,000 to 95,000 plants a hectare (common practice), now and then far fewer or more.
    per_ha = rng.uniform(6e4, 9.5e4) if rng.random() < 0.85 else rng.uniform(2.5e4, 1.2e5)
    spacing = float(np.clip(1e10 / per_ha / spacing_rows, 90, 500))
    error = spacing * float(rng.uniform(0.05, 0.35))
    skips = float(rng.choice([rng.uniform(0, 0.05), rng.uniform(0.05, 0.3)], p=[0.75, 0.25]))
    usual = float(rng.choice([rng.uniform(0, 0.05), rng.uniform(0.05, 0.15)], p=[0.65, 0.35]))
    twice = usual if doubles is None else doubles
    spread = float(rng.choice([rng.uniform(0.15, 0.5), rng.uniform(0.5, 1.0)], p=[0.75, 0.25]))
    late = float(
        rng.choice([0.0, rng.uniform(0.02, 0.1), rng.uniform(0.1, 0.25)], p=[0.4, 0.4, 0.2])
    )
    wander = float(rng.uniform(2, 14))  # of plants across the row
    plants: list[FieldPlant] = []
    c, s = math.cos(direction), math.sin(direction)
    rows = math.ceil(reach_mm / spacing_rows) + 1
    for row in range(-rows, rows + 1):
        v = offset + row * spacing_rows
        if abs(v) >= reach_mm:
            continue
        half = math.sqrt(reach_mm**2 - v**2)
        along = row_positions(rng, 2 * half, spacing, error, skips, twice) - half
        stages = stages_of(rng, len(along), mean, spread, late)
        side = rng.normal(0, wander, len(along))
        for u, dv, stage, double in zip(along, side, stages, _double(along), strict=True):
            x, y = c * u - s * (v + dv), s * u + c * (v + dv)
            plants.append(FieldPlant(float(x), float(y), int(stage), row + rows, bool(double)))
    weedy = rng.random()
    weeds = 0.0 if weedy < 0.25 else rng.uniform(0, 12) if weedy < 0.75 else rng.uniform(12, 90)
    gust = float(rng.uniform(0, 0.05) if rng.random() < 0.7 else rng.uniform(0.05, 0.28))
    wind = rng.uniform(0, 2 * math.pi)
    straw = rng.random()
    return Stand(
        kind=kind,
        plants=tuple(plants) if kind == "corn" else (),
        row_direction_rad=direction,
        row_spacing_mm=spacing_rows,
        row_offset_mm=offset,
        mean_stage=mean,
        weeds_per_m2=float(weeds),
        weed_size_mm=float(np.exp(rng.uniform(np.log(8), np.log(110)))),
        residue_share=float(
            0.0 if straw < 0.3 else rng.uniform(0, 0.25) if straw < 0.8 else rng.uniform(0.25, 0.7)
        ),
        lean=(gust * math.cos(wind), gust * math.sin(wind)),
    )
