"""Temperatures: the user's own table of daily minimum and maximum, read with patience.

Any delimiter, decimal comma, order of columns and usual names of columns; a wrong unit, swapped
columns, gaps and impossible values are found and said, never passed on in silence.
"""

from __future__ import annotations

import codecs
import csv
import io
import math
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from statistics import mean
from typing import Final, Literal

from collarvision.answer import count_of
from collarvision.units import fahrenheit
from collarvision.weatherheader import TemperatureError, Unit, find_header
from collarvision.weatherunit import Row, bounds, unit_of, without_impossible

Origin = Literal["seen", "filled", "ahead"]

# Gaps up to this are filled from the days beside them; longer ones stay gaps. Our own choice.
LONGEST_FILL_DAYS: Final = 3

_YEARS: Final = range(1900, 2200)  # beyond them a date is a slip: our own choice

_MISSING: Final = {"", "na", "n/a", "nan", "null", "none", "m", "-", "--", "t"}
# A bare 99.9 may be a day's heat in Fahrenheit: `without_impossible` looks at the days beside it.
_MISSING_NUMBERS: Final = {
    sign * mark for mark in (9999.9, 9999.0, 999.9, 999.0) for sign in (1, -1)
} | {-99.9, -99.0}


@dataclass(frozen=True)
class Day:
    """A day's lowest and highest temperature in °F: measured, filled in a gap, or still ahead.

    Where past years stand in for it, `years` holds each one's own low and high: the heat of their
    mean isn't the mean of their heat.
    """

    day: date
    low_f: float
    high_f: float
    origin: Origin = "seen"
    years: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Temperatures:
    """Days in order, each once, and what was found while reading.

    `gaps` are first and last day of stretches that are missing.
    """

    days: tuple[Day, ...]
    findings: tuple[str, ...] = ()

    @property
    def gaps(self) -> tuple[tuple[date, date], ...]:
        """First and last missing day of each stretch without temperatures."""
        return tuple(
            (a.day + timedelta(days=1), b.day - timedelta(days=1))
            for a, b in pairwise(self.days)
            if (b.day - a.day).days > 1
        )


def read_temperatures(
    path: Path, *, unit: Unit | None = None, today: date | None = None
) -> Temperatures:
    """Read a table of days with their minimum and maximum.

    Parameters
    ----------
    path : Path
        CSV with a date, a minimum and a maximum column, as UTF-8, as an older system's text, or as
        the "Unicode text" of spreadsheets.
    unit : str, optional
        Needed where neither the header nor the values tell. Where the header names another, the
        header stands, unless the values speak against it.
    today : date, optional
        Days from this one on are a forecast, not measured.

    Raises
    ------
    TemperatureError
        When the table can't be read or its unit isn't clear.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise TemperatureError(f"{path} can't be read ({error.strerror}).") from error
    return parse_temperatures(_text(content, path), str(path), unit=unit, today=today)


def _text(content: bytes, path: Path) -> str:
    wide = content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = content.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    if "\0" in text:
        raise TemperatureError(f"{path} isn't a table of plain text: save it as CSV UTF-8.")
    return text


def parse_temperatures(
    text: str,
    file: str = "temperatures",
    *,
    unit: Unit | None = None,
    today: date | None = None,
) -> Temperatures:
    """Read a table's text; `file` names it in messages. See `read_temperatures`."""
    findings: list[str] = []
    rows, said_unit = _rows(text, file, findings)
    if not rows:
        raise TemperatureError(f"{file} holds no day with a minimum and a maximum.")
    days = _dates(rows, file)
    rows = without_impossible(rows, findings)
    rows = _swapped(rows, file, findings)
    unit = unit_of(rows, unit, said_unit, file, findings)
    values = _values(rows, days, unit, file, findings)
    if not values:
        raise TemperatureError(f"{file} holds no day with a minimum and a maximum.")
    found = [
        Day(day, low, high, "ahead" if today is not None and day >= today else "seen")
        for day, (low, high) in sorted(values.items())
    ]
    ahead = sum(day.origin == "ahead" for day in found)
    if ahead:
        verb = "is" if ahead == 1 else "are"
        findings.append(f"{count_of(ahead, 'day')} from {today} on {verb} taken as a forecast.")
    filled = _fill(found)
    if len(filled) > len(found):
        new = len(filled) - len(found)
        verb, whose = ("was", "its") if new == 1 else ("were", "their")
        findings.append(f"{count_of(new, 'missing day')} {verb} filled from {whose} neighbours.")
    result = Temperatures(tuple(filled))
    findings += [f"No temperatures from {a} to {b}." for a, b in result.gaps]
    return replace(result, findings=tuple(findings))


