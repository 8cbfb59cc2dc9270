"""Importing: labels made elsewhere, found again among a survey's photos, stored as hand counts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime

from collarvision.coco import CocoFile, CocoPlant
from collarvision.handles import Handle, handles_of_record, stage_of
from collarvision.survey import HandCount, SurveyWriter
from collarvision.table import plain

_SAME_PX = 0.06  # an export rounds to 1/100 px, a record to 1/10


@dataclass(frozen=True)
class Imported:
    """What an import did: labels stored, stored before, left as they were read; and troubles."""

    stored: int
    known: int
    unchanged: int
    problems: tuple[str, ...]


def import_labels(
    survey: SurveyWriter, file: CocoFile, who: str, *, all_checked: bool = False
) -> Imported:
    """Store labels as hand counts; the same labels again are found, not stored twice.

    Parameters
    ----------
    survey : SurveyWriter
    file : CocoFile
    who : str
        Who labelled, where the file doesn't say.
    all_checked : bool
        Every photo was looked at: labels that are still as the program read them are agreement.
        Otherwise nobody may have seen them, and they are passed over.
    """
    stored = known = unchanged = 0
    problems = list(file.problems)
    for label, wrong in [*((plant, "") for plant in file.plants), *file.contradicting]:
        try:
            sha256 = _photo(survey, label)
        except LookupError as error:
            problems.append(f"{label.photo}: {error.args[0]}")
            continue
        row = survey.plant(sha256)
        assert row is not None
        as_read = _alike(label.handles, handles_of_record(row.record))
        if as_read and not all_checked:
            unchanged += 1
            continue
        if wrong:
            problems.append(f"{label.photo}: {wrong}")
            continue
        key = _key(label, who)
        if survey.count_saved(key) is not None:
            known += 1
            continue
        survey.add_hand_count(
            sha256,
            HandCount(
                who=plain(label.who or who),
                counted_at=label.labelled_at or datetime.now(UTC).isoformat(timespec="seconds"),
                stage=stage_of(label.handles),
                way="imported",
            ),
            handles=label.handles,
            reading_id=row.reading_id,
            save_key=key,
        )
        stored += 1
    return Imported(stored, known, unchanged, tuple(problems))


def _photo(survey: SurveyWriter, label: CocoPlant) -> str:
    """The hash of the one photo that a label belongs to."""
    if label.sha256 is not None and survey.photo(label.sha256) is not None:
        return label.sha256
    name = label.photo.replace("\\", "/").rpartition("/")[2]
    found = [p for p in survey.photos_named(name) if p.size_px in (None, label.size_px)]
    if len(found) == 1:
        return found[0].sha256
    if found:
        raise LookupError(f"the survey holds {len(found)} photos of this name and size")
    width, height = label.size_px
    raise LookupError(f"the survey holds no photo of this name with {width} x {height} pixels")


def _alike(one: Iterable[Handle], other: Iterable[Handle]) -> bool:
    """Whether two markings are the same but for rounding; tips without a number don't travel."""
    ones, others = (
        {(h.part, h.rank): h for h in handles if h.part in ("soil", "arch") or h.rank is not None}
        for handles in (one, other)
    )
    if ones.keys() != others.keys():
        return False
    return all(_same_place(h, others[key]) for key, h in ones.items())


def _same_place(one: Handle, other: Handle) -> bool:
    if one.occluded != other.occluded or one.x is None or other.x is None:
        return one.occluded == other.occluded and one.x is other.x
    assert one.y is not None
    assert other.y is not None
    return abs(one.x - other.x) <= _SAME_PX and abs(one.y - other.y) <= _SAME_PX


def _key(label: CocoPlant, who: str) -> str:
    said = json.dumps([asdict(label), who], sort_keys=True)
    return f"coco-{hashlib.sha256(said.encode()).hexdigest()[:40]}"
