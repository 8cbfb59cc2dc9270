"""Pages of lists: the queue, a field's plants, how people agree, and the files pages load."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import islice
from typing import Any, TypeVar

from fastapi import APIRouter, HTTPException, Request
from starlette.responses import RedirectResponse, Response

from collarvision.agreement import (
    between_people,
    last_words,
    stage_counted,
    stages_said,
    with_tool,
)
from collarvision.answer import count_of
from collarvision.drift import warnings_of
from collarvision.handcount.asking import FieldId, field_of, site_of
from collarvision.network import ModelError
from collarvision.plantphotos import whole_plants
from collarvision.survey import PlantRow, SurveyReader

router = APIRouter()

A_PAGE = 50


@router.get("/")
def start() -> Response:
    """The queue is where everything begins."""
    return RedirectResponse("/queue", status_code=303)


@router.get("/queue")
def queue(request: Request, field: FieldId = None, page: int = 1) -> Response:
    """Plants to count, the one most worth a minute first."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        name = field_of(survey, field)
        fields = list(survey.fields())
        drifted = _drifted(survey, str(site.survey), name)
        made = site.queue.now()
        entries = made.of_field(name)
        answered = "" if entries else _answered(survey, str(site.survey), name)
    page, pages = _paged(page, len(entries))
    return site.looks.page(
        request,
        "queue.html",
        fields=fields,
        field_id=field,
        entries=entries[(page - 1) * A_PAGE : page * A_PAGE],
        total=len(entries),
        drifted=drifted,
        answered=answered,
        disputed=[one for one in made.disputed if name is None or one.field == name],
        page=page,
        pages=pages,
    )


@router.get("/plants")
def plants(request: Request, field: FieldId = None, page: int = 1) -> Response:
    """All plants, of a field or the survey, with everybody's counts."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        name = field_of(survey, field)
        fields = list(survey.fields())
        total = (
            survey.photo_count()
            if name is None
            else sum(one.photos for one in fields if one.name == name)
        )
        page, pages = _paged(page, total)
        first = (page - 1) * A_PAGE
        rows = list(islice(survey.plants(name), first, first + A_PAGE))
        said = {
            row.sha256: stages_said(last_words(survey.counts(row.sha256)).get(row.sha256, {}))
            for row in rows
        }
        wholes = _wholes(survey, rows)
        title = _how_many(survey, str(site.survey), name)
    return site.looks.page(
        request,
        "plants.html",
        fields=fields,
        field_id=field,
        rows=rows,
        said=said,
        wholes=wholes,
        title=title,
        page=page,
        pages=pages,
    )


@router.get("/agreement")
def agreement(request: Request, field: FieldId = None) -> Response:
    """How people agree with each other and with the program."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        name = field_of(survey, field)
        fields = list(survey.fields())
        counts = list(survey.counts(field=name))
    return site.looks.page(
        request,
        "agreement.html",
        fields=fields,
        field_id=field,
        people=between_people(counts),
        tool=with_tool(counts),
    )


@router.get("/static/{name}")
def static(request: Request, name: str) -> Response:
    """A script or style sheet."""
    found = site_of(request).looks.file(name)
    if found is None:
        raise HTTPException(404, "There is no such file.")
    return found


_Said = TypeVar("_Said")
_Words = tuple[str, ...]
# By what was asked, survey and field: the state then, and what was said. A season's records take a
# while to go through, and most looks at the queue follow no change.
_said: dict[tuple[object, str, str | None], tuple[tuple[int, ...], Any]] = {}


def _once(
    asked: Callable[[SurveyReader, str | None], _Said],
    survey: SurveyReader,
    path: str,
    field: str | None,
    state: tuple[int, ...] | None = None,
) -> _Said:
    """Ask a survey, anew only after a change of it, or of the `state` that the answer rests on."""
    state = survey.state() if state is None else state
    known = _said.get((asked, path, field))
    if known is None or known[0] != state:
        known = _said[asked, path, field] = (state, asked(survey, field))
    said: _Said = known[1]
    return said


def _drifted(survey: SurveyReader, path: str, field: str | None) -> _Words:
    """Warnings of drift."""
    try:
        return _once(warnings_of, survey, path, field)
    except ModelError as error:
        # Counting by hand needs no network: what is broken there is said, and the pages go on.
        return (str(error),)


def _answered(survey: SurveyReader, path: str, field: str | None) -> str:
    """What became of the plants where none waits, in a sentence."""
    return _once(_sum_up, survey, path, field)[0]


def _sum_up(survey: SurveyReader, field: str | None) -> _Words:
    plants = [row for row in whole_plants(survey.plants(field)) if row.view == "side"]
    aside = sum(row.set_aside is not None for row in plants)
    unused = sum(row.set_aside is None and _is_unused(row) for row in plants)
    parts = []
    if aside:
        parts.append("1 plant was set aside" if aside == 1 else f"{aside} plants were set aside")
    if unused:
        parts.append(f"{unused} {'photo' if unused == 1 else 'photos'} couldn't be used")
    if not parts:
        return ("Every plant has an answer.",)
    said = " and ".join(parts)
    if len(plants) == aside + unused:
        return (f"{said}.",)
    return (f"{said}; every other plant has an answer.",)


def _is_unused(row: PlantRow) -> bool:
    """Whether no plant was seen; a person may have counted on it what the photo doesn't show."""
    count = row.hand_count
    return row.outcome == "rejected" and (count is None or stage_counted(count) is None)


def _how_many(survey: SurveyReader, path: str, field: str | None) -> str:
    """How many plants there are, and in how many photos; a field is counted when it changed."""
    states = survey.field_states()
    names = [*states, None] if field is None else [field]
    counted = [
        _once(_count_plants, survey, path, one, None if one is None else states.get(one))
        for one in names
    ]
    plants, photos = (sum(column) for column in zip(*counted, strict=True))
    return f"{count_of(plants, 'plant')} in {count_of(photos, 'photo')}"


def _count_plants(survey: SurveyReader, field: str | None) -> tuple[int, int]:
    """Plants and photos of a field, or of none; a rejected photo shows no plant."""
    photos = plants = 0
    for row in whole_plants(survey.plants(field, unfiled=field is None)):
        photos += 1 + len(row.others)
        is_none = _is_unused(row) or row.set_aside in ("no-plant", "not-corn")
        plants += row.view == "side" and not is_none
    return plants, photos


def _wholes(survey: SurveyReader, rows: Iterable[PlantRow]) -> dict[str, PlantRow]:
    """The plants of these photos that others show too, by the photo's hash."""
    visits = {(row.field, row.date) for row in rows if row.plant is not None}
    return {
        one.sha256: plant
        for visit in visits
        for plant in whole_plants(survey.plants(*visit))
        if plant.others
        for one in (plant, *plant.others)
        if one.set_aside is None
    }


def _paged(page: int, total: int) -> tuple[int, int]:
    """The page asked for, within those there are, and their number."""
    pages = max(1, -(-total // A_PAGE))
    return min(max(page, 1), pages), pages
