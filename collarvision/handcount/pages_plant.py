"""Pages of one plant: its photo with handles, what people counted on it, and saving."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any, Literal

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, PlainTextResponse, Response

from collarvision.agreement import stage_counted
from collarvision.answer import height_in_doubt, shown_stage, stage_name
from collarvision.fieldtable import local_time
from collarvision.handcount.asking import FieldId, Hash, field_of, plant_of, site_of
from collarvision.handcount.measuring import yardstick
from collarvision.handcount.saving import (
    SaveError,
    SentAside,
    SentCount,
    agreed_handles,
    apart_on,
    counts_of,
    read_sent,
    save_aside,
    save_count,
)
from collarvision.handles import handles_of_record, stage_of
from collarvision.plantphotos import whole_plant
from collarvision.splitstalk import KNOWN_ERROR, STEPS
from collarvision.survey import PlantRow, StoredCount, SurveyReader, SurveyWriter
from collarvision.survey.columns import now

router = APIRouter()

_WAYS = {
    "agreed": "agreed with the program",
    "marked": "marked on the photo",
    "on-plant": "counted on the plant",
    "split-stalk": "split stalk",
    "imported": "imported",
    None: "counted",
}


@router.get("/plants/{sha256}")
def plant(request: Request, sha256: Hash, field: FieldId = None) -> Response:
    """The photo with its handles; stage and height follow as they are moved."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        name = field_of(survey, field)
        row = plant_of(survey, sha256)
        whole = whole_plant(survey, row)
        counts = counts_of(survey, whole)
        asides = list(survey.set_asides(sha256))
    entries = site.queue.now().of_field(name)
    worth = next((e.worth for e in entries if e.waiting.sha256 == sha256), None)
    return site.looks.page(
        request,
        "plant.html",
        plant=row,
        whole=whole,
        worth=worth,
        left=len(entries),
        counts=[_told(count) for count in reversed(counts)],
        apart=apart_on(counts),
        people=len({count.count.who for count in counts}),
        asides=asides,
        data=_data(request, row, counts, field),
        unlike=_unlike(row),
        steps=STEPS,
        known_error=KNOWN_ERROR,
        field_id=field,
    )


@router.get("/plants/{sha256}/counts")
def counts(request: Request, sha256: Hash) -> Response:
    """What people counted, for a page that is open longer."""
    with SurveyReader(site_of(request).survey) as survey:
        found = counts_of(survey, whole_plant(survey, plant_of(survey, sha256)))
    return JSONResponse({"counts": [_told(count) for count in reversed(found)]})


@router.post("/plants/{sha256}/counts")
async def count(request: Request, sha256: Hash, field: FieldId = None) -> Response:
    """Store a count as a new row."""
    body = await request.body()
    return await run_in_threadpool(_count, request, sha256, field, body)


def _count(request: Request, sha256: str, field: int | None, body: bytes) -> Response:
    site = site_of(request)
    try:
        sent: SentCount = read_sent(SentCount, body)
        with SurveyWriter(site.survey) as survey:
            name = field_of(survey, field)
            saved = save_count(survey, plant_of(survey, sha256), sent)
    except SaveError as error:
        return PlainTextResponse(str(error), status_code=error.status)
    return JSONResponse(
        {
            "id": saved.id,
            "words": saved.words,
            "next": _next(request, sha256, name, field),
            "new": [_told(one) for one in saved.new_to_page],
            "doubt": saved.doubt,
            "apart": {who: stage_name(stage) for who, stage in saved.apart.items()},
        }
    )


@router.post("/plants/{sha256}/aside")
async def aside(request: Request, sha256: Hash, field: FieldId = None) -> Response:
    """Store that there is nothing to count."""
    body = await request.body()
    return await run_in_threadpool(_aside, request, sha256, field, body)


