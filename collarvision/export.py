"""Export: a survey's plants as CSV, JSON, GeoJSON, Parquet or COCO keypoints.

A row a plant, by its latest reading; one that was counted at a stop without a photo has its hand
count alone. Rows stream from the survey to the file, however many there are; the file appears whole
or not at all. Where a form has a place for words about itself, the caution of every stage that may
be acted on stands there.
"""

from __future__ import annotations

import csv
import importlib.util
import itertools
import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import IO, Any

from collarvision.agreement import stage_counted
from collarvision.answer import stage_name
from collarvision.coco import ENDING as COCO_ENDING
from collarvision.coco import CocoPlant, write_coco
from collarvision.countwords import withdrawn_words
from collarvision.handles import Handle, handles_of_record
from collarvision.partfile import part_file
from collarvision.survey import HandCount, PlantRow, StoredCount
from collarvision.survey.stopcounts import StopCount
from collarvision.table import CAUTION

FORMS = (".csv", ".json", ".geojson", ".parquet", COCO_ENDING)
"""Endings, the last of them a name's last two."""

PARQUET_ROWS = 20_000
"""Rows a group, which is what is held in memory at a time."""

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
    "hand_way",
    "set_aside",
    "read_at",
    "model",
    "calibration",
    "plant",
    "photos",
    "withdrawn",
)
"""Of a row, in the order of a CSV file."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True)
class Labels:
    """What a person marked on a photo: points, the stage they counted, who and when."""

    handles: tuple[Handle, ...]
    stage: int | None
    who: str
    at: str


def labels_of(counts: Iterable[StoredCount]) -> Labels | None:
    """What a person marked on a photo last; None where a later count speaks against it.

    Counts come in the order they were made. Somebody who counts the plant itself after that, and
    finds another stage, has marked nothing: the points are no truth any more.
    """
    marked, stage = None, None
    for one in counts:
        said = stage_counted(one.count)
        if one.handles:
            marked, stage = one, said
        elif said is not None and said != stage:
            marked = None
    if marked is None:
        return None
    return Labels(marked.handles, marked.count.stage, marked.count.who, marked.count.counted_at)


class FormError(Exception):
    """The file's ending says no form that can be written; the message says which can."""


def form_of(out: Path) -> str:
    """The form that a file's name asks for, one of `FORMS`.

    Raises
    ------
    FormError
    """
    name = out.name.lower()
    # The longest first: a name that ends in .coco.json ends in .json too.
    form = next((f for f in sorted(FORMS, key=len, reverse=True) if name.endswith(f)), None)
    if form is None:
        raise FormError(f"{out} should end in {', '.join(FORMS)}: the ending says the form.")
    if form == ".parquet" and importlib.util.find_spec("pyarrow") is None:
        raise FormError(
            "Parquet needs a further package: pip install 'collarvision[parquet]', or export .csv."
        )
    return form


Plant = PlantRow | StopCount
"""What has a row: a plant by its photos, or one that was counted without any."""


def export_plants(
    plants: Iterable[Plant], out: Path, labels: Callable[[str], Labels | None] | None = None
) -> int:
    """Write plants to a file; its ending says in which form.

    Parameters
    ----------
    plants : iterable of PlantRow or StopCount
        COCO passes those without a photo over: there is nothing that points could lie on.
    out : Path
        ``.csv`` (RFC 4180, UTF-8, with a header; sentences joined by a blank; text that starts
        with ``=``, ``+``, ``-``, ``@``, a tab or CR gets an apostrophe before it, so that no
        spreadsheet takes it for a formula), ``.json`` (a list of rows, each with the whole
        ``record``), ``.geojson`` (RFC 7946: a feature a plant, its point where the photo or
        its stop has GPS), ``.parquet`` (typed columns) or ``.coco.json`` (points of plants; see
        `coco_plants`). All but ``.csv`` hold texts exactly as they are.
    labels : callable, optional
        Gives what a person last marked on the photo of this SHA-256; used for COCO.

    Returns
    -------
    int
        Plants written.

    Raises
    ------
    FormError
        The ending is unknown.
    OutputError
        The file can't be written.
    """
    form = form_of(out)
    if form == ".parquet":
        with part_file(out, "wb") as stream:
            return _parquet(plants, stream)
    write: dict[str, Callable[[Iterable[Plant], IO[str]], int]] = {
        ".csv": _csv,
        ".json": _json,
        ".geojson": _geojson,
        COCO_ENDING: lambda plants, stream: write_coco(
            coco_plants(plants, labels or (lambda sha256: None)), stream, caution=CAUTION
        ),
    }
    with part_file(out, "w") as stream:
        return write[form](plants, stream)


def row_of(plant: Plant) -> dict[str, Any]:
    """Flatten a plant to `COLUMNS`; lists of sentences and codes stay lists."""
    if isinstance(plant, StopCount):
        return _row_without_photo(plant)
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
        *_counted(count).values(),
        plant.set_aside,
        plant.read_at,
        plant.model,
        plant.calibration,
        plant.plant,
        1 + len(plant.others),
        [],
    )
    return dict(zip(COLUMNS, values, strict=True))


def _row_without_photo(plant: StopCount) -> dict[str, Any]:
    """A plant that no photo says anything of: only its place and what people counted on it."""
    said = {
        "field": plant.field,
        "visit": plant.date,
        "stop": plant.stop,
        "latitude": plant.gps and plant.gps[0],
        "longitude": plant.gps and plant.gps[1],
        "reasons": [],
        "quality": [],
        **_counted(plant.count),
        "plant": plant.name,  # as `field` calls it: plants of photos have plain numbers
        "photos": 0,
        "withdrawn": [withdrawn_words(one) for one in plant.withdrawn],
    }
    return {name: said.get(name) for name in COLUMNS}