def join(seen: Temperatures, ahead: Temperatures) -> Temperatures:
    """Put days ahead behind those seen; where both have a day, the one seen stands."""
    last = seen.days[-1].day
    later = [replace(day, origin="ahead") for day in ahead.days if day.day > last]
    return Temperatures(tuple(_fill([*seen.days, *later])), (*seen.findings, *ahead.findings))


def average_years(past: Temperatures, first: date, last: date) -> Temperatures:
    """Days ahead as the mean of the same days of the years at hand.

    Raises
    ------
    TemperatureError
        When some day of the stretch is in none of the years.
    """
    same: dict[tuple[int, int], list[Day]] = defaultdict(list)
    for known in past.days:
        same[known.day.month, known.day.day].append(known)
    days = []
    for number in range((last - first).days + 1):
        day = first + timedelta(days=number)
        # 29 February has one year in four: its neighbour stands in.
        found = same.get((day.month, day.day)) or same.get((day.month, min(day.day, 28)))
        if not found:
            raise TemperatureError(
                f"No year of your temperatures has {day:%d %B}: give whole years."
            )
        low, high = mean(d.low_f for d in found), mean(d.high_f for d in found)
        days.append(Day(day, low, high, "ahead", tuple((d.low_f, d.high_f) for d in found)))
    return Temperatures(tuple(days))


def _rows(text: str, file: str, findings: list[str]) -> tuple[list[Row], Unit | None]:
    """Rows as words and numbers, and the unit that the header names."""
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise TemperatureError(f"{file} is empty: give a date, a minimum and a maximum a day.")
    delimiter = max(";\t,", key=lambda mark: sum(line.count(mark) for _, line in lines[:20]))
    cells = [(number, _cells(line, delimiter, f"{file}, line {number}")) for number, line in lines]
    header = find_header(cells, file)
    if header is not None:
        columns, unit = (header.day, header.low, header.high), header.unit
        begin = header.position + 1
    elif len(cells[0][1]) == 3 and _day_parts(cells[0][1][0]) is not None:
        # Without a header the order is told by the values; `_swapped` looks after it.
        columns, unit, begin = (0, 1, 2), None, 0
    else:
        raise TemperatureError(
            f"{file} has no header with a date, a minimum and a maximum: "
            "name the columns date, tmin, tmax."
        )
    rows = []
    for number, row in cells[begin:]:
        if len(row) <= max(columns):
            findings.append(f"Line {number} has too few columns and was passed over.")
            continue
        low, high = (_number(row[c], number, findings) for c in columns[1:])
        rows.append(Row(number, row[columns[0]], low, high))
    return rows, unit


def _cells(line: str, delimiter: str, where: str) -> list[str]:
    try:
        row = next(csv.reader(io.StringIO(line), delimiter=delimiter))
    except csv.Error as error:
        raise TemperatureError(
            f"{where}: this isn't a row of a table ({error}): save it as CSV UTF-8 again."
        ) from error
    return [cell.strip() for cell in row]


def _number(words: str, line: int, findings: list[str]) -> float | None:
    cleaned = re.sub(r"\s*°?\s*[FCfc]?$", "", words).replace(",", ".")
    if cleaned.lower() in _MISSING:
        return None
    try:
        value = float(cleaned)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        findings.append(f"Line {line}: {words!r} isn't a temperature and counts as missing.")
        return None
    return None if value in _MISSING_NUMBERS else value


def _day_parts(words: str) -> tuple[int, int, int] | None:
    match = re.match(r"\s*(\d{1,4})[-/.](\d{1,2})[-/.](\d{1,4})", words) or re.match(
        r"\s*(\d{4})(\d\d)(\d\d)\s*$", words
    )
    return None if match is None else (int(match[1]), int(match[2]), int(match[3]))


