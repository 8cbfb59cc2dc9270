"""Plant photos: a survey's photos as plants, those that show one plant put together."""

from __future__ import annotations

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from collarvision.survey import HandCount, PlantRow, SurveyReader, Waiting
from collarvision.survey.stopcounts import StopCount, standing
from collarvision.together import joint_record, pictures_of, put_together


def whole_plants(rows: Iterable[PlantRow]) -> Iterator[PlantRow]:
    """Give a row a plant; what `SurveyReader.plants` gives is a row a photo, visit by visit.

    The row of a plant that several photos show is that of the photo which shows it best, with the
    answer of all (`collarvision.together`), what people counted last on any of them and the height
    that they measured last, and the rest as `others`. A photo that a person set aside has no say.
    """
    visit: tuple[str | None, str | None] | None = None
    shared: dict[tuple[str | None, str], list[PlantRow]] = {}
    for row in rows:
        if (row.field, row.date) != visit:
            yield from map(_one, shared.values())
            shared, visit = {}, (row.field, row.date)
        if row.plant is None or row.field is None or row.view != "side":
            yield row
        else:
            shared.setdefault((row.stop, row.plant), []).append(row)
    yield from map(_one, shared.values())


def whole_plant(store: SurveyReader, row: PlantRow) -> PlantRow:
    """Give the row of the plant that a photo shows, all of its photos put together."""
    if row.plant is None or row.field is None:
        return row
    return next(
        plant
        for plant in whole_plants(store.plants(row.field, row.date))
        if row.sha256 in {one.sha256 for one in (plant, *plant.others)}
    )


def waiting_plants(store: SurveyReader, field: str | None = None) -> Iterator[Waiting]:
    """Plants that ask for a hand count and have none yet, by field and date.

    A plant that several photos show waits once, by the photo that shows it best, and only if all of
    them together don't settle it.
    """
    alone = (one for one in store.waiting(field) if one.plant is None or one.field is None)
    shared = (
        plant
        for visit in list(store.shared_visits(field))
        for plant in sorted(_waiting_together(store, visit), key=_place)
    )
    return heapq.merge(alone, shared, key=_place)


def _waiting_together(store: SurveyReader, visit: tuple[str, str | None]) -> Iterator[Waiting]:
    """Plants of a visit whose photos were said to show them, and that wait."""
    for row in whole_plants(store.plants(*visit)):
        count = row.hand_count
        counted = count is not None and (count.stage is not None or count.nodes is not None)
        if (
            (row.field, row.date)
            == visit  # without a date all of the field's visits were asked for
            and row.plant is not None
            and row.view == "side"
            and row.outcome == "hand-count"
            and not counted
            and row.set_aside is None
        ):
            yield Waiting(
                row.field,
                row.date,
                row.stop,
                row.photo,
                row.sha256,
                row.stage,
                tuple(row.record["reasons"]),
                row.plant,
            )


def _place(one: Waiting) -> tuple[tuple[bool, str], ...]:
    """The order of `SurveyReader.waiting`: what has no name comes first."""
    return tuple(
        (name is not None, name or "") for name in (one.field, one.date, one.stop, one.photo)
    )


def _one(rows: Sequence[PlantRow]) -> PlantRow:
    """One row of all photos of a plant."""
    kept = [row for row in rows if row.set_aside is None]
    if len(rows) == 1 or not kept:
        return replace(rows[0], others=tuple(rows[1:]))
    records = [row.record for row in kept]
    plant = put_together(records)
    shown = _with_file(kept, plant.lead)
    if shown != plant.lead:
        measured = plant.lead if plant.height_from is None else plant.height_from
        plant = replace(plant, lead=shown, height_from=measured)
    record, lead = joint_record(records, plant), kept[shown]
    return replace(
        lead,
        outcome=record["outcome"],
        stage=record["stage"],
        confidence=record["confidence"],
        height_mm=record["height_mm"],
        **_counted(kept),
        record=record,
        others=tuple(row for row in rows if row is not lead),
    )


def _with_file(rows: Sequence[PlantRow], lead: int) -> int:
    """Position of the row to show a plant by: its lead, or one of the same picture with a file.

    Notes written into a file leave the photo that it was before without one.
    """
    if rows[lead].path is not None:
        return lead
    twins = next(them for them in pictures_of([row.record for row in rows]) if lead in them)
    with_file = (k for k in twins if rows[k].path is not None)
    # Points of a photo that was read otherwise are those of another answer.
    return next((k for k in with_file if rows[k].stage == rows[lead].stage), lead)


def plants_of_stop(store: SurveyReader, at: StopCount) -> list[PlantRow]:
    """The plants with photos at the stop where one without was counted, a row each."""
    return [
        row
        for row in whole_plants(store.plants(at.field, at.date))
        if (row.date, row.stop, row.view) == (at.date, at.stop, "side") and row.set_aside is None
    ]


def counts_on(store: SurveyReader, plant: PlantRow) -> list[tuple[HandCount, PlantRow]]:
    """What people counted on any of a plant's photos, and on which; the first one made first."""
    found = [
        (count, row) for row in (plant, *plant.others) for count in store.hand_counts(row.sha256)
    ]
    return sorted(found, key=lambda one: one[0].made)


def _counted(rows: Sequence[PlantRow]) -> dict[str, Any]:
    """The last count of leaves and the last height: of one plant, entered on whichever photo."""
    counts: list[HandCount] = []
    heights: list[HandCount] = []
    for row in rows:
        one = row.hand_count
        if one is None:
            continue
        if one.stage is not None or one.nodes is not None:
            counts.append(replace(one, height_mm=None))
        if one.height_mm is not None:
            # A row's height may have been measured at another hour than its leaves were counted.
            at = row.height_at or one.counted_at
            heights.append(replace(one, counted_at=at, id=row.height_id, stage=None, nodes=None))
    made = sorted((*counts, *heights), key=lambda count: count.made)
    measured = max(heights, key=lambda count: count.made, default=None)
    return {
        "hand_count": standing(made) if made else None,
        "height_at": measured and measured.counted_at,
        "height_id": measured and measured.id,
    }
