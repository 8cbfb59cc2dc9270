"""Limits file: the user's own TOML file of label limits, checked line by line.

The program ships no limits and knows no products: every number comes from the label in the user's
hand. `guide/decision.md` has an example with every key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pydantic import ValidationError

from collarvision.leafwords import LeafMeaning
from collarvision.limitstable import (
    VISIT_GOOD_DAYS,
    FileTable,
    MaxWhen,
    MinWhen,
    Place,
    contradictions,
    in_words,
)
from collarvision.units import read_length_mm


@dataclass(frozen=True)
class Bound:
    """A minimum or a maximum: leaves, height in mm, or both; None where the label has none."""

    leaves: int | None = None
    height_mm: float | None = None
    height_text: str | None = None

    def __bool__(self) -> bool:
        return self.leaves is not None or self.height_mm is not None


@dataclass(frozen=True)
class Limit:
    """One limit of a label, as the user typed it.

    Attributes
    ----------
    name, method : str
        The user's own words, for the product and for how it is put on; neither is judged by.
    leaf : str or None
        What a leaf is on this label; None where only heights limit.
    lowest, highest : Bound
        First allowed and last allowed, both included.
    lowest_when : str
        ``either``: open once one of the two is reached; ``both``: once both are.
    highest_when : str
        ``whichever first``: past once one of the two is passed; ``both``: once both are.
    days_before_harvest : int or None
        The last day is so many days before the planned harvest.
    share_past, share_short : float
        Shares of plants that may be past the maximum, or short of the minimum.
    """

    name: str
    method: str
    leaf: LeafMeaning | None = None
    lowest: Bound = Bound()
    highest: Bound = Bound()
    lowest_when: MinWhen = "either"
    highest_when: MaxWhen = "whichever first"
    days_before_harvest: int | None = None
    share_past: float = 0.0
    share_short: float = 0.5

    @property
    def by_height_alone(self) -> bool:
        """Whether the limit has heights and no leaves."""
        return (
            bool(self.lowest or self.highest)
            and self.lowest.leaves is None
            and self.highest.leaves is None
        )


@dataclass(frozen=True)
class TankMix:
    """Several limits in one tank: the most restrictive decides."""

    name: str
    limits: tuple[str, ...]


@dataclass(frozen=True)
class Limits:
    """All of a limits file.

    Attributes
    ----------
    limits : tuple of Limit
    mixes : tuple of TankMix
    planned_harvest : date or None
        That the limits with days before harvest count back from.
    visit_good_days : int
        Days for which a visit can carry a verdict other than past.
    """

    limits: tuple[Limit, ...]
    mixes: tuple[TankMix, ...] = ()
    planned_harvest: date | None = None
    visit_good_days: int = VISIT_GOOD_DAYS


class LimitsError(ValueError):
    """A limits file that can't be used; `problems` has one sentence each, with its line."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


def read_limits(path: Path) -> Limits:
    """Read a limits file.

    Raises
    ------
    LimitsError
        With every problem found, each as ``FILE, line N: sentence``.
    """
    try:
        source = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise LimitsError(
            [f"{path} can't be read ({error.strerror}): give your limits file."]
        ) from (error)
    except UnicodeDecodeError as error:
        raise LimitsError([f"{path} isn't text in UTF-8: save it again as a TOML file."]) from error
    return parse_limits(source, str(path))


def parse_limits(source: str, file: str = "limits") -> Limits:
    """Read a limits file's text; `file` names it in messages. See `read_limits`."""
    try:
        content = tomllib.loads(source)
    except tomllib.TOMLDecodeError as error:
        lone = [
            f"{file}, line {number}: write [[{single[1]}]] with two brackets, one for each."
            for number, line in enumerate(source.splitlines(), start=1)
            if (single := re.fullmatch(r"\s*\[\s*(limit|tank_mix)\s*\]\s*(#.*)?", line))
        ]
        if lone:
            raise LimitsError(lone) from error
        where = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(where[1]) if where else source.count("\n") + 1
        what = re.sub(r" \(at .*\)$", "", str(error))
        if what == "Cannot overwrite a value":
            what = "a key stands here twice"
        raise LimitsError(
            [f"{file}, line {line}: this isn't TOML ({what}): write key = value, words in quotes."]
        ) from error
    except (RecursionError, ValueError) as error:
        deep = isinstance(error, RecursionError)
        what = "brackets stand too deep in each other" if deep else "a number is too long"
        raise LimitsError([f"{file} can't be read: {what}. Write key = value."]) from error
    lines = _Lines(source)
    try:
        table = FileTable.model_validate(content)
    except ValidationError as error:
        problems = [(tuple(e["loc"]), in_words(e)) for e in error.errors()]
    else:
        problems = list(contradictions(table))
        if not problems:
            return _limits(table)
    found = sorted({(lines.of(place), words) for place, words in problems})
    raise LimitsError([f"{file}, line {line}: {words}" for line, words in found])


def _limits(table: FileTable) -> Limits:
    return Limits(
        limits=tuple(
            Limit(
                name=t.name,
                method=t.method,
                leaf=t.leaf,
                lowest=_bound(t.min_leaves, t.min_height),
                highest=_bound(t.max_leaves, t.max_height),
                lowest_when=t.min_when or "either",
                highest_when=t.max_when,
                days_before_harvest=t.days_before_harvest,
                share_past=t.share_past,
                share_short=t.share_short,
            )
            for t in table.limit
        ),
        mixes=tuple(TankMix(m.name, tuple(m.limits)) for m in table.tank_mix),
        planned_harvest=table.planned_harvest,
        visit_good_days=table.visit_good_days,
    )


def _bound(leaves: int | None, height: str | None) -> Bound:
    if height is None:
        return Bound(leaves)
    return Bound(leaves, float(read_length_mm(height)), height.strip().rstrip("."))


class _Lines:
    """Finds the line of a key in a file's text."""

    _TABLE = re.compile(r"\s*\[+\s*[\"']?([\w-]+)[\"']?\s*\]+")
    _KEY = re.compile(r"\s*[\"']?([\w-]+)[\"']?\s*=")

    def __init__(self, source: str) -> None:
        self._found: dict[Place, int] = {}
        counts: dict[str, int] = {}
        here: Place = ()
        for number, line in enumerate(source.splitlines(), start=1):
            if table := self._TABLE.match(line):
                name = table[1]
                here = (name, counts.get(name, 0))
                counts[name] = counts.get(name, 0) + 1
                self._found.setdefault((name,), number)
                self._found.setdefault(here, number)
            elif key := self._KEY.match(line):
                self._found.setdefault((*here, key[1]), number)

    def of(self, place: Place) -> int:
        """Line of a place, or of the nearest thing around it; 1 for the file as a whole."""
        for length in range(len(place), 0, -1):
            if place[:length] in self._found:
                return self._found[place[:length]]
        return 1
