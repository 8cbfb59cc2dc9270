"""Counts: the demo's hand counts, as a scout's labels in COCO keypoints.

The photos are renders, so what a careful person would mark on them is known. Fields that the demo
leaves uncounted have none here.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any, Final

from collarvision.coco import CocoPlant, write_coco
from collarvision.demo.farm import DemoPhoto
from collarvision.handles import Handle, lost_leaf
from collarvision.table import CAUTION

SCOUT: Final = "demo scout"
COUNTED: Final = frozenset({"owl", "acre", "mill", "heron"})
"""Fields counted by hand at the last visit."""

LAST_VISIT: Final = 2


def read_truth(folder: Path) -> dict[str, dict[str, Any]]:
    """Truth lines of rendered photos by file name; none where the file isn't there."""
    path = folder / "truth.jsonl"
    if not path.is_file():
        return {}
    lines = map(json.loads, path.read_text(encoding="utf-8").splitlines())
    return {line["file"]: line for line in lines}


def hand_counts(
    placed: Iterable[tuple[DemoPhoto, str]], truth: Mapping[str, Mapping[str, Any]]
) -> str:
    """Give the labels of the counted fields' last visit as a COCO document.

    Parameters
    ----------
    placed : iterable of (DemoPhoto, SHA-256)
    truth : mapping
        See `read_truth`.
    """
    stream = io.StringIO()
    write_coco(_plants(placed, truth), stream, caution=CAUTION)
    return stream.getvalue()


def _plants(
    placed: Iterable[tuple[DemoPhoto, str]], truth: Mapping[str, Mapping[str, Any]]
) -> Iterator[CocoPlant]:
    for photo, sha256 in placed:
        line = truth.get(photo.file)
        if line is None or not line["usable"]:
            continue
        if photo.field.key not in COUNTED or photo.visit != LAST_VISIT:
            continue
        yield CocoPlant(
            photo=photo.place.name,
            size_px=(line["width"], line["height"]),
            handles=tuple(handles_of_truth(line)),
            sha256=sha256,
            stage=line["stage_v"],
            who=SCOUT,
            labelled_at=photo.taken_at.isoformat(),
        )


def handles_of_truth(line: Mapping[str, Any]) -> Iterator[Handle]:
    """What a careful person would mark: every collar, also hidden ones; every tip that shows."""
    shown = [*line["collars_visible_in_image"], *line["tips"]]
    there = {mark["rank"] for mark in shown}
    for rank in range(1, line["lower_leaves_missing"] + 1):
        if rank not in there:
            yield lost_leaf(rank)
    for mark in line["collars_visible_in_image"]:
        yield Handle("collar", mark["x"], mark["y"], mark["rank"], occluded=mark["occluded"])
    for mark in line["tips"]:
        inside = 0 <= mark["x"] <= line["width"] and 0 <= mark["y"] <= line["height"]
        if inside and not mark["occluded"]:
            yield Handle("tip", mark["x"], mark["y"], mark["rank"], rounded=mark["rounded"])
    if line["base_xy"] is not None:
        x, y = line["base_xy"]
        yield Handle("soil", x, y, occluded=line["base_occluded"])
    if line["arch_xy"] is not None:
        yield Handle("arch", *line["arch_xy"])
