"""Field visits: a field's plants out of the survey, visit by visit, as evidence.

A plant is known by its photo's name, or by its stop where it has no photo. Where a person counted,
the last count stands; where two people differ on a plant, that is said.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from collarvision.answer import stage_name
from collarvision.countwords import withdrawn_words
from collarvision.evidence import HIGHEST_STAGE, PlantEvidence, day_in
from collarvision.exif import likely_day
from collarvision.fieldnames import listed, meant
from collarvision.limitwords import names_of, undated_words
from collarvision.plantphotos import whole_plants
from collarvision.splitstalk import NodeCountError, collars_from_nodes
from collarvision.survey import Decision, Field, HandCount, PlantRow, SurveyReader
from collarvision.survey.plantfolders import was_named
from collarvision.survey.stopcounts import StopCount, standing, stop_counts
from collarvision.table import plain

_STAGES = {stage_name(k): k for k in range(HIGHEST_STAGE + 1)}
_DAY = timedelta(days=1)
_ON_THE_PHOTO = ("agreed", "marked")  # such a count is as old as the photo


class FieldVisitsError(ValueError):
    """A field or visit that the survey lacks; `str` is one sentence that says what to give."""


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


@dataclass(frozen=True)
class FieldVisit:
    """One visit: its day (None if nothing tells), its id in the survey, and its plants."""

    day: date | None
    visit_id: int
    plants: tuple[SeenPlant, ...]

    @property
    def evidence(self) -> tuple[PlantEvidence, ...]:
        """Of every plant."""
        return tuple(plant.evidence for plant in self.plants)


@dataclass(frozen=True)
class FieldVisits:
    """A field up to one of its visits.

    Attributes
    ----------
    field : str
    boundary : dict or None
        GeoJSON geometry.
    chosen : FieldVisit
        The visit that the answer is for.
    earlier : tuple of FieldVisit
        Dated visits before it, the first one first.
    later : tuple of date
        Days of visits after it.
    from_above : int
        Photos of the chosen visit taken from above, which tell no collars and are left out.
    undated : tuple of PlantEvidence
        Plants of the field that no visit holds, for want of a date; empty where the chosen visit is
        the one without a date.
    above : tuple of PlantRow
        Photos from above of all the field's visits whose records hold what was seen.
    models, calibrations : tuple of str
        That read the chosen visit's photos.
    decisions : tuple of Decision
        Kept for this field before, up to the chosen visit, the first one first.
    notes : tuple of str
    """

    field: str
    boundary: dict[str, Any] | None
    chosen: FieldVisit
    earlier: tuple[FieldVisit, ...] = ()
    later: tuple[date, ...] = ()
    from_above: int = 0
    undated: tuple[PlantEvidence, ...] = ()
    above: tuple[PlantRow, ...] = ()
    models: tuple[str, ...] = ()
    calibrations: tuple[str, ...] = ()
    decisions: tuple[Decision, ...] = ()
    notes: tuple[str, ...] = ()


def visits_of(store: SurveyReader, field: str | None, visit: date | None = None) -> FieldVisits:
    """Gather a field up to a visit, the last one by default; None is the only field there is.

    Raises
    ------
    FieldVisitsError
        When the survey has no such field or visit.
    collarvision.survey.SurveyError
        When the survey can't be read.
    """
    known = {one.name: one for one in store.fields()}
    if field is None and len(known) == 1:
        field = next(iter(known))
    if field is None or field not in known:
        raise FieldVisitsError(_no_field(field, list(known)))
    ids = {day_in(one.date): one.id for one in store.visits(field)}
    dated = sorted(day for day in ids if day is not None)
    if not ids:
        raise FieldVisitsError(_no_photo(store, field, known.values()))
    day = visit if visit is not None else (dated[-1] if dated else None)
    if day not in ids:
        days = ", ".join(str(one) for one in dated[-8:]) or "one without a date"
        raise FieldVisitsError(f"{field} has no visit on {visit}: its visits are {days}.")
    rows: dict[date | None, list[PlantRow]] = defaultdict(list)
    for row in whole_plants(store.plants(field)):
        rows[day_in(row.date)].append(row)
    bare: dict[date | None, list[StopCount]] = defaultdict(list)
    for count in stop_counts(store, field, withdrawn=True):
        bare[day_in(count.date)].append(count)
    notes: list[str] = []
    chosen = _visit(store, day, ids[day], rows[day], bare[day], notes)
    earlier = tuple(
        _visit(store, one, ids[one], rows[one], bare[one], [])
        for one in dated
        if day is not None and one < day
    )
    if (late := _dated_too_late(chosen)) is not None:
        notes.append(late)
    side = [row for row in rows[day] if row.view == "side"]
    shared = [row for row in side if row.others]
    if shared:
        photos = sum(1 + len(row.others) for row in shared)
        notes.append(
            f"{_plants(len(shared))} in {photos} photos: the photos of a plant count together."
        )
    above = len(rows[day]) - len(side)
    if above:
        said = "photo from above tells no collars and is"
        if above > 1:
            said = "photos from above tell no collars and are"
        notes.append(f"{above} {said} left out.")
    undated: tuple[PlantEvidence, ...] = ()
    if day is not None and None in ids:
        found = _visit(store, None, ids[None], rows[None], bare[None], []).evidence
        undated = tuple(p for p in found if p.decided or p.waiting or p.height_only)
    if undated:
        notes.append(_no_date(undated, day))
    return FieldVisits(
        field=field,
        boundary=known[field].boundary,
        chosen=chosen,
        earlier=earlier,
        later=tuple(one for one in dated if day is not None and one > day),
        from_above=above,
        undated=undated,
        above=tuple(
            row
            for on_a_day in rows.values()
            for row in on_a_day
            if row.view == "above" and row.record.get("above") is not None
        ),
        models=tuple(sorted({row.model or "unnamed network" for row in side})),
        calibrations=tuple(sorted({row.calibration for row in side})),
        decisions=tuple(
            one for one in store.decisions(field) if day is None or (day_in(one.date) or day) <= day
        ),
        notes=tuple(notes),
    )


def _plants(count: int) -> str:
    return "One plant was taken" if count == 1 else f"{count} plants were taken"


def _no_date(plants: Sequence[PlantEvidence], day: date | None) -> str:
    return (
        f"{undated_words(len(plants))}: {names_of([plant.name for plant in plants])}. Put the "
        f"photos into a folder named by the day they were taken, like {day}, and run "
        "`collarvision batch` again with --restage."
    )


def _no_field(field: str | None, known: Sequence[str]) -> str:
    if not known:
        return "The survey holds no field: run `collarvision batch` with --field or dated folders."
    if field is None:
        return f"Say which field with --field: the survey has {listed(known)}."
    return f"The survey has no field {field!r}: {meant(field, known)}"


def _no_photo(store: SurveyReader, field: str, known: Iterable[Field]) -> str:
    """Of a field without visits: why, as far as the survey tells, and what to do."""
    if any(stop_counts(store, field, withdrawn=True)):
        return (
            f"All that was counted in {field} was withdrawn: fill the survey with `collarvision "
            "batch`, or count a plant with `collarvision count`."
        )
    if not was_named(store, field):
        return f"{field} has no photo yet: fill the survey with `collarvision batch`."
    others = [f"{one.name} ({one.photos})" for one in known if one.photos]
    ask = f"Fields with photos: {listed(others)}." if others else "No field has photos."
    return (
        f"{field} holds no photo now: those that were found for it are filed under another field. "
        f"{ask}"
    )


def _visit(
    store: SurveyReader,
    day: date | None,
    visit_id: int,
    rows: Iterable[PlantRow],
    bare: Iterable[StopCount],
    notes: list[str],
) -> FieldVisit:
    plants = [_from_photo(store, row, day, notes) for row in rows if row.view == "side"]
    plants += [plant for count in bare if (plant := _from_stop(count, day, notes)) is not None]
    return FieldVisit(day, visit_id, tuple(_told_apart(plants)))


def _taken_at(row: PlantRow, day: date | None) -> date | None:
    """The visit's day, or the camera's own where that is more than a day before.

    A folder may be dated by the day that photos were copied. An hour's trip over midnight, or over
    a border of time zones, is no such thing; a camera that lost its clock tells no day.
    """
    own = day_in(row.taken_at)
    if day is None or own is None:
        return day or own
    return own if day - own > _DAY and likely_day(own) else day


def _dated_too_late(visit: FieldVisit) -> str | None:
    """Say that a visit holds photos that its day is too late for."""
    told = [p for p in visit.evidence if p.decided or p.waiting or p.height_only]
    old = [p for p in told if p.taken_at != visit.day]
    days = [p.taken_at for p in old if p.taken_at is not None]
    if not days or visit.day is None:
        return None
    when = str(min(days)) if min(days) == max(days) else f"{min(days)} to {max(days)}"
    return (
        f"{_plants(len(old))} before the visit of {visit.day} by the camera, on {when}, and "
        f"{'counts' if len(old) == 1 else 'count'} from there: {names_of([p.name for p in old])}. "
        "See that the folder's date and the camera's clock are right. Where the clock was wrong, "
        "set it, and count these plants by hand in the field: such a count is of the visit's day."
    )


def _from_photo(
    store: SurveyReader, row: PlantRow, day: date | None, notes: list[str]
) -> SeenPlant:
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
        counts = [c for one in (row, *row.others) for c in store.hand_counts(one.sha256)]
        counts.sort(key=lambda count: count.counted_at)
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


def _from_stop(found: StopCount, day: date | None, notes: list[str]) -> SeenPlant | None:
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


def _last_count(name: str, counts: Sequence[HandCount], notes: list[str]) -> HandCount | None:
    """The count that stands, with a note where two people differ."""
    said = [c for c in counts if (c.stage, c.nodes, c.height_mm) != (None, None, None)]
    if not said:
        return None
    last_of = {c.who: c for c in said if c.stage is not None or c.nodes is not None}
    stages = {c.stage for c in last_of.values() if c.stage is not None}
    if len(stages) > 1:
        words = " and ".join(f"{c.stage} by {plain(c.who)}" for c in last_of.values())
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


def _told_apart(plants: Sequence[SeenPlant]) -> Iterable[SeenPlant]:
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
