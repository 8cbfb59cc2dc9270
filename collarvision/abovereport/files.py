"""Files: a field's photos from above in a folder, whole or not there, and read back.

``above.json`` holds the summary, ``plants.npz`` every plant, ``plants.geojson`` and
``gaps.geojson`` the same for maps (RFC 7946), as far as their places are known, and
``photos.geojson`` one point a photo.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import IO, Any, Final
from zipfile import BadZipFile
from zlib import error as ZlibError

import numpy as np

from collarvision.above.assembling import range_of
from collarvision.above.calibration import load_above_calibration
from collarvision.above.summary import frame_from, frame_summary, stages_from, tupled
from collarvision.above.values import (
    PLANT_COLUMNS,
    FieldAbove,
    FrameAbove,
    Plants,
    StandCount,
    no_plants,
)
from collarvision.answer import stage_name
from collarvision.wholefile import is_database
from collarvision.writing import OutputError, cannot_write, make_folder

FORM: Final = "collarvision-above-1"
SUMMARY, PLANTS, FRAMES = "above.json", "plants.npz", "frames"


_UNREADABLE: Final = (
    OSError,
    ValueError,
    TypeError,
    AttributeError,
    LookupError,
    ArithmeticError,  # numbers that no integer holds
    RecursionError,  # JSON nested too deep
    MemoryError,  # arrays that say they are larger than any
    EOFError,
    BadZipFile,
    ZlibError,
)
"""What files that are broken, or were made by something else, are refused with."""


class AboveFileError(ValueError):
    """A folder that holds no field seen from above; `str(error)` says what to do."""


def save_field(field: FieldAbove, folder: Path) -> tuple[Path, ...]:
    """Write a field's files into a folder, which is made if need be; gives their paths.

    Raises
    ------
    OutputError
        When they can't be written.
    """
    make_folder(folder)
    paths = field_files(folder)
    columns: dict[str, Any] = dict(_columns(field.frames))
    # First the summary of an older field goes, last of all the new one comes: whenever this is
    # killed, a folder with a summary has everything that it speaks of.
    _removed(paths[4])
    with _whole(paths[0], "wb") as stream:
        np.savez_compressed(stream, **columns)
    for path, features in zip(
        paths[1:4],
        (_plant_features(field.frames), _gap_features(field.frames), _photo_features(field.frames)),
        strict=True,
    ):
        with _whole(path, "w") as stream:
            _collection(features, stream)
    with _whole(paths[4], "w") as stream:
        json.dump(_summary(field), stream, ensure_ascii=False, allow_nan=False, indent=1)
    return paths


def field_files(folder: Path) -> tuple[Path, ...]:
    """Name the files of a field in a folder, the summary last."""
    names = (PLANTS, "plants.geojson", "gaps.geojson", "photos.geojson", SUMMARY)
    return tuple(folder / name for name in names)


def is_kept_plants(path: Path) -> bool:
    """Whether a file holds plants as they are kept beside a field's summary, of all or a photo."""
    folder = path.parent.parent if path.parent.name == FRAMES else path.parent
    return path.suffix == ".npz" and (folder / SUMMARY).is_file()


def walk_words(folder: Path) -> str | None:
    """Say what to do with a folder that holds a field and no photo; None where it holds none."""
    if not (folder / SUMMARY).is_file():
        return None
    return (
        f"{folder} is what `above` wrote: walk it with `collarvision walk {folder} --boundary ...`."
    )


def _removed(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path} can't be replaced ({error.strerror}): choose another folder."
        ) from error


def load_field(folder: Path) -> FieldAbove:
    """Read a field back.

    Parameters
    ----------
    folder : Path
        That folder, or any file in it.

    Raises
    ------
    AboveFileError
        When the folder isn't there, or holds none, or one that can't be read.
    """
    if not folder.exists():
        raise AboveFileError(
            f"There is no folder or file {folder}: check the name. A flight's folder is made by "
            "'collarvision above PHOTOS --out FOLDER'."
        )
    path = (folder if folder.is_dir() else folder.parent) / SUMMARY
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["form"] != FORM:
            raise ValueError("another form")
        with np.load(path.with_name(PLANTS), allow_pickle=False) as kept:
            columns = {name: kept[name] for name in kept.files}
        frames = tuple(
            _checked(frame_from(one, _plants_of(columns, number)))
            for number, one in enumerate(content["frames"])
        )
        stand = content["stand"]
        return FieldAbove(
            name=content["name"],
            frames=frames,
            stand=None if stand is None else StandCount(**tupled(stand)),
            stages=stages_from(content["stages"]),
            reasons=tuple(content["reasons"]),
        )
    except FileNotFoundError as error:
        raise AboveFileError(_none_in(folder)) from error
    except _UNREADABLE as error:
        raise AboveFileError(
            f"{path} can't be read as a field seen from above: run 'collarvision above' again."
        ) from error


