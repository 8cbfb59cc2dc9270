"""Export: a survey's plants as CSV, JSON or GeoJSON, a row a plant, by its latest reading.

Rows stream from the survey to the file, however many there are; the file appears whole or not at
all.
"""

from __future__ import annotations

import csv
import json
import os
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Any

from collarvision.answer import stage_name
from collarvision.survey import PlantRow
from collarvision.writing import OutputError, may_write

FORMS = (".csv", ".json", ".geojson")

COLUMNS = (
    "field",
    "visit",
    "stop",
    "photo",
    "path",
    "sha256",
    "view",
    "taken_at",
    "latitude",
    "longitude",
    "outcome",
    "stage",
    "stage_name",
    "confidence",
    "height_mm",
    "height_low_mm",
    "height_high_mm",
    "height_rule",
    "lower_leaves_missing",
    "layout",
    "reasons",
    "quality",
    "hand_stage",
    "hand_nodes",
    "hand_height_mm",
    "hand_by",
    "hand_at",
    "hand_note",
    "read_at",
    "model",
    "calibration",
)
"""Of a row, in the order of a CSV file."""


def export_plants(plants: Iterable[PlantRow], out: Path) -> int:
    """Write plants to a file; its ending says in which form.

    Parameters
    ----------
    plants : iterable of PlantRow
    out : Path
        ``.csv`` (RFC 4180, UTF-8, with a header; sentences joined by a blank), ``.json`` (a list
        of rows, each with the whole ``record``) or ``.geojson`` (RFC 7946: a feature a plant, its
        point where the photo has GPS).

    Returns
    -------
    int
        Plants written.

    Raises
    ------
    OutputError
        The ending is unknown, or the file can't be written.
    """
    write = {".csv": _csv, ".json": _json, ".geojson": _geojson}.get(out.suffix.lower())
    if write is None:
        raise OutputError(f"{out} should end in {', '.join(FORMS)}: the ending says the form.")
    with _whole(out) as stream:
        return write(plants, stream)


def row_of(plant: PlantRow) -> dict[str, Any]:
    """Flatten a plant to `COLUMNS`; lists of sentences and codes stay lists."""
    record, count = plant.record, plant.hand_count
    low, high = record.get("height_interval_mm") or (None, None)
    values = (
        plant.field,
        plant.date,
        plant.stop,
        plant.photo,
        plant.path,
        plant.sha256,
        plant.view,
        plant.taken_at,
        *(plant.gps or (None, None)),
        plant.outcome,
        plant.stage,
        None if plant.stage is None else stage_name(plant.stage),
        plant.confidence if plant.confidence is None else round(plant.confidence, 4),
        plant.height_mm if plant.height_mm is None else round(plant.height_mm, 1),
        low,
        high,
        record.get("height_rule"),
        record.get("lower_leaves_missing"),
        record.get("layout"),
        record.get("reasons") or [],
        record.get("quality") or [],
        *((count.stage, count.nodes, count.height_mm) if count else (None,) * 3),
        *((count.who, count.counted_at, count.note) if count else (None,) * 3),
        plant.read_at,
        plant.model,
        plant.calibration,
    )
    return dict(zip(COLUMNS, values, strict=True))


def _csv(plants: Iterable[PlantRow], stream: IO[str]) -> int:
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    count = 0
    for count, plant in enumerate(plants, start=1):  # noqa: B007
        writer.writerow(
            [
                " ".join(value) if isinstance(value, list) else value
                for value in row_of(plant).values()
            ]
        )
    return count


def _json(plants: Iterable[PlantRow], stream: IO[str]) -> int:
    rows = ({**row_of(plant), "record": plant.record} for plant in plants)
    return _array("[", rows, "]", stream)


def _geojson(plants: Iterable[PlantRow], stream: IO[str]) -> int:
    return _array(
        '{"type": "FeatureCollection", "features": [', map(_feature, plants), "]}", stream
    )


def _feature(plant: PlantRow) -> dict[str, Any]:
    row = row_of(plant)
    latitude, longitude = row.pop("latitude"), row.pop("longitude")
    point = None
    if latitude is not None:
        # RFC 7946: longitude comes first (section 3.1.1), always WGS 84 (section 4), and some
        # 10 cm is as fine as it need be (section 11.2). A feature may be unlocated (section 3.2).
        point = {"type": "Point", "coordinates": [round(longitude, 6), round(latitude, 6)]}
    return {"type": "Feature", "id": plant.sha256, "geometry": point, "properties": row}


def _array(head: str, items: Iterable[dict[str, Any]], tail: str, stream: IO[str]) -> int:
    stream.write(head)
    count = 0
    for count, item in enumerate(items, start=1):
        stream.write("\n" if count == 1 else ",\n")
        stream.write(json.dumps(item, ensure_ascii=False, allow_nan=False))
    stream.write(f"\n{tail}\n")
    return count


@contextmanager
def _whole(out: Path) -> Iterator[IO[str]]:
    """A file beside `out` that takes its name when all is written, and goes when it isn't."""
    if out.is_dir():
        raise OutputError(f"{out} is a folder: give --to the name of a file.")
    if not out.absolute().parent.is_dir():
        raise OutputError(f"The folder {out.parent} for {out.name} isn't there: make it first.")
    if out.exists() and not may_write(out):
        raise OutputError(f"{out} can't be written (Permission denied): choose another name.")
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        # csv brings its own line ends (RFC 4180); a lone \n is JSON's.
        with open(part, "w", encoding="utf-8", newline="") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, out)
    except OSError as error:
        raise OutputError(
            f"{out} can't be written ({error.strerror}): free some space or choose another place."
        ) from error
    finally:
        with suppress(OSError):
            part.unlink()
