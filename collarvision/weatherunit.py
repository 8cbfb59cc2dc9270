"""Weather unit: whether a table of temperatures is in °C or °F, and what can be in neither.

A few bad cells must not decide: one 120 among Celsius highs would make the whole table Fahrenheit,
its heat nothing and a closing limit open. So what can't be goes first, and highs that are few and
stand apart from all others have no say.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

from collarvision.units import fahrenheit
from collarvision.weatherheader import TemperatureError, Unit

# The warmest air on record is 56.7 °C (World Meteorological Organization, from memory), so a
# maximum over 57 can't be Celsius; a growing season without a day over 45 °F grows no corn.
HOTTEST_C: Final = 57.0
COLDEST_C: Final = -60.0
_HOT_MEDIAN_C: Final = 45.0  # no place has highs over it on half of its days: our own choice
_COOL_SEASON_F: Final = 45.0
_FEWEST_DAYS_TO_TELL: Final = 7

# Highs of a place follow each other closely: so few of them, so many degrees above all others, are
# bad cells and not its weather. Our own choices.
_STRAY_SHARE: Final = 0.2
_APART: Final = 15.0

# Some stations write it for a missing value, and in Fahrenheit it may also be a hot day.
_MAY_BE_MISSING: Final = 99.9


@dataclass(frozen=True)
class Row:
    """A row as it was read: its line, the date's words, low and high; None where missing."""

    line: int
    words: str
    low: float | None
    high: float | None


def bounds(unit: Unit) -> tuple[float, float]:
    """Coldest and hottest air there is, in that unit."""
    if unit == "C":
        return COLDEST_C, HOTTEST_C
    return float(fahrenheit(COLDEST_C)), float(fahrenheit(HOTTEST_C))


def without_impossible(rows: Sequence[Row], findings: list[str]) -> list[Row]:
    """The rows, those with a value that can be in neither unit as missing days, and said."""
    coldest, hottest = bounds("F")  # wider than Celsius' at both ends
    lows, highs = (
        [value for value in column if value is not None and coldest <= value <= hottest]
        for column in ([row.low for row in rows], [row.high for row in rows])
    )
    found = []
    for row in rows:
        cells = [(v, many) for v, many in ((row.low, lows), (row.high, highs)) if v is not None]
        wrong = next((v for v, _ in cells if not coldest <= v <= hottest), None)
        marked = any(v == _MAY_BE_MISSING and _stands_alone(v, many) for v, many in cells)
        if wrong is not None:
            findings.append(f"Line {row.line}: {wrong:g} can't be; the day counts as missing.")
        elif marked:
            findings.append(
                f"Line {row.line}: {_MAY_BE_MISSING} is far above all other days and is taken for "
                "the mark of a missing value."
            )
        else:
            found.append(row)
            continue
        found.append(replace(row, low=None, high=None))
    return found


def _stands_alone(value: float, many: Sequence[float]) -> bool:
    """Whether all other values of a column are far below."""
    others = [one for one in many if one != value]
    return bool(others) and max(others) < value - _APART


def unit_of(
    rows: Sequence[Row], typed: Unit | None, said: Unit | None, file: str, findings: list[str]
) -> Unit:
    """The unit, checked against the values.

    One unit is typed for all tables, the one without a header among them: a header that names
    another knows better, unless its own values speak against it.

    Parameters
    ----------
    rows : sequence of Row
        Without what can't be in either unit.
    typed, said : str or None
        What the user gave, and what the header names.
    file : str
        Name of the table in messages.
    findings : list of str
        What is found goes to its end.

    Raises
    ------
    TemperatureError
        When the unit isn't clear, or the values speak against it.
    """
    highs = _steady([row.high for row in rows if row.high is not None])
    unit = said or typed
    if typed is not None and said is not None and typed != said:
        if _looks(highs, said) == typed:
            findings.append(
                f"The header says °{said} and the values look like °{typed}: taken as °{typed}."
            )
            unit = typed
        else:
            findings.append(
                f"The header says °{said}: taken so, not as the °{typed} you gave. If the header "
                "is wrong, correct it."
            )
    if unit is None:
        if max(highs, default=0.0) > HOTTEST_C:
            return "F"
        if _looks(highs, "F") == "C":
            return "C"
        raise TemperatureError(f"{file} doesn't say its unit: name it, F or C.")
    looks = _looks(highs, unit)
    if looks != unit:
        raise TemperatureError(
            f"{file} says °{unit} and looks like °{looks} (its highest is {max(highs):g}): "
            f"set the unit to {looks}."
        )
    return unit


def _steady(highs: Sequence[float]) -> list[float]:
    """The highs without the few over any in Celsius that stand apart from all others, in order."""
    ordered = sorted(highs)
    most = max(int(_STRAY_SHARE * len(ordered)), 1)
    for k in range(min(most, len(ordered) - 1), 0, -1):
        if ordered[-k] > HOTTEST_C and ordered[-k] - ordered[-k - 1] > _APART:
            return ordered[:-k]
    return ordered


def _looks(highs: Sequence[float], unit: Unit) -> Unit:
    """The other unit where the highs can't be in this one."""
    if unit == "C" and (
        sum(high > HOTTEST_C for high in highs) > 0.05 * len(highs)
        or (highs and median(highs) > _HOT_MEDIAN_C)
    ):
        return "F"
    if (
        unit == "F"
        and len(highs) >= _FEWEST_DAYS_TO_TELL
        and max(highs, default=0.0) <= _COOL_SEASON_F
    ):
        return "C"
    return unit
