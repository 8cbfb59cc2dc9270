"""Filling: templates of the report filled in, every word escaped."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from collarvision import __version__


def fill(template: str, **values: Any) -> str:
    """Fill a template in; `version` and `made` are there besides the values given."""
    house = Environment(
        loader=PackageLoader("collarvision.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
    return house.get_template(template).render(version=__version__, made=made, **values)


def drawing(svg: str | None) -> Markup | None:
    """Take a drawing of our own making as it is: every word in it is escaped already."""
    return None if svg is None else Markup(svg)
