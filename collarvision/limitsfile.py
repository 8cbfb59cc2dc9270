"""Limits file: the user's own TOML file of label limits, checked line by line.

The program ships no limits and knows no products: every number comes from the label in the user's
hand. An example, with an invented product:

    planned_harvest = 2026-09-25

    [[limit]]
    name = "Product A, over the top"
    method = "broadcast"
    leaf = "collars"              # what a leaf is on this label; or "visible tips",
    min_leaves = 2                #   "drooping leaves"
    min_height = "4 in"
    min_when = "either"           # open once either is reached; or "both"
    max_leaves = 6                # the last number of leaves still allowed
    max_height = "20 in"          # the greatest height still allowed
    max_when = "whichever first"  # or "both": closed only once both are passed
    days_before_harvest = 45
    share_past = 0.0              # share of plants that may be past; 0 unless you say otherwise
    share_short = 0.5             # share of plants that may be short of the minimum

    [[tank_mix]]
    name = "A with B"
    limits = ["Product A, over the top", "Product B, over the top"]
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, StrictInt, ValidationError

from collarvision.leafwords import MEANINGS, LeafMeaning
from collarvision.units import UnitError, read_length_mm

MinWhen = Literal["either", "both"]
MaxWhen = Literal["whichever first", "both"]
Place = tuple[str | int, ...]

# A new collar may show every few days, so an older visit doesn't tell what is allowed today. Our
# own choice; the user may set another.
VISIT_GOOD_DAYS: Final = 3
_MOST_LEAVES: Final = 22
_TALLEST_MM: Final = 5000.0


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
        The user's own words.
    leaf : str or None
        What a leaf is on this label; None where only heights limit.
    lowest, highest : Bound
        First allowed and last allowed, both included.
    lowest_when : str
        ``either``: open once one of the two is reached; ``both``: once both are.
    highest_when : str
        ``whichever first``: past once one of the two is passed; ``both``: once both are.
    days_before_harvest : int or None
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
    """All of a limits file."""

    limits: tuple[Limit, ...]
    mixes: tuple[TankMix, ...] = ()
    planned_harvest: date | None = None
    visit_good_days: int = VISIT_GOOD_DAYS


class LimitsError(ValueError):
    """A limits file that can't be used; `problems` has one sentence each, with its line."""

    def __init__(self, problems: Sequence[str]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(problems))


