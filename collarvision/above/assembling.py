"""Assembling: plants found on the ground, to everything that is said about a photo from above."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from collarvision.above.calibration import AboveCalibration
from collarvision.above.coverage import Coverage
from collarvision.above.finding import Found
from collarvision.above.offrows import by_ground, off_rows_share, off_rows_words
from collarvision.above.rows import RowsFound, find_rows
from collarvision.above.rowspacings import CHECK_STATED, contradiction, is_odd, odd_scale
from collarvision.above.stages import LEVEL_LEANS, stage_probabilities
from collarvision.above.stand import count_stand
from collarvision.above.values import (
    FrameAbove,
    Gap,
    Georeference,
    GroundScale,
    Plants,
    StageRange,
    stage_range,
)
from collarvision.boundary import metres_a_degree, within_180

EDGE_M: Final = 0.15
"""Nearer to the photo's edge a plant may be cut, and its tips say little."""

CLOSED: Final = 0.6
"""Share of the ground under leaves from which neighbours can't be told apart."""

WEEDY: Final = 0.3
FEW_PER_M2: Final = 0.7
"""Plants to a square metre under which a stand is no sown corn: 7,000 a hectare."""

HIDDEN: Final = 0.03
"""Share of plants that may hide among leaves before it is said."""

OLD_TIPS: Final = 9.0
OLD_STAGE: Final = 7
"""Mean tips, or end of the range, from which plants are said to be old. Counts are 7 in 100 too
low at V7 and a fifth at V8, where ranges lie too low as well (``models/ABOVE_CARD.md``): the unsafe
side, since a spray's limit is then passed unseen."""

OLDER_THAN_TOLD: Final = (
    "Plants this old hide leaf tips and each other: they may be older than told, and fewer are "
    "told than stand there. Count collars and plants on the ground."
)

_FINE_MM: Final = 3.2
"""Ground sample distance up to which nothing is said of coarseness."""


@dataclass(frozen=True, eq=False)
class Place:
    """How working px lie in the photo and on the earth.

    Attributes
    ----------
    metres, photo_px : callable
        Of working px (x, y) arrays.
    from_metres : callable
        Working px of local metres.
    georeference : Georeference or None
    """

    metres: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    photo_px: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    from_metres: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    georeference: Georeference | None


LEAST_ON_ROWS = 0.5
"""Share of the plants that must stand on rows where rows alone told the scale: our own choice."""

NO_ROWS_TO_MEASURE_BY = (
    "The plants found don't stand in rows as far apart as was said, so the row spacing tells no "
    "scale here: check it, give the camera's height above the ground, or lay the printed card down."
)


