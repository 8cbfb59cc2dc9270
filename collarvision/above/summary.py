"""Summary: a `FrameAbove` as plain JSON, and back.

The same fields stand in the record of a photo (`collarvision.record`, field ``above``) and in the
files of ``collarvision above``. A record takes its plants along while they are few.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any, Final

import numpy as np

from collarvision.above.assembling import degrees
from collarvision.above.calibration import AboveCalibration
from collarvision.above.stages import stage_probabilities
from collarvision.above.values import (
    FrameAbove,
    Gap,
    Georeference,
    GroundScale,
    Plants,
    Row,
    StageRange,
    StandCount,
    no_plants,
)
from collarvision.answer import stage_name

MOST_PLANTS: Final = 5_000
"""A record holds no more plants than this; beyond it squares of `SQUARE_M` stand for them."""

SQUARE_M: Final = 5.0

PLANT_KEYS: Final = (
    "x",
    "y",
    "x_m",
    "y_m",
    "score",
    "tips",
    "tip_count",
    "canopy_cm2",
    "double",
    "row",
    "place_m",
)
"""What a plant's list in a record holds, in this order; `x` and `y` in px, `row` -1 off all."""

SQUARE_KEYS: Final = ("x_m", "y_m", "plants", "tip_count", "canopy_cm2")
"""What a square's list in a record holds: its middle, plants, and means over them."""


def frame_summary(frame: FrameAbove, *, exact: bool = False) -> dict[str, Any]:
    """Give everything but the single plants, ready for JSON; numbers rounded unless `exact`."""
    stages = frame.stages
    _rounded, least = (_as_is, 1e-300) if exact else (_shortened, 5e-5)
    return {
        "photo": frame.photo,
        "sha256": frame.sha256,
        "size_px": list(frame.size_px),
        "taken_at": frame.taken_at,
        "scale": None if frame.scale is None else _rounded(asdict(frame.scale)),
        "georeference": None
        if frame.georeference is None
        else _rounded(asdict(frame.georeference), 8),
        "plant_count": None if frame.plants is None else len(frame.plants),
        "rows": [_rounded(asdict(row)) for row in frame.rows],
        "row_angle_deg": _rounded(frame.row_angle_deg),
        "stand": None if frame.stand is None else _rounded(asdict(frame.stand)),
        "gaps": [_rounded(asdict(gap), 8) for gap in frame.gaps],
        "stages": None
        if stages is None
        else {
            "low": stage_name(stages.low),
            "high": stage_name(stages.high),
            "level": stages.level,
            "probabilities": {
                stage_name(k): _rounded(p) for k, p in enumerate(stages.probabilities) if p >= least
            },
        },
        "weed_cover": _rounded(frame.weed_cover),
        "canopy_cover": _rounded(frame.canopy_cover),
        "area_m2": _rounded(frame.area_m2),
        "quality": list(frame.quality),
        "reasons": list(frame.reasons),
        "model": frame.model,
    }


def frame_from(summary: dict[str, Any], plants: Plants | None) -> FrameAbove:
    """Turn a summary and the plants kept beside it back into a `FrameAbove`.

    Raises
    ------
    KeyError, TypeError, ValueError
        For what isn't a summary.
    """
    scale, place, stand = summary["scale"], summary["georeference"], summary["stand"]
    return FrameAbove(
        photo=summary["photo"],
        sha256=summary["sha256"],
        size_px=(int(summary["size_px"][0]), int(summary["size_px"][1])),
        taken_at=summary["taken_at"],
        scale=None if scale is None else GroundScale(**tupled(scale)),
        georeference=None if place is None else Georeference(**place),
        plants=plants,
        rows=tuple(Row(**tupled(row)) for row in summary["rows"]),
        row_angle_deg=summary["row_angle_deg"],
        stand=None if stand is None else StandCount(**tupled(stand)),
        gaps=tuple(Gap(**tupled(gap)) for gap in summary["gaps"]),
        stages=stages_from(summary["stages"]),
        weed_cover=summary["weed_cover"],
        canopy_cover=summary["canopy_cover"],
        area_m2=summary["area_m2"],
        quality=tuple(summary["quality"]),
        reasons=tuple(summary["reasons"]),
        model=summary["model"],
    )


def stages_from(content: dict[str, Any] | None) -> StageRange | None:
    """Read a range back from its JSON.

    Raises
    ------
    ValueError
        For stages that aren't any.
    """
    if content is None:
        return None
    names = [stage_name(k) for k in range(13)]
    held = content["probabilities"]
    return StageRange(
        low=names.index(content["low"]),
        high=names.index(content["high"]),
        probabilities=tuple(float(held.get(name, 0.0)) for name in names),
        level=float(content["level"]),
    )


