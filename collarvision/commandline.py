"""Command line: what the commands share: how they end, their common options, a field's outline."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, TypeVar

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


_USUAL_PRINT_MM = 5.0  # "fit to page" takes less off; our own choice
_MOST_PLANTS = 1000  # a person walks for a few hundred; our own choice
_MOST_WHOLE = 10**18  # a float takes it, and nobody means more
_MOST_SHOWN = 60  # of what was typed

_Choice = TypeVar("_Choice", bound=StrEnum)


class AreaUnit(StrEnum):
    """Units of areas; lengths of the walk go with them."""

    ac = "ac"
    ha = "ha"


# What an option was given is read here and not by the library, whose words for what it can't read
# ("unable to parse string as a number") tell nobody what to write. Paths say `readable=False` for
# the same reason: the room that opens a file says what is wrong with it, and the others go on.


def one_of(kind: type[_Choice]) -> Callable[[str], _Choice]:
    """Reader of an option with a few answers, in any case; units by their long names too."""

    def read(text: str) -> _Choice:
        from collarvision.units import NAMES

        said = text.strip().lower()
        known = {str(one).lower(): one for one in kind}
        found = known.get(said, known.get(NAMES.get(said, "")))
        if found is None:
            *most, last = [str(one) for one in kind]
            raise typer.BadParameter(f"{text!r} isn't known here: use {', '.join(most)} or {last}.")
        return found

    return read


def choice(kind: type[_Choice], words: str, *names: str) -> Any:
    """An option with a few answers; `names` where the argument's own won't do."""
    return typer.Option(*names, parser=one_of(kind), metavar="|".join(kind), help=words)


def number(
    example: str, least: float | None = None, most: float | None = None
) -> Callable[[str], float]:
    """Reader of a number, with bounds that are included."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        _check(text, value, "a number", example, least, most)
        return value

    return read


def whole(example: str, least: int | None = None, most: int | None = None) -> Callable[[str], int]:
    """Reader of a whole number, with bounds that are included."""

    def read(text: str) -> int:
        try:
            value = int(text)
        except ValueError:
            _check(text, math.nan, "a whole number", example, least, most)
            raise
        if most is None and abs(value) > _MOST_WHOLE:
            raise typer.BadParameter(f"{_short(text)!r} is too large: write it like {example}.")
        _check(text, value, "a whole number", example, least, most)
        return value

    return read


def _check(
    text: str, value: float, what: str, example: str, least: float | None, most: float | None
) -> None:
    low, high = (-math.inf if least is None else least), (math.inf if most is None else most)
    if low <= value <= high and math.isfinite(value):
        return
    bounds = ""
    if least is not None:
        bounds = f" from {least:g}" + (f" to {most:g}" if most is not None else " up")
    raise typer.BadParameter(f"{_short(text)!r} isn't {what}{bounds}: write it like {example}.")


def _short(text: str) -> str:
    return text if len(text) <= _MOST_SHOWN else f"{text[:_MOST_SHOWN]}..."


def word(text: str) -> str:
    """Reader of a name that must not be empty: as a path it would be the current folder."""
    if not text:
        raise typer.BadParameter("an empty word names nothing: give a name (. is this folder).")
    return text


def path_named(text: str) -> Path:
    """Reader of the name of a file or a folder."""
    return Path(word(str(text)))


def _length_mm(text: str, bare_mm: float, example: str) -> float:
    """A length with a unit, or without one in units of `bare_mm`, changed to mm."""
    from collarvision.units import UnitError, read_length_mm

    try:
        return float(text) * bare_mm
    except ValueError:
        pass
    try:
        return float(read_length_mm(text))
    except UnitError as error:
        raise typer.BadParameter(f"{text!r} isn't a length: write it like {example}.") from error


def _headland_m(text: str) -> float:
    metres = _length_mm(str(text), 1000.0, "10 (metres) or 30ft") / 1000
    if not 0 <= metres < math.inf:
        raise typer.BadParameter(
            f"{text!r} is no distance from an edge: write it like 10 (metres) or 30ft."
        )
    return metres


def _check_bar_mm(text: str) -> float:
    mm = _length_mm(str(text), 1.0, "97.5 (mm)")
    if not 50 <= mm <= 200:
        raise typer.BadParameter(
            f"{text!r} is {mm:g} mm, and the card's check bar is 100 mm on paper: give what you "
            "measured on your print, in mm, such as 97.5."
        )
    if abs(mm - 100) > _USUAL_PRINT_MM:
        say(
            f"Sure? A check bar of {mm:g} mm means that the card came out at {mm:g} % of its size: "
            f"every length is told as {mm / 100:.3g} times what it would be by a true print."
        )
    return mm


def _precision(text: str) -> float:
    from collarvision.sampling import plants_for

    share = number("0.15")(str(text))
    if 0 < share < 0.5 and (plants := plants_for(share)) > _MOST_PLANTS:
        raise typer.BadParameter(
            f"{text!r} asks for {plants:,} plants, and nobody walks for so many: write it like "
            "0.15, which is +-15 in 100."
        )
    return share


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
    typer.Option(
        metavar="M", parser=_headland_m, help="Metres (or 30ft) to keep away from the edges."
    ),
]
Seed = Annotated[
    int,
    typer.Option(metavar="N", parser=whole("3", 0), help="Another number gives other stops."),
]
Precision = Annotated[
    float,
    typer.Option(
        metavar="D",
        parser=_precision,
        help="How exactly to know a share of plants; 0.15 is +-15 in 100.",
    ),
]
CheckBar = Annotated[
    float,
    typer.Option(
        metavar="MM",
        parser=_check_bar_mm,
        help="Length in mm of the card's check bar, measured on your print.",
    ),
]
AreaUnits = Annotated[
    AreaUnit | None,
    choice(
        AreaUnit, "Unit of areas, with ft or m; by default as you gave them, else of your locale."
    ),
]
Out = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE",
        parser=path_named,
        readable=False,
        help="Write there instead of to the screen.",
    ),
]


def say(words: str) -> None:
    """Say something beside the output."""
    typer.echo(words, err=True)


def end_with(words: str, status: int = EXIT_USAGE) -> NoReturn:
    """Say why the command ends, and end it."""
    say(words)
    raise typer.Exit(status)


def day_of(text: str | None, option: str) -> date | None:
    """Read the date that an option was given, if any, or stop with a sentence.

    A year in which nobody stages corn by this program is a slip of the keys.
    """
    from collarvision.exif import likely_day

    if text is None:
        return None
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        end_with(f"{option} {text!r} isn't a date: write it like 2027-06-04.")
    if not likely_day(day):
        end_with(f"{option} {day} is too far from today: check the year.")
    return day


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
