"""Importing: labels made elsewhere, found again among a survey's photos, stored as hand counts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import UTC, datetime

from collarvision.answer import stage_name
from collarvision.coco import CocoFile, CocoPlant
from collarvision.handcount.measuring import yardstick
from collarvision.handcount.saving import agreed_handles
from collarvision.handles import Handle, handles_of_record, point_of, shows_a_leaf, stage_of
from collarvision.stageheights import fits, impossible, pair_words
from collarvision.survey import HandCount, PlantRow, SurveyWriter
from collarvision.table import plain

_SAME_PX = 0.06  # an export rounds to 1/100 px, a record to 1/10


@dataclass(frozen=True)
class Imported:
    """What an import did: labels stored, stored before, left as they were read; and troubles.

    `labels` counts all that could be read, and `absent` those whose photos the survey doesn't hold.
    """

    stored: int
    known: int
    unchanged: int
    problems: tuple[str, ...]
    labels: int
    absent: int


class _Absent(LookupError):
    """The survey holds no such photo."""


def import_labels(
    survey: SurveyWriter, file: CocoFile, who: str, *, all_checked: bool = False
) -> Imported:
    """Store labels as hand counts; the same labels again are found, not stored twice.

    Labels that were changed count as their points say; a ``stage`` beside them is what the file
    said before. Labels that are still as they were read agree to the reading's stage. A stage that
    a plant of its height can't have is told of and not stored. A count is of
    the time that the file gives for who labelled. Where that is no time, or one that has yet to
    come, it is of the time of the import: no later count could stand beside it.

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
    stored = known = unchanged = absent = 0
    problems = list(file.problems)
    labels = [*((plant, "") for plant in file.plants), *file.contradicting]
    for label, wrong in labels:
        try:
            sha256 = _photo(survey, label)
        except LookupError as error:
            absent += isinstance(error, _Absent)
            problems.append(f"{label.photo}: {error.args[0]}")
            continue
        row = survey.plant(sha256)
        assert row is not None
        as_read = _alike(label.handles, handles_of_record(row.record))
        if as_read and not all_checked:
            unchanged += 1
            continue
        key = _key(label, who)
        if survey.count_saved(key) is not None or _is_stored(survey, sha256, label):
            known += 1
            continue
        try:
            stage, handles = _agreed(label, row) if as_read else (None, label.handles)
            if stage is None:
                stage = _stage(label, wrong)
            height_doubt = _see_height(stage, label, row)
        except ValueError as error:
            problems.append(f"{label.photo}: {error}")
            continue
        counted_at, doubt = _time(label, row.date)
        problems += [f"{label.photo}: {one}" for one in (doubt, height_doubt) if one]
        survey.add_hand_count(
            sha256,
            HandCount(plain(label.who or who), counted_at, stage, way="imported"),
            handles=handles,
            reading_id=row.reading_id,
            save_key=key,
        )
        stored += 1
    return Imported(stored, known, unchanged, tuple(problems), len(labels), absent)


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
    raise _Absent(f"the survey holds no photo of this name with {width} x {height} pixels")


def _agreed(label: CocoPlant, row: PlantRow) -> tuple[int | None, tuple[Handle, ...]]:
    """Stage and points that untouched labels agree to; no stage where the reading gave none."""
    if row.stage is None:
        return None, label.handles
    said = stage_of(label.handles) if label.stage is None else label.stage
    if said != row.stage:
        # Read anew since, or the stage alone was changed: nobody has agreed to what is read now.
        raise ValueError(
            f"the file says {stage_name(said)} and the reading {stage_name(row.stage)}, with the "
            "same points. Count the plant on its page, or export the labels again."
        )
    # A reading weighs more than its points: who agrees to its stage need not agree to them.
    return row.stage, agreed_handles(row.record)


def _stage(label: CocoPlant, wrong: str) -> int:
    """The stage that the points say."""
    if wrong:
        raise ValueError(wrong)
    if not shows_a_leaf(label.handles):
        raise ValueError(
            "Nothing is marked that counts: mark a collar or a leaf's tip, or say which leaves are "
            "lost."
        )
    return stage_of(label.handles)


def _see_height(stage: int, label: CocoPlant, row: PlantRow) -> str:
    """Say that a plant of the labelled stage is hardly as tall as this one; empty where it may be.

    Raises ValueError where it can't be.
    """
    by_hand = None if row.hand_count is None else row.hand_count.height_mm
    height = by_hand or _labelled_height(label, row) or row.height_mm
    if height is None or fits(stage, height) != "no":
        return ""
    if impossible(stage, height):
        raise ValueError(
            f"{pair_words(stage, height)} See the labels of its collars, soil and arch, or count "
            "and measure the plant."
        )
    return f"SURE? {pair_words(stage, height)} It is stored: count it again if either is a slip."


def _labelled_height(label: CocoPlant, row: PlantRow) -> float | None:
    """Height between a label's own soil and arch, mm; None without one of them or a scale."""
    soil, arch = point_of(label.handles, "soil"), point_of(label.handles, "arch")
    ruler = yardstick(row.record)
    return None if soil is None or arch is None or ruler is None else ruler.height_mm(soil, arch)


def _time(label: CocoPlant, visit: str | None) -> tuple[str, str]:
    """When a label was made, as counts are stored, and what is wrong with what the file says."""
    now = datetime.now(UTC)
    at = now
    doubt = ""
    # Beside no name the time is that of the reading, not of the person who checked it.
    if label.who and label.labelled_at:
        shown = plain(label.labelled_at[:40])
        try:
            made = datetime.fromisoformat(label.labelled_at)
            at = made.astimezone(UTC)  # without a zone it is this machine's
        except (ValueError, OverflowError, OSError):
            doubt = (
                f"its labelled_at {shown!r} is no time like 2026-05-20T10:00:00+00:00, so the time "
                "of this import stands for it."
            )
        else:
            if at > now:
                at = now
                # A visit may lie ahead of this machine's clock itself: a season for practice.
                if visit is None or made.date().isoformat() > visit:
                    doubt = (
                        f"its labelled_at {shown!r} is yet to come, so the time of this import "
                        "stands for it: see to the clock where it was labelled."
                    )
    # As exact as the file: labels that came out of a survey come after the count that they change.
    exact = at is not now and at.microsecond
    return at.isoformat(timespec="milliseconds" if exact else "seconds"), doubt


def _is_stored(survey: SurveyWriter, sha256: str, label: CocoPlant) -> bool:
    """Whether a label is one of this survey's own counts, as its export gives it."""
    at = _moment(label.labelled_at)
    return (
        label.who is not None
        and at is not None
        and any(
            one.count.who == plain(label.who)
            and _moment(one.count.counted_at) == at
            and _alike(one.handles, label.handles)
            for one in survey.counts(sha256)
        )
    )


def _moment(said: str | None) -> datetime | None:
    try:
        return None if said is None else datetime.fromisoformat(said).astimezone(UTC)
    except (ValueError, OverflowError, OSError):
        return None


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
