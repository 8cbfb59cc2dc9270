"""Looks: templates and the files that pages load, read once, escaped always."""

from __future__ import annotations

from collections.abc import Sequence
from importlib.resources import files
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from collarvision.answer import (
    MM_PER_INCH,
    confidence_words,
    height_in_doubt,
    percent_sure,
    shown_stage,
    stage_name,
)
from collarvision.fieldtable import local_time
from collarvision.table import CAUTION

_KINDS: Final = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}


class Looks:
    """Renders templates and hands out static files by their bare names."""

    def __init__(self) -> None:
        self._templates = Environment(
            loader=PackageLoader("collarvision.handcount"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.filters.update(
            stage=_stage,
            shown=shown_stage,
            height=_height,
            percent=_percent,
            when=local_time,
            sure=_sure,
        )
        folder = files("collarvision.handcount") / "static"
        # A file is looked up among these, so that no name from outside becomes a path.
        self._files = {
            one.name: (one.read_bytes(), _KINDS[suffix])
            for one in folder.iterdir()
            if (suffix := f".{one.name.rpartition('.')[2]}") in _KINDS
        }

    def page(self, request: Request, template: str, status: int = 200, **data: Any) -> Response:
        """Render a template as a page."""
        site = request.app.state.site
        session = request.scope["session_name"]
        html = self._templates.get_template(template).render(
            token=site.gate.token(session),
            local=request.scope["local"],
            shared=bool(site.addresses),
            inside=request.scope["local"] or site.gate.is_in(session),
            path=request.url.path,
            survey_id=site.survey_id,
            survey_name=site.survey.name,
            caution=CAUTION,
            **data,
        )
        return HTMLResponse(html, status_code=status)

    def file(self, name: str) -> Response | None:
        """A static file; None if there is none of this name."""
        if name not in self._files:
            return None
        content, kind = self._files[name]
        headers = {"content-type": kind, "cache-control": "no-cache"}
        return Response(content, headers=headers)


def _stage(stage: int | None) -> str:
    return "–" if stage is None else stage_name(stage)


def _height(
    height_mm: float | None,
    interval_mm: Sequence[float] | None = None,
    basis: str | None = None,
) -> str:
    """A height in both units, with the sign of doubt that every answer of the program has."""
    if height_mm is None:
        return "–"
    doubt = "?" if height_in_doubt(height_mm, interval_mm, basis) else ""
    return f"{height_mm / MM_PER_INCH:.1f} in ({height_mm / 10:.0f} cm){doubt}"


def _percent(share: float | None) -> str:
    return "–" if share is None else f"{share:.0%}"


def _sure(confidence: float | None) -> str:
    if confidence is None:
        return ""
    return f"{confidence_words(confidence)}, {percent_sure(confidence)}"
