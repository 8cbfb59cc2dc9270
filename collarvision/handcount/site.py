"""Site: the application, from a survey's file to answers a browser shows."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from contextlib import asynccontextmanager
from http import HTTPStatus
from pathlib import Path
from typing import Any

from fastapi import FastAPI, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse, Response

from collarvision.handcount import pages_entry, pages_lists, pages_plant
from collarvision.handcount.asking import Site
from collarvision.handcount.entry import Gate
from collarvision.handcount.looks import Looks
from collarvision.handcount.pictures import Pictures
from collarvision.handcount.protection import Protection, TooLarge, too_large
from collarvision.handcount.queue import QueueKeeper
from collarvision.handcount.taking import PhotoTaker
from collarvision.limitsfile import Limits
from collarvision.survey import SurveyError

_CLOSED = 499  # no registered status: common practice for a request whose sender went away


def create_site(
    survey: Path,
    *,
    port: int,
    gate: Gate | None = None,
    limits: Limits | None = None,
    check_bar_mm: float = 100.0,
    addresses: tuple[str, ...] = (),
    names: tuple[str, ...] = (),
) -> FastAPI:
    """Make the application.

    Parameters
    ----------
    survey : Path
    port : int
        That it is served at; a Host header must name it.
    gate : Gate, optional
    limits : Limits, optional
        The user's own, to say what a count is worth.
    check_bar_mm : float
        The card's check bar as measured on the print, for photos taken on the page.
    addresses : tuple of str
        Where other machines find it, for the page that lets a phone in.
    names : tuple of str
        That a Host header may hold besides the address that was reached; by default the machine's.
    """
    pictures = Pictures(survey)
    taker = PhotoTaker(survey, pictures, check_bar_mm=check_bar_mm)
    gate = gate or Gate()

    @asynccontextmanager
    async def living(app: FastAPI) -> Any:
        taker.warm_up()
        yield
        taker.close()

    # No generated documentation: its pages load scripts from elsewhere.
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None, lifespan=living)
    app.state.site = Site(
        survey, gate, QueueKeeper(survey, limits), pictures, taker, Looks(), addresses
    )
    for rooms in (pages_lists, pages_plant, pages_entry):
        app.include_router(rooms.router)
    for kind, answer in _FAULTS.items():
        app.add_exception_handler(kind, answer)
    app.add_middleware(Protection, gate=gate, port=port, names=names)
    return app


async def _is_too_large(request: Request, error: Exception) -> Response:
    return too_large()


async def _gone(request: Request, error: Exception) -> Response:
    # Nobody is left to read an answer, and nothing is wrong here: the page was closed.
    return Response(status_code=_CLOSED)


async def _no_such_page(request: Request, error: Exception) -> Response:
    return _told(request, 404, "There is no such page here.")


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException | StarletteHTTPException)
    if error.status_code == 404 and error.detail == HTTPStatus(404).phrase:
        return await _no_such_page(request, error)  # the framework's own word, for any address
    return _told(request, error.status_code, str(error.detail))


async def _survey(request: Request, error: Exception) -> Response:
    return _told(request, 503, str(error))


def _told(request: Request, status: int, words: str) -> Response:
    """A sentence, as a page for a person and as text for a page's script."""
    if "text/html" not in request.headers.get("accept", ""):
        return PlainTextResponse(words, status_code=status)
    looks: Looks = request.app.state.site.looks
    return looks.page(request, "told.html", status=status, words=words)


_FAULTS: dict[type[Exception], Callable[[Request, Exception], Awaitable[Response]]] = {
    TooLarge: _is_too_large,
    ClientDisconnect: _gone,
    RequestValidationError: _no_such_page,
    StarletteHTTPException: _http,
    SurveyError: _survey,
}