_Words = Annotated[str, Field(min_length=1, max_length=200)]
_Leaves = Annotated[StrictInt, Field(ge=0, le=_MOST_LEAVES)]
_Share = Annotated[float, Field(ge=0, lt=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _LimitTable(_Table):
    name: _Words
    method: _Words
    leaf: LeafMeaning | None = None
    min_leaves: _Leaves | None = None
    min_height: str | None = None
    min_when: MinWhen | None = None
    max_leaves: _Leaves | None = None
    max_height: str | None = None
    max_when: MaxWhen = "whichever first"
    days_before_harvest: Annotated[StrictInt, Field(ge=0, le=400)] | None = None
    share_past: _Share = 0.0
    share_short: _Share = 0.5


class _MixTable(_Table):
    name: _Words
    limits: Annotated[list[str], Field(min_length=2)]


class _FileTable(_Table):
    planned_harvest: date | None = None
    visit_good_days: Annotated[StrictInt, Field(ge=0, le=60)] = VISIT_GOOD_DAYS
    limit: Annotated[list[_LimitTable], Field(min_length=1)]
    tank_mix: list[_MixTable] = []


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
        where = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(where[1]) if where else source.count("\n") + 1
        what = re.sub(r" \(at .*\)$", "", str(error))
        raise LimitsError(
            [f"{file}, line {line}: this isn't TOML ({what}): write key = value, words in quotes."]
        ) from error
    lines = _Lines(source)
    try:
        table = _FileTable.model_validate(content)
    except ValidationError as error:
        problems = [(tuple(e["loc"]), _in_words(e)) for e in error.errors()]
    else:
        problems = list(_contradictions(table))
        if not problems:
            return _limits(table)
    found = sorted({(lines.of(place), words) for place, words in problems})
    raise LimitsError([f"{file}, line {line}: {words}" for line, words in found])


def _limits(table: _FileTable) -> Limits:
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
    return Bound(leaves, float(read_length_mm(height)), height.strip())


def _contradictions(table: _FileTable) -> Iterator[tuple[Place, str]]:
    """What no single key shows: limits that can't be met, or that aren't clear."""
    names: dict[str, int] = {}
    sound = True
    for number, t in enumerate(table.limit):
        for problem in _in_one_limit(t):
            sound = False
            yield ("limit", number, problem[0]), problem[1]
        if t.name in names:
            yield ("limit", number, "name"), f"two limits are called {t.name!r}: rename one."
        names[t.name] = number
    for number, mix in enumerate(table.tank_mix):
        place: Place = ("tank_mix", number, "limits")
        unknown = [name for name in mix.limits if name not in names]
        for name in unknown:
            near = difflib.get_close_matches(name, names, 1, 0.5)
            yield place, f"no limit is called {name!r}" + (f": {near[0]!r}?" if near else ".")
        if mix.name in names:
            yield ("tank_mix", number, "name"), f"a limit is called {mix.name!r} too: rename one."
        if sound and not unknown:
            members = [table.limit[names[name]] for name in mix.limits]
            yield from ((place, words) for words in _no_window(mix.name, members))


def _in_one_limit(t: _LimitTable) -> Iterator[tuple[str, str]]:
    heights: dict[str, float] = {}
    for key in ("min_height", "max_height"):
        text = getattr(t, key)
        if text is None:
            continue
        try:
            heights[key] = float(read_length_mm(text))
        except UnitError as error:
            yield key, str(error)
            continue
        if not 0 <= heights[key] <= _TALLEST_MM:
            yield key, f"{text!r} isn't the height of a corn plant: check the unit."
    leaves = [key for key in ("min_leaves", "max_leaves") if getattr(t, key) is not None]
    if not (leaves or t.min_height or t.max_height or t.days_before_harvest is not None):
        yield "name", f"{t.name!r} limits nothing: give max_leaves or max_height, or a minimum."
    if leaves and t.leaf is None:
        yield (
            leaves[0],
            (
                f'say what a leaf is on this label: leaf = "{MEANINGS[0]}", "{MEANINGS[1]}" or '
                f'"{MEANINGS[2]}".'
            ),
        )
    if t.min_leaves is not None and t.max_leaves is not None and t.min_leaves > t.max_leaves:
        yield (
            "min_leaves",
            (f"min_leaves {t.min_leaves} is above max_leaves {t.max_leaves}: no plant fits."),
        )
    if len(heights) == 2 and heights["min_height"] > heights["max_height"]:
        yield (
            "min_height",
            (f"min_height {t.min_height!r} is above max_height {t.max_height!r}: no plant fits."),
        )
    if t.min_leaves is not None and t.min_height is not None and t.min_when is None:
        yield (
            "min_height",
            (
                'the minimum has leaves and a height: say min_when = "either" or "both", as your '
                "label does."
            ),
        )


def _no_window(name: str, members: Sequence[_LimitTable]) -> Iterator[str]:
    """Members of a mix whose windows don't meet, on an axis that binds both."""
    for axis in ("leaves", "height"):
        lows, highs = [], []
        for t in members:
            low, high = (_binding(t, end, axis) for end in ("min", "max"))
            meaning = t.leaf if axis == "leaves" else None
            if low is not None:
                lows.append((low, meaning, t.name))
            if high is not None:
                highs.append((high, meaning, t.name))
        for low, low_meaning, low_name in lows:
            for high, high_meaning, high_name in highs:
                if low > high and low_meaning == high_meaning and low_name != high_name:
                    yield (
                        f"{name!r} can never be open: {low_name!r} begins after {high_name!r} "
                        f"ends, by {axis}."
                    )


def _binding(t: _LimitTable, end: str, axis: str) -> float | None:
    """The bound of one axis where it must hold whatever the other axis says."""
    value = getattr(t, f"{end}_{axis}")
    other = getattr(t, f"{end}_{'height' if axis == 'leaves' else 'leaves'}")
    alone = other is None
    binds = alone or (t.min_when == "both" if end == "min" else t.max_when == "whichever first")
    if value is None or not binds:
        return None
    return float(read_length_mm(value)) if axis == "height" else float(value)


_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "": tuple(_FileTable.model_fields),
    "limit": tuple(_LimitTable.model_fields),
    "tank_mix": tuple(_MixTable.model_fields),
}
_CHOICES: Final[dict[str, tuple[str, ...]]] = {
    "leaf": MEANINGS,
    "min_when": get_args(MinWhen),
    "max_when": get_args(MaxWhen),
}


_LEAVES_WANTED: Final = f"a whole number from 0 to {_MOST_LEAVES}"
_SHARE_WANTED: Final = "a share from 0 to under 1, such as 0.05 for 5 plants in 100"
_WANTED: Final = {
    "name": "a name in quotes",
    "method": "words in quotes",
    "min_leaves": _LEAVES_WANTED,
    "max_leaves": _LEAVES_WANTED,
    "share_past": _SHARE_WANTED,
    "share_short": _SHARE_WANTED,
    "days_before_harvest": "a whole number of days, 0 to 400",
    "visit_good_days": "a whole number of days, 0 to 60",
    "limits": "the names of two limits or more, in brackets",
    "limit": "one limit or more, each under a line [[limit]]",
}


def _in_words(error: Any) -> str:
    """A validation error as one sentence that says what to write."""
    place, kind = error["loc"], error["type"]
    key = str(place[-1]) if place else ""
    table = str(place[0]) if len(place) > 1 else ""
    if kind == "extra_forbidden":
        near = difflib.get_close_matches(key, _KEYS.get(table, ()), 1, 0.5)
        known = ", ".join(_KEYS.get(table, ()))
        return f"the key {key!r} isn't known: " + (
            f"did you mean {near[0]!r}?" if near else f"the keys here are {known}."
        )
    if kind == "missing":
        if key == "limit":
            return "there is no limit: begin one with a line [[limit]]."
        return f"{key!r} is missing: add a line {key} = ..."
    if kind == "literal_error":
        choices = ", ".join(f'"{choice}"' for choice in _CHOICES.get(key, ()))
        return f"{key} can't be {error['input']!r}: choose one of {choices}."
    if kind == "string_type" and key.endswith("_height"):
        return f'{key} needs a unit, in quotes: "20 in", "50 cm" or "510 mm".'
    if kind.startswith("date"):
        return f"{key} isn't a date: write it like 2026-09-25."
    if key in ("limit", "tank_mix") and kind == "list_type":
        return f"write [[{key}]] with two brackets, one for each."
    # An entry of a list has its number last; the key is before it.
    key = next((str(step) for step in reversed(place) if isinstance(step, str)), key)
    return f"{key} can't be {error['input']!r}: give {_WANTED.get(key, 'what the key says')}."


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