def record_summary(frame: FrameAbove) -> dict[str, Any]:
    """Give the field ``above`` of a record: the summary, and plants or squares of plants.

    Rows and gaps are given by number alone where plants are too many to be listed.
    """
    said = frame_summary(frame)
    for known in ("photo", "sha256", "size_px", "taken_at"):
        del said[known]  # the record has them
    plants = frame.plants
    said["plants"] = said["squares"] = None
    if plants is None:
        return said
    if len(plants) <= MOST_PLANTS:
        said["plants"] = {"keys": list(PLANT_KEYS), "rows": _listed(plants)}
        return said
    said["squares"] = {
        "keys": list(SQUARE_KEYS),
        "side_m": SQUARE_M,
        "rows": _squares(plants),
    }
    said["rows"], said["gaps"] = len(frame.rows), len(frame.gaps)
    return said


def frame_from_record(record: dict[str, Any], calibration: AboveCalibration) -> FrameAbove | None:
    """Read a `FrameAbove` out of a photo's record; None for a photo from the side.

    Single tips aren't in a record. Where its plants were too many to be listed there are none, and
    the counts stay.

    Parameters
    ----------
    record : dict
        As a survey or a ``jsonl`` file holds it.
    calibration : AboveCalibration
        Stages are told from the tips anew.

    Raises
    ------
    KeyError, TypeError, ValueError
        For what isn't such a record.
    """
    said = record.get("above")
    if said is None:
        return None
    listed = isinstance(said["rows"], list)
    whole = {
        **said,
        "photo": record["photo"],
        "sha256": record["sha256"],
        "size_px": record["photo_size"],
        "taken_at": record["taken_at"],
        "rows": said["rows"] if listed else [],
        "gaps": said["gaps"] if listed else [],
    }
    frame = frame_from(whole, None)
    if said["plants"] is None or frame.scale is None:
        return frame
    keys, rows = said["plants"]["keys"], said["plants"]["rows"]
    column = {key: [row[k] for row in rows] for k, key in enumerate(keys)}
    wide = {key: np.array(column[key], np.float64) for key in ("x", "y", "x_m", "y_m")}
    place = np.array([np.nan if p is None else p for p in column["place_m"]], np.float32)
    narrow = {key: np.array(column[key], np.float32) for key in ("score", "tip_count", "double")}
    lat, lon = degrees(wide["x_m"], wide["y_m"], frame.georeference)
    none = no_plants()
    plants = replace(
        none,
        x_px=wide["x"],
        y_px=wide["y"],
        x_m=wide["x_m"],
        y_m=wide["y_m"],
        lat=lat,
        lon=lon,
        tips=np.array(column["tips"], np.int32),
        canopy_mm2=np.array(column["canopy_cm2"], np.float32) * 100,
        row=np.array(column["row"], np.int32),
        place_in_row_m=place,
        stage_probabilities=stage_probabilities(
            narrow["tip_count"], frame.scale.mm_per_px, calibration
        ),
        tip_start=np.zeros(len(rows) + 1, np.int64),
        **narrow,
    )
    return replace(frame, plants=plants)


def _listed(plants: Plants) -> list[list[float | int | None]]:
    columns = (
        np.round(plants.x_px, 1).tolist(),
        np.round(plants.y_px, 1).tolist(),
        np.round(plants.x_m, 3).tolist(),
        np.round(plants.y_m, 3).tolist(),
        np.round(plants.score.astype(np.float64), 2).tolist(),
        plants.tips.tolist(),
        np.round(plants.tip_count.astype(np.float64), 1).tolist(),
        np.round(plants.canopy_mm2.astype(np.float64) / 100, 1).tolist(),
        np.round(plants.double.astype(np.float64), 2).tolist(),
        plants.row.tolist(),
        [None if np.isnan(place) else round(float(place), 3) for place in plants.place_in_row_m],
    )
    return [list(values) for values in zip(*columns, strict=True)]


def _squares(plants: Plants) -> list[list[float | int]]:
    """Plants by squares of the local metres: middle, number, mean tips, mean canopy in cm²."""
    cells = np.floor(np.column_stack([plants.x_m, plants.y_m]) / SQUARE_M).astype(np.int64)
    kinds, which = np.unique(cells, axis=0, return_inverse=True)
    which = which.ravel()
    numbers = np.bincount(which)
    tips = np.bincount(which, plants.tip_count) / numbers
    canopy = np.bincount(which, plants.canopy_mm2) / numbers / 100
    return [
        [
            float(x * SQUARE_M + SQUARE_M / 2),
            float(y * SQUARE_M + SQUARE_M / 2),
            int(n),
            round(float(t), 2),
            round(float(c), 1),
        ]
        for (x, y), n, t, c in zip(kinds, numbers, tips, canopy, strict=True)
    ]


def _shortened(value: Any, digits: int = 4) -> Any:
    if isinstance(value, float):
        return round(value, digits)
    if isinstance(value, dict):
        return {key: _shortened(one, digits) for key, one in value.items()}
    if isinstance(value, tuple | list):
        return [_shortened(one, digits) for one in value]
    return value


def _as_is(value: Any, digits: int = 0) -> Any:
    return value


def tupled(content: dict[str, Any]) -> dict[str, Any]:
    """What JSON holds of a value, its lists as the tuples that they were."""
    return {
        key: tuple(value) if isinstance(value, list) else value for key, value in content.items()
    }
