"""Weather header: which columns of a table hold the day and the air's minimum and maximum.

Stations write humidity, soil and wind beside the air, with a minimum and a maximum each: those are
passed over by their names, and where several pairs are left the user is asked for one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

Unit = Literal["F", "C"]

_DATE_NAME: Final = re.compile(r"date|day|datum|time|fecha", re.I)
_HIGH_NAME: Final = re.compile(r"max|high|\btx\b", re.I)
_LOW_NAME: Final = re.compile(r"min|low|\btn\b", re.I)
_UNIT_NAME: Final = re.compile(
    r"(?:°\s*|deg[\s_]*|[\s(\[_])([FC])(?:[)\]\s_]|$)|(fahrenheit)|(celsius)|(centigrade)", re.I
)
# What isn't a temperature of the air, nor a temperature at all. "Grad" is a degree in German, so
# radiation has to begin a word; so has the time of day at which an extreme was met.
_OTHER_NAME: Final = re.compile(
    r"(?<![a-z])rh(?:min|max|(?![a-z]))|(?:min|max)rh(?![a-z])|humid|feucht|"
    r"soil|boden|ground|wind|gust|dew|wet.?bulb|heat.?index|"
    r"press|baro|rain|precip|prcp|snow|radia|(?<![a-z])s?rad(?![a-z])|solar|%|"
    r"(?<![a-z])time|flag|qual|attributes",
    re.I,
)
_TEMPERATURE_NAME: Final = re.compile(r"temp|^t", re.I)
_MOST_LINES_ABOVE: Final = 30


class TemperatureError(ValueError):
    """A table that can't be used; `str` is one sentence that says what to do."""


@dataclass(frozen=True)
class Header:
    """Columns of the day, the minimum and the maximum, and the unit that their names tell.

    `position` is the header's place among the rows; the values begin under it.
    """

    day: int
    low: int
    high: int
    unit: Unit | None
    position: int


def find_header(cells: Sequence[tuple[int, list[str]]], file: str) -> Header | None:
    """Find the row that names the columns; None without one.

    Parameters
    ----------
    cells : sequence of (int, list of str)
        Line number and cells of each row.
    file : str
        Name of the table in messages.

    Raises
    ------
    TemperatureError
        When several columns may be the air's, or the two are in different units.
    """
    for position, (number, row) in enumerate(cells[:_MOST_LINES_ABOVE]):
        day = next((k for k, name in enumerate(row) if _DATE_NAME.search(name)), None)
        lows = [k for k in _of_the_air(row, _LOW_NAME, _HIGH_NAME) if k != day]
        highs = [k for k in _of_the_air(row, _HIGH_NAME, _LOW_NAME) if k != day]
        if day is None or not lows or not highs:
            continue
        if len(lows) > 1 or len(highs) > 1:
            names = ", ".join(repr(row[k]) for k in sorted([*lows, *highs]))
            raise TemperatureError(
                f"{file}, line {number}: {names} may all be the air's temperature: leave one "
                "minimum and one maximum in the table."
            )
        (low,), (high,) = lows, highs
        units = {_named_unit(row[low]), _named_unit(row[high])}
        if units == {"F", "C"}:
            raise TemperatureError(
                f"{file}, line {number}: one column is in °F and the other in °C: "
                "give both in one unit."
            )
        unit: Unit | None = "F" if "F" in units else "C" if "C" in units else None
        return Header(day, low, high, unit, position)
    return None


def _of_the_air(row: Sequence[str], wanted: re.Pattern[str], other: re.Pattern[str]) -> list[int]:
    """Columns of one end; those that say they are temperatures, where any does."""
    found = [
        k
        for k, name in enumerate(row)
        if wanted.search(name) and not other.search(name) and not _OTHER_NAME.search(name)
    ]
    return [k for k in found if _TEMPERATURE_NAME.search(row[k])] or found


def _named_unit(name: str) -> Unit | None:
    match = _UNIT_NAME.search(name)
    if match is None:
        return None
    return "F" if (match[1] or match[0]).strip("°([_ ").upper().startswith("F") else "C"
