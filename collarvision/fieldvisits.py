"""Field visits: a field's plants out of the survey, visit by visit, as evidence.

A plant is known by its photo's name, or by its stop where it has no photo. Where a person counted,
the last count stands; where two people differ on a plant, that is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from collarvision.answer import day_in, stage_name
from collarvision.evidence import SAME_CROP_DAYS, PlantEvidence
from collarvision.field import summarise
from collarvision.fieldnames import known_as, listed, meant
from collarvision.limitsteps import misfit_words
from collarvision.limitwords import names_of, plants_of, undated_words
from collarvision.plantphotos import whole_plants
from collarvision.seenplants import (
    SeenPlant,
    all_withdrawn_words,
    from_photo,
    from_stop,
    told_apart,
)
from collarvision.survey import Decision, Field, PlantRow, SurveyReader
from collarvision.survey.plantfolders import was_named
from collarvision.survey.stopcounts import StopCount, stop_counts


class FieldVisitsError(ValueError):
    """A field or visit that the survey lacks; `str` is one sentence that says what to give."""


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
    later : tuple of FieldVisit
        Dated visits after it that may have been, the first one first.
    ahead : tuple of date
        Days still to come of other visits, and of the chosen one: nobody can have been there yet.
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
    told_first : tuple of str
        What is to be known before the answer: plants or visits that were left out of it.
    """

    field: str
    boundary: dict[str, Any] | None
    chosen: FieldVisit
    earlier: tuple[FieldVisit, ...] = ()
    later: tuple[FieldVisit, ...] = ()
    from_above: int = 0
    undated: tuple[PlantEvidence, ...] = ()
    above: tuple[PlantRow, ...] = ()
    models: tuple[str, ...] = ()
    calibrations: tuple[str, ...] = ()
    decisions: tuple[Decision, ...] = ()
    notes: tuple[str, ...] = ()
    ahead: tuple[date, ...] = ()
    told_first: tuple[str, ...] = ()