def _none_in(given: Path) -> str:
    if given.is_dir():
        return (
            f"{given} holds no field seen from above: make it with 'collarvision above PHOTOS "
            f"--out {given}'."
        )
    if is_database(given):
        return f"{given} is a survey: its photos from above are used without --above."
    return (
        f"{given} is no file of a field seen from above: give the folder that 'collarvision above "
        "PHOTOS --out' wrote."
    )


def _checked(frame: FrameAbove) -> FrameAbove:
    """A frame whose words are words and whose place is one.

    Raises
    ------
    TypeError, ValueError
    """
    place = frame.georeference
    if place is not None and not (math.isfinite(place.lat) and math.isfinite(place.lon)):
        raise ValueError("a photo's place is none")
    if not isinstance(frame.photo, str) or not isinstance(frame.taken_at, str | None):
        raise TypeError("a photo's name or time is no text")
    return frame


def save_frame(frame: FrameAbove, folder: Path, key: str) -> None:
    """Keep one photo's answer under a short name, so that a run may go on after a stop.

    Raises
    ------
    OutputError
        When it can't be written.
    """
    kept = folder / FRAMES
    try:
        kept.mkdir(exist_ok=True)
    except OSError as error:
        raise OutputError(f"The folder {kept} can't be made ({error.strerror}).") from error
    columns: dict[str, Any] = dict(_columns((frame,)))
    text = json.dumps(frame_summary(frame, exact=True), allow_nan=False)
    with _whole(kept / f"{key}.npz", "wb") as stream:
        np.savez_compressed(stream, **columns, summary=np.array(text))


def load_frame(folder: Path, key: str) -> FrameAbove | None:
    """Give a photo's answer as it was kept; None where there is none that can be read."""
    try:
        with np.load(folder / FRAMES / f"{key}.npz", allow_pickle=False) as kept:
            columns = {name: kept[name] for name in kept.files}
        return frame_from(json.loads(str(columns["summary"])), _plants_of(columns, 0))
    except _UNREADABLE:
        return None


# --------------------------------------------------------------------------- plants as columns


def _columns(frames: tuple[FrameAbove, ...]) -> dict[str, np.ndarray]:
    """All frames' plants, one after another; `start` is -1 for a frame that wasn't measured."""
    plants = [frame.plants if frame.plants is not None else no_plants() for frame in frames]
    measured = np.array([frame.plants is not None for frame in frames], bool)
    counts = np.array([len(one) for one in plants], np.int64)
    columns = {
        name: np.concatenate([getattr(one, name) for one in [*plants, no_plants()]])
        for name in (*PLANT_COLUMNS, "tip_x_px", "tip_y_px")
    }
    tips = [np.diff(one.tip_start) for one in [*plants, no_plants()]]
    columns["tips_seen"] = np.concatenate(tips).astype(np.int32)
    return columns | {"measured": measured, "counts": counts}


def _plants_of(columns: dict[str, np.ndarray], number: int) -> Plants | None:
    if not columns["measured"][number]:
        return None
    counts = columns["counts"]
    start = int(counts[:number].sum())
    rows = slice(start, start + int(counts[number]))
    if any(len(columns[name]) < rows.stop for name in (*PLANT_COLUMNS, "tips_seen")):
        raise ValueError("fewer plants than counted")
    before = int(columns["tips_seen"][:start].sum())
    tip_start = np.concatenate([[0], np.cumsum(columns["tips_seen"][rows])]).astype(np.int64)
    tips = slice(before, before + int(tip_start[-1]))
    return Plants(
        **{name: columns[name][rows] for name in PLANT_COLUMNS},
        tip_x_px=columns["tip_x_px"][tips],
        tip_y_px=columns["tip_y_px"][tips],
        tip_start=tip_start,
    )