def _dates(rows: Sequence[Row], file: str) -> list[date]:
    """Dates of all rows, in the one order of parts that fits them all."""
    orders = {"year first": (0, 1, 2), "month first": (2, 0, 1), "day first": (2, 1, 0)}
    fitting: dict[str, list[date]] = {}
    for name, order in orders.items():
        days: list[date] = []
        for row in rows:
            parts = _day_parts(row.words)
            if parts is None:
                raise TemperatureError(
                    f"{file}, line {row.line}: {row.words!r} isn't a date: write it like "
                    "2026-06-04."
                )
            year, month, day = (parts[k] for k in order)
            try:
                days.append(datetime(year, month, day).date())
            except ValueError:
                break
            if year not in _YEARS:
                break
        else:
            fitting[name] = days

    def steps(days: list[date]) -> int:
        return sum(b - a == timedelta(days=1) for a, b in pairwise(days))

    if not fitting:
        for row in rows:
            longest = max(re.findall(r"\d+", row.words), key=len, default="")[:4]
            if len(longest) == 4 and int(longest) not in _YEARS:
                raise TemperatureError(
                    f"{file}, line {row.line}: {row.words!r} can't be a day of these "
                    "temperatures: check its year."
                )
        raise TemperatureError(
            f"{file}: the dates don't fit one order: write them like 2026-06-04."
        )
    ranked = sorted(fitting.values(), key=steps, reverse=True)
    if len(ranked) > 1 and steps(ranked[0]) == steps(ranked[1]):
        raise TemperatureError(
            f"{file}: {rows[0].words!r} may be day or month first: write it like 2026-06-04."
        )
    return ranked[0]


def _swapped(rows: list[Row], file: str, findings: list[str]) -> list[Row]:
    """Turn swapped columns round; single rows the wrong way count as missing."""
    both = [row for row in rows if row.low is not None and row.high is not None]
    wrong = [row for row in both if row.low > row.high]  # type: ignore[operator]
    if both and len(wrong) > 0.8 * len(both):
        findings.append("Minimum and maximum are swapped in the table; they were turned round.")
        rows = [replace(row, low=row.high, high=row.low) for row in rows]
        right = {row.line for row in wrong}
        wrong = [row for row in both if row.line not in right and row.low != row.high]
    lines = {row.line for row in wrong}
    for line in sorted(lines)[:5]:
        findings.append(
            f"Line {line}: the minimum is above the maximum; the day counts as missing."
        )
    if len(lines) > 5:
        verb = "has" if len(lines) == 6 else "have"
        findings.append(
            f"{count_of(len(lines) - 5, 'more day')} {verb} the minimum above the maximum."
        )
    return [replace(r, low=None, high=None) if r.line in lines else r for r in rows]


def _values(
    rows: Sequence[Row], days: Sequence[date], unit: Unit, file: str, findings: list[str]
) -> dict[date, tuple[float, float]]:
    """Low and high in °F by day."""
    found: dict[date, tuple[float, float]] = {}
    lines: dict[date, int] = {}
    coldest, hottest = bounds(unit)
    for row, day in zip(rows, days, strict=True):
        if row.low is None or row.high is None:
            continue
        if row.low < coldest or row.high > hottest:
            findings.append(
                f"Line {row.line}: {row.low:g} to {row.high:g} °{unit} can't be; the day counts as "
                "missing."
            )
            continue
        pair = (row.low, row.high)
        if unit == "C":
            pair = (float(fahrenheit(row.low)), float(fahrenheit(row.high)))
        if day in found and found[day] != pair:
            raise TemperatureError(
                f"{file}: lines {lines[day]} and {row.line} give {day} different temperatures: "
                "keep one."
            )
        found[day], lines[day] = pair, row.line
    return found


def _fill(days: Sequence[Day]) -> list[Day]:
    """Fill short gaps straight between the days beside them."""
    full = list(days[:1])
    for before, after in pairwise(days):
        missing = (after.day - before.day).days - 1
        if 1 <= missing <= LONGEST_FILL_DAYS:
            for k in range(1, missing + 1):
                part = k / (missing + 1)
                full.append(
                    Day(
                        before.day + timedelta(days=k),
                        before.low_f + part * (after.low_f - before.low_f),
                        before.high_f + part * (after.high_f - before.high_f),
                        "ahead" if after.origin == "ahead" else "filled",
                    )
                )
        full.append(after)
    return full