def _counted(count: HandCount | None) -> dict[str, Any]:
    """What people counted, by its columns, in their order."""
    return {
        "hand_stage": count and count.stage,
        "hand_nodes": count and count.nodes,
        "hand_height_mm": count and count.height_mm,
        "hand_by": count and count.who,
        "hand_at": count and count.counted_at,
        "hand_note": count and count.note,
        "hand_way": count and count.way,
    }


def _csv(plants: Iterable[Plant], stream: IO[str]) -> int:
    writer = csv.writer(stream)
    writer.writerow(COLUMNS)
    count = 0
    for count, plant in enumerate(plants, start=1):  # noqa: B007
        writer.writerow([_cell(value) for value in row_of(plant).values()])
    return count


def _cell(value: object) -> object:
    """A value as a spreadsheet may have it: names and notes come from anyone, numbers don't."""
    if isinstance(value, list):
        value = " ".join(value)
    return f"'{value}" if isinstance(value, str) and value.startswith(_FORMULA_STARTS) else value


def _json(plants: Iterable[Plant], stream: IO[str]) -> int:
    rows = (
        {**row_of(plant), "record": None if isinstance(plant, StopCount) else plant.record}
        for plant in plants
    )
    return _array("[", rows, "]", stream)


def _geojson(plants: Iterable[Plant], stream: IO[str]) -> int:
    return _array(
        # A member of our own, which the standard allows (RFC 7946, section 6.1).
        f'{{"type": "FeatureCollection", "caution": {json.dumps(CAUTION)}, "features": [',
        map(_feature, plants),
        "]}",
        stream,
    )


def _feature(plant: Plant) -> dict[str, Any]:
    row = row_of(plant)
    latitude, longitude = row.pop("latitude"), row.pop("longitude")
    point = None
    if latitude is not None:
        # RFC 7946: longitude comes first (section 3.1.1), always WGS 84 (section 4), and some
        # 10 cm is as fine as it need be (section 11.2). A feature may be unlocated (section 3.2).
        point = {"type": "Point", "coordinates": [round(longitude, 6), round(latitude, 6)]}
    own = f"hand-count-{plant.id}" if isinstance(plant, StopCount) else plant.sha256
    return {"type": "Feature", "id": own, "geometry": point, "properties": row}


def _array(head: str, items: Iterable[dict[str, Any]], tail: str, stream: IO[str]) -> int:
    stream.write(head)
    count = 0
    for count, item in enumerate(items, start=1):
        stream.write("\n" if count == 1 else ",\n")
        stream.write(json.dumps(item, ensure_ascii=False, allow_nan=False))
    stream.write(f"\n{tail}\n")
    return count


def _parquet(plants: Iterable[Plant], stream: IO[bytes]) -> int:
    import pyarrow
    import pyarrow.parquet

    words, number, whole = pyarrow.string(), pyarrow.float64(), pyarrow.int32()
    other = {
        "visit": pyarrow.date32(),
        "read_at": pyarrow.timestamp("ms", tz="UTC"),
        **dict.fromkeys(("reasons", "quality", "withdrawn"), pyarrow.list_(words)),
        **dict.fromkeys(
            ("stage", "lower_leaves_missing", "hand_stage", "hand_nodes", "photos"), whole
        ),
        **dict.fromkeys(("latitude", "longitude", "confidence"), number),
        **dict.fromkeys(("height_mm", "height_low_mm", "height_high_mm", "hand_height_mm"), number),
    }
    schema = pyarrow.schema(
        [(name, other.get(name, words)) for name in COLUMNS], metadata={"caution": CAUTION}
    )
    count = 0
    rows = map(_typed_row, plants)
    with pyarrow.parquet.ParquetWriter(stream, schema, compression="zstd") as writer:
        while group := list(itertools.islice(rows, PARQUET_ROWS)):
            writer.write_table(pyarrow.Table.from_pylist(group, schema))
            count += len(group)
    return count


def _typed_row(plant: Plant) -> dict[str, Any]:
    row = row_of(plant)
    row["visit"] = None if row["visit"] is None else date.fromisoformat(row["visit"])
    row["read_at"] = None if row["read_at"] is None else datetime.fromisoformat(row["read_at"])
    return row


def coco_plants(
    plants: Iterable[Plant], labels: Callable[[str], Labels | None]
) -> Iterator[CocoPlant]:
    """Plants with points on their photos: those that people marked, and those that were staged.

    ``labelled_by`` tells them apart: a person's name, or null for what the program read, which is
    no truth to train on. Left out: plants that were counted otherwise than they were read and not
    marked, plants without a photo, photos set aside, and views from above.
    """
    for plant in plants:
        if isinstance(plant, StopCount):
            continue
        size = plant.record.get("photo_size")
        if size is None or plant.view != "side" or plant.set_aside is not None:
            continue
        marked = labels(plant.sha256)
        handles = marked.handles if marked else handles_of_record(plant.record)
        count = plant.hand_count
        counted = None if count is None else stage_counted(count)
        if not marked and (plant.outcome != "staged" or counted not in (None, plant.stage)):
            continue
        yield CocoPlant(
            photo=plant.photo,
            size_px=(size[0], size[1]),
            handles=handles,
            sha256=plant.sha256,
            stage=marked.stage if marked else plant.stage,
            who=marked.who if marked else None,
            labelled_at=marked.at if marked else plant.read_at,
        )