def _aside(request: Request, sha256: str, field: int | None, body: bytes) -> Response:
    site = site_of(request)
    try:
        sent: SentAside = read_sent(SentAside, body)
        with SurveyWriter(site.survey) as survey:
            name = field_of(survey, field)
            doubt = save_aside(survey, plant_of(survey, sha256), sent)
    except SaveError as error:
        return PlainTextResponse(str(error), status_code=error.status)
    found = _next(request, sha256, name, field)
    return JSONResponse({"words": "set aside", "next": found, "doubt": doubt})


@router.get("/plants/{sha256}/next")
def following(request: Request, sha256: Hash, field: FieldId = None) -> Response:
    """Where to go on without saving."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        name = field_of(survey, field)
    found = _next(request, sha256, name, field)
    return Response(status_code=303, headers={"location": found})


@router.get("/photos/{sha256}/{size}")
def photo(request: Request, sha256: Hash, size: Literal["page", "full"]) -> Response:
    """The photo, encoded anew."""
    jpeg = site_of(request).pictures.get(sha256, size)
    if jpeg is None:
        raise HTTPException(404, "The photo isn't where it was when it was read.")
    return Response(
        jpeg, media_type="image/jpeg", headers={"cache-control": "private, max-age=600"}
    )


def _next(request: Request, sha256: str, name: str | None, field: int | None) -> str:
    of_field = "" if field is None else f"?field={field}"
    found = site_of(request).queue.go_on(sha256, name)
    return f"/queue{of_field}" if found is None else f"/plants/{found}{of_field}"


def _unlike(row: PlantRow) -> str | None:
    """Why the stage beside the photo isn't the one that was read, where the two differ."""
    handles = handles_of_record(row.record)
    shown = stage_of(handles)
    if row.stage is None or shown == row.stage:
        return None
    if any(handle.part == "collar" for handle in handles):
        marked, look = f"the collars it shows come to {stage_name(shown)}", "look at each"
    elif shown:
        marked = f"no collar was found, and the leaves taken for lost come to {stage_name(shown)}"
        look = "look for the collars"
    else:
        marked, look = "no collar was found", "look for them"
    return f"Read as {stage_name(row.stage)}, though {marked}: {look}."


def _is_wild(row: PlantRow) -> bool:
    """Whether lists hide the stage as too wild a guess."""
    hidden = shown_stage(None, row.outcome, None)
    return row.stage is not None and hidden == shown_stage(row.stage, row.outcome, row.confidence)


def _data(request: Request, row: PlantRow, counts: Any, field: int | None) -> dict[str, Any]:
    """What the page's script works with."""
    ruler = yardstick(row.record)
    size = row.record.get("photo_size")
    return {
        "sha256": row.sha256,
        "photo": row.photo,
        "field": field,
        "size": size,
        "reading": row.reading_id,
        "stage": row.stage,
        "heightMm": row.height_mm,
        "wild": _is_wild(row),
        "doubtful": row.stage is not None and row.outcome != "staged",
        "heightDoubtful": height_in_doubt(
            row.height_mm, row.record.get("height_interval_mm"), row.record.get("height_basis")
        ),
        "handles": [asdict(handle) for handle in handles_of_record(row.record)],
        "agreesWithMarks": bool(agreed_handles(row.record)),
        "ruler": None if ruler is None else asdict(ruler),
        "shownAt": now(),
        "seen": max((count.id for count in counts), default=0),
        "markings": [
            {
                "id": count.id,
                "words": f"{count.count.who}, {local_time(count.count.counted_at)}",
                "handles": [asdict(handle) for handle in count.handles],
            }
            for count in reversed(counts)
            if count.handles and count.sha256 == row.sha256
        ],
    }


def _told(count: StoredCount) -> dict[str, Any]:
    said = count.count
    stage = stage_counted(said)
    return {
        "id": count.id,
        "who": said.who,
        "at": said.counted_at,
        "stage": "–" if stage is None else stage_name(stage),
        "nodes": said.nodes,
        "height_mm": said.height_mm,
        "way": _WAYS[said.way],
        "note": said.note,
        "marks": len(count.handles),
    }