def assemble(
    base: FrameAbove,
    found: Found,
    place: Place,
    coverage: Coverage,
    calibration: AboveCalibration,
    *,
    stated_spacing_m: float | None = None,
    rows_option: str = "--rows",
    leans: Sequence[float] = LEVEL_LEANS,
) -> FrameAbove:
    """Make everything that is said of plants on the ground.

    Parameters
    ----------
    base : FrameAbove
        With the photo's facts and its scale.
    found : Found
    place : Place
    coverage : Coverage
    calibration : AboveCalibration
    stated_spacing_m : float, optional
        Between rows.
    rows_option : str
        How the user states it.
    leans : sequence of 3 float
        As for `collarvision.above.stages.stage_probabilities`.
    """
    scale = base.scale
    if scale is None:
        raise ValueError("plants without a scale can't be counted")
    x_m, y_m = place.metres(found.x, found.y)
    inside = coverage.holds(x_m, y_m)
    found, x_m, y_m = found.kept(inside), x_m[inside], y_m[inside]
    cells = max(found.cells, 1)
    canopy, weeds = found.canopy_cells / cells, found.other_cells / cells
    base = replace(
        base,
        georeference=place.georeference,
        canopy_cover=canopy,
        weed_cover=weeds,
        area_m2=coverage.area_m2,
    )
    refusal = _not_countable(found, canopy, weeds, coverage, scale)
    if refusal is not None:
        code, sentence = refusal
        return replace(
            base, quality=(*base.quality, code), reasons=(*base.reasons, sentence), plants=None
        )
    unsaid = stated_spacing_m is None and "odd-rows" not in base.quality
    rows, stated_spacing_m, doubt = _rows(np.column_stack([x_m, y_m]), stated_spacing_m, scale)
    if doubt is not None and not any(note.endswith(CHECK_STATED) for note in scale.notes):
        base = replace(base, reasons=(*base.reasons, doubt))
    away = coverage.edge_distance_m(x_m, y_m)
    off = 0.0
    if rows is not None and rows.spacing_m is not None and weeds <= WEEDY:
        off = off_rows_share(rows, away >= EDGE_M)
    odd = _odd(rows, scale, rows_option) if unsaid and off == 0.0 else None
    if odd is not None:
        scale, sentence = odd
        base = replace(
            base,
            scale=scale,
            quality=(*base.quality, "odd-rows"),
            reasons=(*base.reasons, sentence),
        )
    factor = calibration.count_factor(scale.mm_per_px)
    tips = float(found.tip_count.mean()) if len(found) else 0.0
    doubted = calibration.count_doubt(len(found), tips, scale.mm_per_px)
    stood = count_stand(
        rows,
        found.double,
        coverage,
        scale_error=scale.relative_error,
        count_factor=factor,
        count_error=doubted,
        stated_spacing_m=stated_spacing_m,
        leaf_share=lambda x, y: found.leaf_share(*place.from_metres(x, y)),
    )
    on_rows = stood.row_of >= 0
    if scale.source == "rows" and len(found) and on_rows.mean() < LEAST_ON_ROWS:
        # What was taken for rows was none: the scale, and all that hangs on it, would be a guess.
        return replace(
            base,
            scale=None,
            area_m2=None,
            quality=(*base.quality, "no-scale"),
            reasons=(*base.reasons, NO_ROWS_TO_MEASURE_BY),
        )
    stand = stood.stand
    if stand is not None and stand.row_spacing_m is not None and off > 0.0:
        error = math.hypot(2 * scale.relative_error, doubted)
        every = factor * float(len(found) + found.double.sum())
        # Lines as no planter sows are no rows at all: nothing is known of a length of row.
        none = stated_spacing_m is None and is_odd(stand.row_spacing_m, scale.relative_error)
        stand = None if none else by_ground(stand, every, coverage.area_m2, off, error)
        stood = replace(stood, gaps=(), hidden=0)
    # Where rows are no straight lines, plants off them are as much corn as the others.
    corn = on_rows | (off > 0.0)
    probabilities = _stages(found, corn, away, scale, calibration, leans)
    lat, lon = degrees(x_m, y_m, place.georeference)
    tip_x, tip_y = place.photo_px(found.tip_x, found.tip_y)
    photo_x, photo_y = place.photo_px(found.x, found.y)
    owned = np.bincount(found.tip_owner, minlength=len(found))
    plants = Plants(
        x_px=photo_x,
        y_px=photo_y,
        x_m=x_m,
        y_m=y_m,
        lat=lat,
        lon=lon,
        score=found.score.astype(np.float32),
        tips=owned.astype(np.int32),
        tip_count=found.tip_count.astype(np.float32),
        canopy_mm2=found.canopy_mm2.astype(np.float32),
        double=found.double.astype(np.float32),
        row=stood.row_of,
        place_in_row_m=stood.place_m.astype(np.float32),
        stage_probabilities=probabilities,
        tip_x_px=tip_x.astype(np.float32),
        tip_y_px=tip_y.astype(np.float32),
        tip_start=np.concatenate([[0], np.cumsum(owned)]).astype(np.int64),
    )
    quality, reasons = list(base.quality), list(base.reasons)
    if len(found) == 0:
        quality.append("no-plants")
        reasons.append(_no_plants(weeds, scale))
    elif not stood.rows:
        quality.append("no-rows")
        reasons.append(
            "No rows can be made out, so plants are counted and neither their distances nor gaps."
        )
    if off > 0.0:
        quality.append("off-rows")
        reasons.append(off_rows_words(off))
    if stand is not None and stand.rowless_share > 0.0:
        quality.append("rowless")
        reasons.append(
            f"{100 * stand.rowless_share:.0f}% of the ground shown has no rows: plants to an "
            "area are told over all of it, and are more where rows stand. See whether it drowned, "
            "was missed, or is no field."
        )
    if scale.mm_per_px > _FINE_MM and len(found):
        quality.append("coarse")
        reasons.append(
            f"A pixel covers {scale.mm_per_px:.1f} mm of ground: leaf tips are seen badly, and "
            "the ranges are wider. Fly lower, to 3 mm or less."
        )
    settled = found.kept(corn) if corn.any() else found
    stages = None
    if len(settled):
        stages = range_of(probabilities[corn] if corn.any() else probabilities, calibration)
        if stages.high >= OLD_STAGE or float(settled.tip_count.mean()) >= OLD_TIPS:
            quality.append("old")
            reasons.append(OLDER_THAN_TOLD)
    if stood.hidden > HIDDEN * max(len(found), 1):
        quality.append("hidden")
        reasons.append(
            f"Leaves stand in {stood.hidden} places of the rows where no plant was told apart: the "
            "counts are probably too low by about as many."
        )
    if weeds > WEEDY and len(found):
        quality.append("weedy")
        reasons.append(
            f"Weeds cover {100 * weeds:.0f}% of the ground: plants among them may be missed."
        )
    return replace(
        base,
        plants=plants,
        rows=stood.rows,
        row_angle_deg=None if rows is None else rows.angle_deg,
        stand=stand,
        gaps=tuple(_placed(gap, place.georeference) for gap in stood.gaps),
        stages=stages,
        quality=tuple(dict.fromkeys(quality)),
        reasons=tuple(dict.fromkeys(reasons)),
    )


