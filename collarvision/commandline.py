"""Command line: what the commands share: how they end, their common options, a field's outline."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

if TYPE_CHECKING:
    from collarvision.boundary import Boundary
    from collarvision.wholefile import Kind

EXIT_USAGE = 2
EXIT_OUTPUT = 3
"""Also of a survey that can't be opened."""

EXIT_MODEL = 4
"""Also of a cluster that can't be reached."""

EXIT_INTERRUPTED = 130

FARTHEST_START_M = 20_000.0
"""From the gate to the field; our own choice. Farther off it is a slip of the pen."""


class AreaUnit(StrEnum):
    """Units of areas; lengths of the walk go with them."""

    ac = "ac"
    ha = "ha"


FieldName = Annotated[
    str | None,
    typer.Option(metavar="NAME", help="The field's name, on the page and in the boundary."),
]
Start = Annotated[
    str | None,
    typer.Option(metavar="LAT,LON", help="Where the walk begins, such as the gate."),
]
Headland = Annotated[
    float,
    typer.Option(metavar="M", min=0.0, help="Metres to keep away from the field's edges."),
]
Seed = Annotated[
    int, typer.Option(metavar="N", min=0, help="Another number gives other random stops.")
]
Out = Annotated[
    Path | None, typer.Option(metavar="FILE", help="Write there instead of to the screen.")
]


def say(words: str) -> None:
    """Say something beside the output."""
    typer.echo(words, err=True)


def end_with(words: str, status: int = EXIT_USAGE) -> NoReturn:
    """Say why the command ends, and end it."""
    say(words)
    raise typer.Exit(status)


def day_of(text: str | None, option: str) -> date | None:
    """Read the date that an option was given, if any, or stop with a sentence."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        end_with(f"{option} {text!r} isn't a date: write it like 2027-06-04.")


def see_target(
    option: str, out: Path | None, kind: Kind | None, inputs: Iterable[tuple[str, Path | None]] = ()
) -> None:
    """See that an output, if one is named, replaces no input and ends as it should, or stop.

    Every command that writes a file of the user's naming asks this before it does anything else.
    """
    from collarvision.wholefile import TargetError, check_target

    if out is None:
        return
    try:
        check_target(option, out, kind, inputs)
    except TargetError as error:
        end_with(str(error))


def field_outline(path: Path, field: str | None) -> Boundary:
    """Read a field's outline, or stop with a sentence."""
    from collarvision.boundary import BoundaryError, read_boundary

    try:
        return read_boundary(path, field)
    except BoundaryError as error:
        end_with(str(error))


def position(text: str) -> tuple[float, float]:
    """Read latitude and longitude, or stop with a sentence."""
    try:
        lat, lon = (float(part) for part in text.split(","))
    except ValueError:
        lat = lon = float("nan")
    if not (-90 <= lat <= 90 and -180 <= lon <= 180):
        end_with(f"--start {text!r} isn't latitude,longitude: write it like 41.52,-93.61.")
    return lat, lon


def see_start(start: tuple[float, float], boundary: Boundary) -> None:
    """See that a walk begins near its field, or stop with a sentence."""
    away = boundary.outside_m(*start)
    if away <= FARTHEST_START_M:
        return
    lat, lon = start
    slips = ((lat, -lon), (-lat, lon), (-lat, -lon), (lon, lat))
    meant = next((p for p in slips if boundary.outside_m(*p) <= FARTHEST_START_M), None)
    end_with(
        f"--start {lat:.10g},{lon:.10g} lies {away / 1000:,.0f} km from the field: "
        + (
            f"did you mean {meant[0]:.10g},{meant[1]:.10g}?"
            if meant is not None
            else "check it; a forgotten minus sign (west, south) is the usual reason."
        )
    )
