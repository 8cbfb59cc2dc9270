"""Limits table: what a limits file may hold, and every problem in it as a sentence.

The shape of each key is pydantic's work; what no single key shows (limits that can't be met, or
that aren't clear) is found here.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Annotated, Any, Final, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, StrictInt

from collarvision.leafwords import MEANINGS, LeafMeaning
from collarvision.units import UnitError, read_length_mm

MinWhen = Literal["either", "both"]
MaxWhen = Literal["whichever first", "both"]
Place = tuple[str | int, ...]

# A new collar may show every few days, so an older visit doesn't tell what is allowed today. Our
# own choice; the user may set another.
VISIT_GOOD_DAYS: Final = 3
# In a warm week a field gains two collars and more: no visit tells of that. Our own choice.
_LONGEST_GOOD_DAYS: Final = 7
_MOST_LEAVES: Final = 22
_TALLEST_MM: Final = 5000.0
_LOWEST_MAXIMUM_MM: Final = 10.0  # every plant that shows is taller: a slip of the unit

_Words = Annotated[str, Field(min_length=1, max_length=200)]
_Leaves = Annotated[StrictInt, Field(ge=0, le=_MOST_LEAVES)]
_Share = Annotated[float, Field(ge=0, lt=1)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LimitTable(_Table):
    """A [[limit]]."""

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


class MixTable(_Table):
    """A [[tank_mix]]."""

    name: _Words
    limits: Annotated[list[str], Field(min_length=2)]


class FileTable(_Table):
    """The whole file."""

    planned_harvest: date | None = None
    visit_good_days: Annotated[StrictInt, Field(ge=0, le=_LONGEST_GOOD_DAYS)] = VISIT_GOOD_DAYS
    limit: Annotated[list[LimitTable], Field(min_length=1)]
    tank_mix: list[MixTable] = []


def contradictions(table: FileTable) -> Iterator[tuple[Place, str]]:
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
    mixes: set[str] = set()
    for number, mix in enumerate(table.tank_mix):
        place: Place = ("tank_mix", number, "limits")
        # Windows and harvest days are looked up by name: two of one name would share the first's.
        if mix.name in mixes:
            yield (
                ("tank_mix", number, "name"),
                f"two tank mixes are called {mix.name!r}: rename one.",
            )
        mixes.add(mix.name)
        for name in sorted({name for name in mix.limits if mix.limits.count(name) > 1}):
            yield place, f"{name!r} is in this tank mix twice: name each of its limits once."
        unknown = [name for name in mix.limits if name not in names]
        for name in unknown:
            near = difflib.get_close_matches(name, names, 1, 0.5)
            yield place, f"no limit is called {name!r}" + (f": {near[0]!r}?" if near else ".")
        if mix.name in names:
            yield ("tank_mix", number, "name"), f"a limit is called {mix.name!r} too: rename one."
        if sound and not unknown:
            members = [table.limit[names[name]] for name in mix.limits]
            yield from ((place, words) for words in _no_window(mix.name, members))


def _in_one_limit(t: LimitTable) -> Iterator[tuple[str, str]]:
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
        lowest = _LOWEST_MAXIMUM_MM if key == "max_height" else 0.0
        if not lowest <= heights[key] <= _TALLEST_MM:
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


def _no_window(name: str, members: Sequence[LimitTable]) -> Iterator[str]:
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


def _binding(t: LimitTable, end: str, axis: str) -> float | None:
    """The bound of one axis where it must hold whatever the other axis says."""
    value = getattr(t, f"{end}_{axis}")
    other = getattr(t, f"{end}_{'height' if axis == 'leaves' else 'leaves'}")
    alone = other is None
    binds = alone or (t.min_when == "both" if end == "min" else t.max_when == "whichever first")
    if value is None or not binds:
        return None
    return float(read_length_mm(value)) if axis == "height" else float(value)


_KEYS: Final[dict[str, tuple[str, ...]]] = {
    "": tuple(FileTable.model_fields),
    "limit": tuple(LimitTable.model_fields),
    "tank_mix": tuple(MixTable.model_fields),
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
    "visit_good_days": f"a whole number of days, 0 to {_LONGEST_GOOD_DAYS}",
    "limits": "the names of two limits or more, in brackets",
    "limit": "one limit or more, each under a line [[limit]]",
}


def in_words(error: Any) -> str:
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