# --------------------------------------------------------------------------- JSON


def _summary(field: FieldAbove) -> dict[str, Any]:
    whole = frame_summary(
        replace(
            FrameAbove(photo="", sha256=None, size_px=(0, 0)),
            stand=field.stand,
            stages=field.stages,
        )
    )
    return {
        "form": FORM,
        "name": field.name,
        "stand": whole["stand"],
        "stages": whole["stages"],
        "reasons": list(field.reasons),
        "frames": [frame_summary(frame) for frame in field.frames],
    }


def _plant_features(frames: tuple[FrameAbove, ...]) -> Iterator[dict[str, Any]]:
    calibration = load_above_calibration()
    for frame in frames:
        plants = frame.plants
        if plants is None or not plants.located:
            continue
        for i in range(len(plants)):
            found = range_of(plants.stage_probabilities[i : i + 1], calibration)
            yield _feature(
                {
                    "type": "Point",
                    "coordinates": _degrees(plants.lon[i], plants.lat[i]),
                },
                {
                    "photo": frame.photo,
                    "tips": round(float(plants.tip_count[i]), 1),
                    "stage_low": stage_name(found.low),
                    "stage_high": stage_name(found.high),
                    "canopy_cm2": round(float(plants.canopy_mm2[i]) / 100, 1),
                    "double": round(float(plants.double[i]), 2),
                    "row": int(plants.row[i]) if plants.row[i] >= 0 else None,
                },
            )


def _gap_features(frames: tuple[FrameAbove, ...]) -> Iterator[dict[str, Any]]:
    for frame in frames:
        for gap in frame.gaps:
            if gap.start_lat_lon is None or gap.end_lat_lon is None:
                continue
            ends = [_degrees(lon, lat) for lat, lon in (gap.start_lat_lon, gap.end_lat_lon)]
            yield _feature(
                {"type": "LineString", "coordinates": ends},
                {
                    "photo": frame.photo,
                    "length_m": round(gap.length_m, 2),
                    "missing": gap.missing,
                    "row": gap.row,
                },
            )


def _photo_features(frames: tuple[FrameAbove, ...]) -> Iterator[dict[str, Any]]:
    for frame in frames:
        place = frame.georeference
        if place is None:
            continue
        stand, stages = frame.stand, frame.stages
        yield _feature(
            {"type": "Point", "coordinates": _degrees(place.lon, place.lat)},
            {
                "photo": frame.photo,
                "plants": None if frame.plants is None else len(frame.plants),
                "per_ha": None if stand is None or stand.per_ha is None else round(stand.per_ha),
                "per_m_row": None if stand is None else round(stand.per_m_row, 2),
                "stage_low": None if stages is None else stage_name(stages.low),
                "stage_high": None if stages is None else stage_name(stages.high),
                "gaps": len(frame.gaps),
                "error_m": round(place.error_m, 1),
                "reasons": list(frame.reasons),
            },
        )


def _feature(geometry: dict[str, Any], properties: dict[str, Any]) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _degrees(lon: float, lat: float) -> list[float]:
    return [round(float(lon), 8), round(float(lat), 8)]


def _collection(features: Iterable[dict[str, Any]], stream: IO[str]) -> None:
    """Write features one by one: an orthomosaic has more than should stand in memory as dicts."""
    stream.write('{"type": "FeatureCollection", "features": [')
    for number, feature in enumerate(features):
        stream.write(",\n" if number else "\n")
        # All at once: `json.dump` goes piece by piece, at a quarter of the speed.
        stream.write(json.dumps(feature, ensure_ascii=False, allow_nan=False))
    stream.write("\n]}\n")


@contextmanager
def _whole(path: Path, mode: str) -> Iterator[Any]:
    """A file beside the one wanted, which takes its name once all is written."""
    part = path.with_name(f".{path.name}.part")
    text: dict[str, Any] = {} if "b" in mode else {"encoding": "utf-8", "newline": "\n"}
    try:
        with open(part, mode, **text) as stream:
            yield stream
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise cannot_write(path, error) from error
    except BaseException:
        part.unlink(missing_ok=True)
        raise