def visits_of(
    store: SurveyReader, field: str | None, visit: date | None = None, today: date | None = None
) -> FieldVisits:
    """Gather a field up to a visit; None is the only field there is.

    Parameters
    ----------
    store : SurveyReader
    field : str, optional
    visit : date, optional
        By default the last one up to `today`; where all are after it, the last of all.
    today : date, optional
        Visits after it can't have been yet and are said to be ahead; without it none is.

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
    if field is not None:
        field = known_as(field, list(known))
    if field is None or field not in known:
        raise FieldVisitsError(_no_field(field, list(known)))
    ids = {day_in(one.date): one.id for one in store.visits(field)}
    dated = sorted(day for day in ids if day is not None)
    if not ids:
        raise FieldVisitsError(_no_photo(store, field, known.values()))
    bare: dict[date | None, list[StopCount]] = defaultdict(list)
    for count in stop_counts(store, field, withdrawn=True):
        bare[day_in(count.date)].append(count)
    withdrawn = {one: all_withdrawn_words(one, bare[one]) for one in bare if one not in ids if one}
    ahead = tuple(one for one in dated if today is not None and one > today)
    been = [one for one in dated if one not in ahead] or dated
    day = visit if visit is not None else (been[-1] if been else None)
    if day not in ids:
        days = ", ".join(str(one) for one in dated[-8:]) or "one without a date"
        why = f" {withdrawn[visit]}" if visit in withdrawn else ""
        raise FieldVisitsError(f"{field} has no visit on {visit}: its visits are {days}.{why}")
    rows: dict[date | None, list[PlantRow]] = defaultdict(list)
    for row in whole_plants(store.plants(field)):
        rows[day_in(row.date)].append(row)
    notes: list[str] = []
    told_first: list[str] = []
    chosen, old = _visit(store, day, ids[day], rows[day], bare[day], notes)
    if ahead and today is not None and day is not None:
        sizes = {
            one: sum(row.view == "side" for row in rows[one]) + len(bare[one]) for one in ahead
        }
        told_first.append(_ahead(day, today, sizes))
    if old and day is not None:
        told_first.append(_of_another_crop(old, day))
    others = [
        _visit(store, one, ids[one], rows[one], bare[one], [])[0]
        for one in dated
        if day is not None and one != day and (one < day or one not in ahead)
    ]
    earlier = tuple(one for one in others if one.day is not None and day and one.day < day)
    later = tuple(one for one in others if one not in earlier)
    if later and day is not None:
        told_first.append(_again(later, day))
    told_first += [
        said
        for one, said in sorted(withdrawn.items())
        if day is None or abs((one - day).days) <= SAME_CROP_DAYS
    ]
    told_first += misfit_words(chosen.evidence)
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
        found = _visit(store, None, ids[None], rows[None], bare[None], [])[0].evidence
        undated = tuple(p for p in found if p.tells)
    if undated:
        notes.append(_no_date(undated, day))
    return FieldVisits(
        field=field,
        boundary=known[field].boundary,
        chosen=chosen,
        earlier=earlier,
        later=later,
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
        ahead=ahead,
        told_first=tuple(told_first),
    )


def _plants(count: int) -> str:
    return "One plant was taken" if count == 1 else f"{count} plants were taken"


def _no_date(plants: Sequence[PlantEvidence], day: date | None) -> str:
    return (
        f"{undated_words(len(plants))}: {names_of([plant.name for plant in plants])}. Put the "
        f"photos into a folder named by the day they were taken, like {day}, and run "
        "`collarvision batch` again with --restage."
    )


def _again(later: Sequence[FieldVisit], day: date) -> str:
    """Say what newer visits than the one of `day` found, the newest first."""
    found = []
    for one in reversed(later):
        said = summarise(one.evidence)
        stage = "no stage yet" if said.stage is None else stage_name(said.stage)
        plants = f"{plants_of(said.plants)}, {said.waiting} waiting" if said.waiting else None
        found.append(f"{one.day} ({stage}, {plants or plants_of(said.plants)})")
    return (
        f"The field was visited again on {names_of(found)}: this answer rests on the visit of "
        f"{day} alone, unless another was surely past."
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
) -> tuple[FieldVisit, list[SeenPlant]]:
    """A visit, and the plants that its folder holds but that are of another crop by the camera."""
    plants = [from_photo(store, row, day, notes) for row in rows if row.view == "side"]
    plants += [plant for count in bare if (plant := from_stop(count, day, notes)) is not None]
    told = list(told_apart(plants))
    kept: list[SeenPlant] = []
    old: list[SeenPlant] = []
    for plant in told:
        taken = plant.evidence.taken_at
        # A copy of last year's photos in this year's folder would make this year's crop late.
        long_before = day is not None and taken is not None and (day - taken).days > SAME_CROP_DAYS
        (old if long_before else kept).append(plant)
    return FieldVisit(day, visit_id, tuple(kept)), old


def _of_another_crop(plants: Sequence[SeenPlant], day: date) -> str:
    """Say which plants are left out as their photos are too old to show the visit's crop."""
    days = [plant.evidence.taken_at for plant in plants]
    first, last = min(filter(None, days)), max(filter(None, days))
    when = f"on {first}" if first == last else f"from {first} to {last}"
    one = len(plants) == 1
    return (
        f"{_plants(len(plants))} over {SAME_CROP_DAYS} days before the visit of {day} by the "
        f"camera, {when}, and can't be of this crop: {'it is' if one else 'they are'} left out of "
        f"the stage and of every verdict: {names_of([p.evidence.name for p in plants])}. If the "
        f"camera's clock was wrong, count {'it' if one else 'them'} by hand in the field; else see "
        f"that {'the photo is' if one else 'the photos are'} in the right folder."
    )


def _ahead(day: date, today: date, sizes: dict[date, int]) -> str:
    """Say which visits lie ahead of the day of the answer, and what that means for it."""
    check = "check the phone's clock, and the year in the folder's name"
    if day in sizes:
        return f"The visit of {day} is after {today}, the day of this answer: {check}."
    said = [f"{one} ({plants_of(n)})" for one, n in sizes.items()]
    which = f"The visit of {said[0]} is" if len(said) == 1 else f"Visits of {listed(said)} are"
    return (
        f"{which} after {today}, the day of this answer, and left out: it rests on the visit of "
        f"{day}. If {'that is' if len(said) == 1 else 'those are'} of an earlier day, {check}."
    )


def _dated_too_late(visit: FieldVisit) -> str | None:
    """Say that a visit holds photos that its day is too late for."""
    told = [p for p in visit.evidence if p.tells]
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
