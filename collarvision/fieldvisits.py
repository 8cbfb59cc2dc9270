"""Field visits: a field's plants out of the survey, visit by visit, as evidence.

A plant is known by its photo's name, or by its stop where it has no photo. Where a person counted,
the last count stands; where two people differ on a plant, that is said.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
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
from collarvision.survey.rows import stop_key
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
    field = _known_field(field, list(known))
    ids = {day_in(one.date): one.id for one in store.visits(field)}
    if not ids:
        raise FieldVisitsError(_no_photo(store, field, known.values()))
    bare: dict[date | None, list[StopCount]] = defaultdict(list)
    for count in stop_counts(store, field, withdrawn=True):
        bare[day_in(count.date)].append(count)
    withdrawn = {one: all_withdrawn_words(one, bare[one]) for one in bare if one not in ids if one}
    dated = sorted(one for one in ids if one is not None)
    ahead = tuple(one for one in dated if today is not None and one > today)
    day = visit or _last(dated, ahead)
    if day not in ids:
        raise FieldVisitsError(_no_visit(field, day, dated, withdrawn))
    rows: dict[date | None, list[PlantRow]] = defaultdict(list)
    for row in whole_plants(store.plants(field)):
        rows[day_in(row.date)].append(row)

    def seen(one: date | None, notes: list[str]) -> tuple[FieldVisit, list[SeenPlant]]:
        return _visit(store, one, ids[one], rows[one], bare[one], notes)

    notes: list[str] = []
    chosen, of_another_crop = seen(day, notes)
    before = [one for one in dated if day is not None and one < day]
    after = [one for one in dated if day is not None and one > day and one not in ahead]
    later = tuple(seen(one, [])[0] for one in after)
    undated: tuple[PlantEvidence, ...] = ()
    if day is not None and None in ids:
        undated = tuple(plant for plant in seen(None, [])[0].evidence if plant.tells)
    side = [row for row in rows[day] if row.view == "side"]
    from_above = len(rows[day]) - len(side)
    sizes = {one: sum(row.view == "side" for row in rows[one]) + len(bare[one]) for one in ahead}
    return FieldVisits(
        field=field,
        boundary=known[field].boundary,
        chosen=chosen,
        earlier=tuple(seen(one, [])[0] for one in before),
        later=later,
        from_above=from_above,
        undated=undated,
        above=_seen_from_above(rows.values()),
        models=tuple(sorted({row.model or "unnamed network" for row in side})),
        calibrations=tuple(sorted({row.calibration for row in side})),
        decisions=tuple(
            one for one in store.decisions(field) if day is None or (day_in(one.date) or day) <= day
        ),
        notes=_told(
            *notes,
            _dated_too_late(chosen),
            _in_several_photos(side),
            _tell_no_collars(from_above),
            _no_date(undated, day),
        ),
        ahead=ahead,
        told_first=_told(
            _ahead(day, today, sizes),
            _of_another_crop(of_another_crop, day),
            _again(later, day),
            *_withdrawn_near(withdrawn, day),
            *misfit_words(chosen.evidence),
        ),
    )


# ------------------------------------------------------------------ which field, and which visit


def _known_field(field: str | None, known: Sequence[str]) -> str:
    """The field that is meant, as the survey spells it; None means the only one there is."""
    if field is None and len(known) == 1:
        field = known[0]
    if field is not None:
        field = known_as(field, known)
    if field is None or field not in known:
        raise FieldVisitsError(_no_field(field, known))
    return field


def _last(dated: Sequence[date], ahead: Sequence[date]) -> date | None:
    """The last day that may have been; where all are ahead, the last of all."""
    been = [one for one in dated if one not in ahead] or dated
    return been[-1] if been else None


def _seen_from_above(rows: Iterable[Iterable[PlantRow]]) -> tuple[PlantRow, ...]:
    return tuple(
        row
        for of_day in rows
        for row in of_day
        if row.view == "above" and row.record.get("above") is not None
    )


# ------------------------------------------------------------------ what is to be told of them


def _told(*said: str | None) -> tuple[str, ...]:
    return tuple(one for one in said if one is not None)


def _plants(count: int) -> str:
    return "One plant was taken" if count == 1 else f"{count} plants were taken"


def _in_several_photos(rows: Sequence[PlantRow]) -> str | None:
    shared = [row for row in rows if row.others]
    if not shared:
        return None
    photos = sum(1 + len(row.others) for row in shared)
    return f"{_plants(len(shared))} in {photos} photos: the photos of a plant count together."


def _tell_no_collars(from_above: int) -> str | None:
    if not from_above:
        return None
    said = "photo from above tells no collars and is"
    if from_above > 1:
        said = "photos from above tell no collars and are"
    return f"{from_above} {said} left out."


def _withdrawn_near(withdrawn: Mapping[date, str], day: date | None) -> list[str]:
    """What is said of days of the same crop whose counts were all taken back."""
    return [
        said
        for one, said in sorted(withdrawn.items())
        if day is None or abs((one - day).days) <= SAME_CROP_DAYS
    ]


def _no_date(plants: Sequence[PlantEvidence], day: date | None) -> str | None:
    if not plants:
        return None
    return (
        f"{undated_words(len(plants))}: {names_of([plant.name for plant in plants])}. Put the "
        f"photos into a folder named by the day they were taken, like {day}, and run "
        "`collarvision batch` again with --restage."
    )


def _again(later: Sequence[FieldVisit], day: date | None) -> str | None:
    """Say what newer visits than the one of `day` found, the newest first."""
    if not later:
        return None
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


def _no_visit(
    field: str, day: date | None, dated: Sequence[date], withdrawn: Mapping[date, str]
) -> str:
    days = ", ".join(str(one) for one in dated[-8:]) or "one without a date"
    why = f" {withdrawn[day]}" if day is not None and day in withdrawn else ""
    return f"{field} has no visit on {day}: its visits are {days}.{why}"


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
    spelt: dict[str, str] = {}  # surveys of earlier versions may hold `07` and `7`: one stop
    for plant in told:
        if (stop := plant.evidence.stop) is not None:
            stop = spelt.setdefault(stop_key(stop), stop)
            plant = replace(plant, evidence=replace(plant.evidence, stop=stop))
        taken = plant.evidence.taken_at
        # A copy of last year's photos in this year's folder would make this year's crop late.
        long_before = day is not None and taken is not None and (day - taken).days > SAME_CROP_DAYS
        (old if long_before else kept).append(plant)
    return FieldVisit(day, visit_id, tuple(kept)), old


def _of_another_crop(plants: Sequence[SeenPlant], day: date | None) -> str | None:
    """Say which plants are left out as their photos are too old to show the visit's crop."""
    if not plants:
        return None
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


def _ahead(day: date | None, today: date | None, sizes: Mapping[date, int]) -> str | None:
    """Say which visits lie ahead of the day of the answer, and what that means for it."""
    if not sizes or day is None:
        return None
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
