"""Seen plants: one plant of a visit out of the survey, as evidence.

A plant is known by its photo's name, or by its stop where it has no photo. Where a person counted,
the last count stands; where two people differ on a plant, that is said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from collarvision.agreement import stage_counted
from collarvision.answer import day_in, stage_name
from collarvision.countwords import withdrawn_words
from collarvision.evidence import HIGHEST_STAGE, PlantEvidence
from collarvision.exif import likely_day
from collarvision.limitwords import names_of
from collarvision.plantphotos import counts_on
from collarvision.splitstalk import NodeCountError, collars_from_nodes
from collarvision.survey import HandCount, PlantRow, SurveyReader
from collarvision.survey.stopcounts import StopCount, standing
from collarvision.table import plain

_STAGES = {stage_name(k): k for k in range(HIGHEST_STAGE + 1)}
_DAY = timedelta(days=1)
_ON_THE_PHOTO = ("agreed", "marked")  # such a count is as old as the photo


@dataclass(frozen=True)
class SeenPlant:
    """A plant and what is known of it beyond the evidence.

    Attributes
    ----------
    evidence : PlantEvidence
    sha256, path : str or None
        Of its photo and where that was seen last; None for a plant counted without a photo.
    gps : (latitude, longitude) or None
    record : dict
        The reading's record; empty without a photo.
    counted_by : str or None
    from_nodes : bool
        The hand count is one of nodes.
    """

    evidence: PlantEvidence
    sha256: str | None = None
    path: str | None = None
    gps: tuple[float, float] | None = None
    record: dict[str, Any] | None = None
    counted_by: str | None = None
    from_nodes: bool = False


def _taken_at(row: PlantRow, day: date | None) -> date | None:
    """The visit's day, or the camera's own where that is more than a day before.

    A folder may be dated by the day that photos were copied. An hour's trip over midnight, or over
    a border of time zones, is no such thing; a camera that lost its clock tells no day.
    """
    own = day_in(row.taken_at)
    if day is None or own is None:
        return day or own
    return own if day - own > _DAY and likely_day(own) else day


def from_photo(store: SurveyReader, row: PlantRow, day: date | None, notes: list[str]) -> SeenPlant:
    """The plant that a photo shows, or several; what is odd about it is added to `notes`."""
    record = row.record
    given = record.get("stage_probabilities") or {}
    size = 1 + max((_STAGES[name] for name in given if name in _STAGES), default=-1)
    probabilities = [0.0] * size
    for name, p in given.items():
        if name in _STAGES:
            probabilities[_STAGES[name]] = float(p)
    # The record's height and interval were rounded together; the survey's own column was not.
    height, interval = record.get("height_mm"), record.get("height_interval_mm")
    name = plain(row.photo)
    count = None
    outcome = row.outcome
    if row.hand_count is not None and row.set_aside not in ("no-plant", "not-corn"):
        counts = [count for count, _ in counts_on(store, row)]
        if row.set_aside is not None:
            # Its leaves can't be counted after all; that takes nothing from a height by tape.
            counts = [replace(one, stage=None, nodes=None) for one in counts]
        count = _last_count(name, counts, notes)
    if row.set_aside is not None:
        outcome = "rejected"  # a person found nothing to count, and nobody has counted since
    taken_at = _taken_at(row, day)
    try:
        evidence = PlantEvidence(
            name,
            tuple(probabilities),
            row.stage,
            outcome,
            row.confidence,
            height,
            None if interval is None else (float(interval[0]), float(interval[1])),
            taken_at=taken_at,
            stop=row.stop,
            height_basis=record.get("height_basis"),
        )
    except ValueError as error:
        # A record of another program or version: a person's count may still stand for the plant.
        notes.append(f"{error}: its reading is left out.")
        evidence = PlantEvidence(name, outcome="rejected", taken_at=taken_at, stop=row.stop)
    if count is not None and count.way not in _ON_THE_PHOTO:
        # Whoever counted the plant itself was there on the visit, whatever the camera's clock says.
        evidence = replace(evidence, taken_at=day or taken_at)
    seen = SeenPlant(evidence, row.sha256, row.path, row.gps, record)
    return seen if count is None else _with_count(seen, count, notes)


def from_stop(found: StopCount, day: date | None, notes: list[str]) -> SeenPlant | None:
    """A plant counted without a photo; None where nothing of it stands any more."""
    name = plain(found.name)
    count = _last_count(name, found.counts, notes)
    if count is None:
        said = " ".join(map(withdrawn_words, found.withdrawn))
        notes.append(f"{name} doesn't count: {said}")
        return None
    seen = _with_count(
        SeenPlant(
            PlantEvidence(name, outcome="hand-count", taken_at=day, stop=found.stop), gps=found.gps
        ),
        count,
        notes,
    )
    evidence = seen.evidence
    if evidence.hand_count is None:
        # A height alone: nobody can count this plant's leaves any more, so it doesn't wait.
        seen = replace(seen, evidence=replace(evidence, outcome="rejected"))
    return seen if evidence.hand_count is not None or seen.evidence.height_only else None


def all_withdrawn_words(day: date, counts: Sequence[StopCount]) -> str:
    """Say of a day whose counts were all taken back that its visit is none any more, and why.

    Parameters
    ----------
    day : date
    counts : sequence of StopCount
        Its plants without a photo, each withdrawn.
    """
    every = (one for found in counts for one in found.withdrawn)
    why = dict.fromkeys(
        f"{plain(one.who)} on {one.said_at[:10]} ({plain(one.reason).rstrip('.')})" for one in every
    )
    which = "The only plant" if len(counts) == 1 else f"All {len(counts)} plants"
    by = f"{'was' if len(counts) == 1 else 'were'} withdrawn by {names_of(list(why))}"
    return f"{which} counted on {day} {by}: that day is no visit any more."


def _last_count(name: str, counts: Sequence[HandCount], notes: list[str]) -> HandCount | None:
    """The count that stands, with a note where two people differ."""
    said = [c for c in counts if (c.stage, c.nodes, c.height_mm) != (None, None, None)]
    if not said:
        return None
    last_of = {c.who: c for c in said if c.stage is not None or c.nodes is not None}
    told = {c: stage for c in last_of.values() if (stage := stage_counted(c)) is not None}
    if len(set(told.values())) > 1:
        words = " and ".join(
            f"{stage}{'' if c.stage is not None else f' from {c.nodes} nodes'} by {plain(c.who)}"
            for c, stage in told.items()
        )
        notes.append(f"{name} was counted {words}: the last count stands.")
    return standing(counts)


def _with_count(seen: SeenPlant, count: HandCount, notes: list[str]) -> SeenPlant:
    evidence, from_nodes = seen.evidence, False
    if count.stage is not None:
        evidence = replace(evidence, hand_count=min(count.stage, HIGHEST_STAGE))
    elif count.nodes is not None:
        try:
            nodes = collars_from_nodes(count.nodes)
        except NodeCountError as error:
            notes.append(f"{evidence.name}: {error}")
        else:
            from_nodes = True
            evidence = replace(
                evidence,
                hand_count=min(nodes.collars, HIGHEST_STAGE),
                one_more=nodes.one_more,
            )
    if count.height_mm is not None:
        evidence = replace(evidence, height_mm=count.height_mm, height_interval_mm=None)
    return replace(seen, evidence=evidence, counted_by=plain(count.who), from_nodes=from_nodes)


def told_apart(plants: Sequence[SeenPlant]) -> Iterable[SeenPlant]:
    """Give plants of one name names of their own: two phones number their photos alike."""
    times = Counter(plant.evidence.name for plant in plants)
    used: set[str] = set()
    for plant in plants:
        name = plant.evidence.name
        if times[name] > 1:
            stop = f"stop {plain(plant.evidence.stop)}" if plant.evidence.stop else ""
            name = f"{name} ({', '.join(filter(None, ((plant.sha256 or '')[:6], stop)))})"
        while name in used:
            name += "'"
        used.add(name)
        yield replace(plant, evidence=replace(plant.evidence, name=name))
