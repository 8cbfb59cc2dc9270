"""Counted photo: a plant that several photos show, by the name of the one that it was counted on.

Elsewhere such a plant has the name of the photo that shows it best. A verdict that rests on a count
must name the photo whose count that is, or nobody finds it to look at it again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from collarvision.fieldvisits import FieldVisit, FieldVisits
from collarvision.plantphotos import counts_on, whole_plants
from collarvision.seenplants import SeenPlant
from collarvision.survey import HandCount, PlantRow, SurveyReader
from collarvision.table import plain


def named_by_count(store: SurveyReader, visits: FieldVisits) -> FieldVisits:
    """Give a field's visits with such plants named by the photo whose count stands for them.

    Raises
    ------
    collarvision.survey.SurveyError
        When the survey can't be read.
    """
    every = (*visits.earlier, *visits.later, visits.chosen)
    if not any(_shared_and_counted(plant) for visit in every for plant in visit.plants):
        return visits
    rows = {row.sha256: row for row in whole_plants(store.plants(visits.field)) if row.others}
    *others, chosen = (_named(store, visit, rows) for visit in every)
    earlier = len(visits.earlier)
    return replace(
        visits, chosen=chosen, earlier=tuple(others[:earlier]), later=tuple(others[earlier:])
    )


def _shared_and_counted(plant: SeenPlant) -> bool:
    return plant.counted_by is not None and len((plant.record or {}).get("photos") or ()) > 1


def _named(store: SurveyReader, visit: FieldVisit, rows: dict[str, PlantRow]) -> FieldVisit:
    used = {plant.evidence.name for plant in visit.plants}
    plants = []
    for plant in visit.plants:
        row = rows.get(plant.sha256 or "") if _shared_and_counted(plant) else None
        photo = None if row is None else _counted_on(store, row, plant)
        # Under its first name a plant is told apart from others already: two phones number alike.
        if photo is not None and photo not in used:
            used.add(photo)
            plant = replace(plant, evidence=replace(plant.evidence, name=photo))
        plants.append(plant)
    return replace(visit, plants=tuple(plants))


def _counted_on(store: SurveyReader, row: PlantRow, plant: SeenPlant) -> str | None:
    """Name of the photo with the last count of leaves, else with the last height by hand."""
    counts = [(count, one.photo) for count, one in counts_on(store, row)]
    told = _last(counts, leaves=plant.evidence.hand_count is not None)
    return None if told is None else plain(told)


def _last(counts: Sequence[tuple[HandCount, str]], *, leaves: bool) -> str | None:
    for count, photo in reversed(counts):
        told = count.stage is not None or count.nodes is not None
        if told if leaves else count.height_mm is not None:
            return photo
    return None
