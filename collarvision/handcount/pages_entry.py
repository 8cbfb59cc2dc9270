"""Pages of entry: the code, the phone, and photos from it."""

from __future__ import annotations

import asyncio
from urllib.parse import parse_qs

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response

from collarvision.batch.folders import tidy
from collarvision.handcount.asking import FieldId, OtherHash, field_of, plant_of, site_of
from collarvision.handcount.entry import CODE_SECONDS, new_session
from collarvision.handcount.protection import session_cookie
from collarvision.handcount.taking import Busy, Taken, TakingError
from collarvision.survey import SurveyReader
from collarvision.survey.rows import as_known
from collarvision.table import plain

router = APIRouter()

_LONGEST_NAME = 80
_WORDS = {
    "wrong": "That isn't the code: look at the computer's screen.",
    "run out": "That code has run out or was used: a new one is on the computer's screen.",
    "too many": "Too many tries: wait a minute, then type the code on the computer's screen.",
}


@router.get("/enter")
def ask(request: Request) -> Response:
    """Ask for the code; the QR code brings it along."""
    site = site_of(request)
    if request.scope["local"] or site.gate.is_in(request.scope["session_name"]):
        return RedirectResponse("/queue", status_code=303)
    return site.looks.page(request, "enter.html", problem=None)


@router.post("/enter")
async def enter(request: Request) -> Response:
    """Let a phone in."""
    site, session = site_of(request), request.scope["session_name"]
    said = parse_qs((await request.body()).decode("utf-8", "replace"), max_num_fields=10)
    token, code = (said.get(name, [""])[0] for name in ("token", "code"))
    if not site.gate.is_token(session, token):
        return site.looks.page(
            request, "enter.html", status=403, problem="This page was too old: try again."
        )
    inside = new_session()  # not the name that was known before
    address = request.client.host if request.client else ""
    answer = site.gate.enter(code, address, inside)
    if answer == "in":
        response: Response = RedirectResponse("/take", status_code=303)
        response.headers["set-cookie"] = session_cookie(request.url.port or 80, inside)
        return response
    status = 429 if answer == "too many" else 403
    response = site.looks.page(request, "enter.html", status=status, problem=_WORDS[answer])
    if answer == "too many":
        response.headers["retry-after"] = "60"
    return response


@router.get("/phone")
def phone(request: Request) -> Response:
    """Show the code on the computer itself, and nowhere else."""
    site = site_of(request)
    if not request.scope["local"]:
        raise HTTPException(404, "The code is shown on the computer only.")
    code = site.gate.code() if site.addresses else None
    return site.looks.page(
        request,
        "phone.html",
        code=code,
        minutes=round(CODE_SECONDS / 60),
        addresses=site.addresses,
        picture=_qr(f"{site.addresses[0]}/enter#{code.text}") if code else "",
    )


@router.get("/take")
def take(request: Request, field: FieldId = None, of: OtherHash = None) -> Response:
    """Choose a field, take a photo; or take one more photo of a plant, from its other side."""
    site = site_of(request)
    with SurveyReader(site.survey) as survey:
        fields = list(survey.fields())
        plant = None if of is None else plant_of(survey, of)
    return site.looks.page(request, "take.html", fields=fields, field_id=field, plant=plant)


@router.post("/photos")
async def taken(
    request: Request, field: FieldId = None, new: str = "", of: OtherHash = None
) -> Response:
    """Take a photo in: the body is the file, the field an id or a new field's name.

    With `of`, the hash of another photo of the same plant, it goes where that one is filed. The
    answer has the field's name as the survey spells it.
    """
    site = site_of(request)
    name = await run_in_threadpool(_field_name, request, field, new, of)
    body = await request.body()
    try:
        found = await asyncio.wrap_future(site.taker.take(body, name, of))
    except Busy as error:
        return PlainTextResponse(str(error), status_code=503, headers={"retry-after": "5"})
    except TakingError as error:
        return PlainTextResponse(str(error), status_code=422)
    return await run_in_threadpool(_answer, request, found, name, of)


def _answer(request: Request, found: Taken, name: str, of: str | None) -> Response:
    with SurveyReader(site_of(request).survey) as survey:
        row = plant_of(survey, found.sha256)
        asked = as_known(name, [field.name for field in survey.fields()])
    words = "The survey has this photo already." if found.was_known else "Filed."
    if of is None and row.field != asked:
        words += f" It stays in {row.field or 'no field'}."
    return JSONResponse(
        {
            "url": f"/plants/{found.sha256}",
            "field": asked,
            "words": words,
            "outcome": row.outcome,
            "stage": row.stage,
            "height_mm": row.height_mm,
            "reasons": row.record["reasons"],
        }
    )


@router.get("/token")
def token(request: Request) -> Response:
    """The token of this session, for a page that outlived the program."""
    return JSONResponse({"token": site_of(request).gate.token(request.scope["session_name"])})


def _field_name(request: Request, field: int | None, new: str, of: str | None) -> str:
    with SurveyReader(site_of(request).survey) as survey:
        name = field_of(survey, field) if of is None else plant_of(survey, of).field
    name = name if name is not None else tidy(plain(new))
    if not name or len(name) > _LONGEST_NAME:
        raise HTTPException(
            422, f"Choose a field, or name a new one in 1 to {_LONGEST_NAME} letters."
        )
    return name


def _qr(text: str) -> str:
    import segno

    svg: str = segno.make(text, error="m").svg_inline(border=4, light="#fff", omitsize=True)
    return svg