def range_of(probabilities: np.ndarray, calibration: AboveCalibration) -> StageRange:
    """Range that a plant drawn from these lies in, (n, 13) probabilities, n > 0."""
    mean = np.asarray(probabilities, np.float64).mean(0)
    low, high = stage_range(mean, calibration.range_level(mean))
    return StageRange(low, high, tuple(float(p) for p in mean))


def degrees(
    x_m: np.ndarray, y_m: np.ndarray, place: Georeference | None
) -> tuple[np.ndarray, np.ndarray]:
    """Latitude and longitude of local metres; NaN where they aren't known."""
    if place is None or place.heading_deg is None:
        unknown = np.full(np.shape(x_m), np.nan)
        return unknown, unknown.copy()
    turn = math.radians(place.heading_deg)
    east = x_m * math.cos(turn) + y_m * math.sin(turn)
    north = y_m * math.cos(turn) - x_m * math.sin(turn)
    per_lat, per_lon = metres_a_degree(place.lat)
    return place.lat + north / per_lat, within_180(place.lon + east / per_lon)


def _rows(
    points_m: np.ndarray, stated_m: float | None, scale: GroundScale
) -> tuple[RowsFound | None, float | None, str | None]:
    """Rows, the stated spacing where it may be gone by, and a sentence where it may not.

    Where something better tells the scale, rows are looked for without the stated spacing: they
    would else be forced onto it, and the count to an area would follow a slip of the user's.
    """
    if stated_m is not None and scale.source != "rows":
        free = find_rows(points_m)
        if free is not None and free.spacing_m is not None:
            doubt = contradiction(stated_m, free.spacing_m, scale)
            if doubt is not None:
                return free, None, doubt
    return find_rows(points_m, stated_m), stated_m, None


def _odd(rows: RowsFound | None, scale: GroundScale, option: str) -> tuple[GroundScale, str] | None:
    """The scale with the doubt of rows as no planter sows them, and a sentence; None for usual.

    Where pixels show no rows, the plants do: then only they tell that the height is wrong.
    """
    if rows is None or rows.spacing_m is None or scale.source not in ("exif", "stated"):
        return None
    return odd_scale(scale, rows.spacing_m, option)


def _stages(
    found: Found,
    on_rows: np.ndarray,
    away_m: np.ndarray,
    scale: GroundScale,
    calibration: AboveCalibration,
    leans: Sequence[float],
) -> np.ndarray:
    """Stages of each plant, (n, 13): cut plants and those off the rows don't speak for the rest."""
    whole = away_m >= EDGE_M
    if not whole.any():
        whole = np.ones(len(found), bool)
    rows = whole & on_rows if (whole & on_rows).any() else whole
    out = np.zeros((len(found), 13), np.float32)
    if len(found) == 0:
        return out
    out[rows] = stage_probabilities(found.tip_count[rows], scale.mm_per_px, calibration, leans)
    # A plant at the edge is as old as its neighbours, as far as anybody can see.
    out[~whole] = out[rows].mean(0)
    strays = whole & ~rows
    if strays.any():
        out[strays] = stage_probabilities(
            found.tip_count[strays], scale.mm_per_px, calibration, leans
        )
    return out


def _not_countable(
    found: Found, canopy: float, weeds: float, coverage: Coverage, scale: GroundScale
) -> tuple[str, str] | None:
    """Code and sentence where plants can't be counted at all."""
    if canopy >= CLOSED:
        return (
            "closed",
            f"Leaves cover {100 * canopy:.0f}% of the ground: plants can't be told apart from "
            "above any more. Walk the field and photograph plants from the side.",
        )
    per_m2 = len(found) / max(coverage.area_m2, 1e-6)
    if weeds >= 0.04 and weeds > 2.5 * canopy and per_m2 < FEW_PER_M2:
        return (
            "not-maize",
            "What grows here doesn't look like corn: nothing was counted. If it is corn, walk to "
            "it and photograph plants from the side.",
        )
    return None


def _no_plants(weeds: float, scale: GroundScale) -> str:
    what = "only weeds" if weeds > 0.02 else "bare soil"
    return (
        f"No corn plant was found ({what}, or plants too small to see at "
        f"{scale.mm_per_px:.1f} mm a pixel): look on the ground."
    )


def _placed(gap: Gap, place: Georeference | None) -> Gap:
    if place is None or place.heading_deg is None:
        return gap
    ends = np.array([gap.start_m, gap.end_m])
    lat, lon = degrees(ends[:, 0], ends[:, 1], place)
    return replace(
        gap,
        start_lat_lon=(float(lat[0]), float(lon[0])),
        end_lat_lon=(float(lat[1]), float(lon[1])),
    )
