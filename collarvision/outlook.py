"""Outlook: from the user's temperatures and a field's visits to when each limit opens and closes.

Also the course of leaves and heights from day to day, for the plot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from statistics import mean
from typing import Final

import numpy as np

from collarvision.evidence import SAME_CROP_DAYS, PlantEvidence
from collarvision.heat import (
    Clamp,
    HeatError,
    LeafPace,
    Visit,
    leaf_pace,
)
from collarvision.heatdates import draw_heights, draw_leaves, draw_weather
from collarvision.limitage import with_older
from collarvision.limitsfile import Limits
from collarvision.limitstable import VISIT_GOOD_DAYS
from collarvision.temperatures import (
    TemperatureError,
    Temperatures,
    Unit,
    average_years,
    join,
    read_temperatures,
)
from collarvision.units import celsius, fahrenheit
from collarvision.window import (
    NEVER_INSIDE,
    Window,
    heard_on,
    mix_window,
    never_inside,
    visit_of,
    window,
)

HORIZON_DAYS: Final = 75  # beyond it nobody plans a pass, and young corn is young no more
_FEWEST_PAST_DAYS: Final = 300
COLLARS_BELOW: Final = 0.5
"""Mean collars are so much under the leaf number."""


@dataclass(frozen=True)
class TrackDay:
    """A day of a course: 5, 50 and 95 in 100, and whether its weather is still ahead."""

    day: date
    low: float
    middle: float
    high: float
    ahead: bool


@dataclass(frozen=True)
class Outlook:
    """What heat tells of a field.

    Attributes
    ----------
    visits : tuple of Visit
        Those to this crop that told something, the first one first, each on its plants' own day.
    pace : LeafPace or None
    windows : tuple of Window
        A limit each, then a tank mix each.
    leaves : tuple of TrackDay
        Leaf number of the field's mean, from the last visit on.
    heights : tuple of TrackDay
        Height of the tallest tenth in mm; empty without two visits with heights.
    notes : tuple of str
        What was found in the tables, and what can't be told.
    """

    visits: tuple[Visit, ...]
    pace: LeafPace | None
    windows: tuple[Window, ...]
    leaves: tuple[TrackDay, ...]
    heights: tuple[TrackDay, ...]
    notes: tuple[str, ...]

    @property
    def collars(self) -> tuple[TrackDay, ...]:
        """The same as mean collars, as people count: half a leaf under the leaf number.

        The leaf number holds the leaf on its way: plants of n collars are between n and n + 1.
        """
        return tuple(
            replace(
                one,
                low=one.low - COLLARS_BELOW,
                middle=one.middle - COLLARS_BELOW,
                high=one.high - COLLARS_BELOW,
            )
            for one in self.leaves
        )


def read_weather(
    temperatures: Path,
    forecast: Path | None,
    today: date,
    *,
    unit: Unit | None = None,
) -> Temperatures:
    """Read what was measured, add a forecast, and past years as the climate beyond it.

    `unit` is for a table whose header names none; one that does is read in its own.

    Raises
    ------
    TemperatureError
        When a table can't be used.
    """
    weather = read_temperatures(temperatures, unit=unit, today=today)
    notes = list(weather.findings)
    if forecast is not None:
        ahead = read_temperatures(forecast, unit=unit)
        _same_unit(weather, ahead, forecast)
        if ahead.days[-1].day <= weather.days[-1].day:
            notes.append(f"{forecast} ends before your temperatures do and adds nothing.")
        weather = join(weather, ahead)
        notes += [f"{forecast}: {finding}" for finding in ahead.findings]
    last, horizon = weather.days[-1].day, today + timedelta(days=HORIZON_DAYS)
    measured = [day for day in weather.days if day.origin != "ahead"]
    if last < horizon and len(measured) >= _FEWEST_PAST_DAYS:
        try:
            climate = average_years(replace(weather, days=tuple(measured)), last + _DAY, horizon)
        except TemperatureError as error:
            notes.append(str(error))
        else:
            weather = join(weather, climate)
            notes.append(f"From {last + _DAY} on the mean of your past years stands in.")
    elif last < today + timedelta(days=7):
        notes.append(f"Temperatures end on {last}: add --forecast to see farther.")
    return replace(weather, findings=tuple(notes))


_DAY: Final = timedelta(days=1)
# Highs of a few days differ by less than this from those a few days before; by this much or less
# they fit. Our own choices.
_JUMP_F: Final = 30.0
_FIT_F: Final = 20.0
_HOT_F: Final = 95.0  # Fahrenheit read as Celsius is over it
_DAYS_COMPARED: Final = 3
_LONGEST_STEP_DAYS: Final = 14


def _same_unit(seen: Temperatures, ahead: Temperatures, file: Path) -> None:
    """See that a forecast goes on about where the measured days end.

    A forecast of a few warm days in Celsius might be very cold ones in Fahrenheit, and the heat to
    come would be none.
    """
    last = seen.days[-1].day
    later = [day for day in ahead.days if day.day > last][:_DAYS_COMPARED]
    if not later or (later[0].day - last).days > _LONGEST_STEP_DAYS:
        return
    before = mean(day.high_f for day in seen.days[-_DAYS_COMPARED:])
    after = mean(day.high_f for day in later)
    unit: Unit = "F"
    other = float(fahrenheit(after))
    if after > _HOT_F:
        unit, other = "C", float(celsius(after))
    if abs(after - before) > _JUMP_F and abs(other - before) <= _FIT_F:
        right = "C" if unit == "F" else "F"
        raise TemperatureError(
            f"{file} was read as °{unit}, and its highs fit your temperatures only as °{right}: "
            f"name the unit in its header, like tmax_{right}."
        )


def look_ahead(
    dated: Sequence[tuple[date, Sequence[PlantEvidence]]],
    weather: Temperatures,
    limits: Limits | None,
    *,
    clamp: Clamp = "each",
    today: date | None = None,
) -> Outlook | None:
    """Tell windows and courses from a field's visits, the last one being the one to judge.

    None when the last visit has no plant with an answer. `today` is the day of the answer, by
    default that visit's. Plants too old for its verdict have grown since: a close is no later than
    theirs.
    """
    good_days = limits.visit_good_days if limits else VISIT_GOOD_DAYS
    folder, everyone = dated[-1]
    on = today or folder
    last, plants = heard_on(everyone, folder, on, good_days)
    notes = list(weather.findings)
    visits = _visits(dated[:-1], last, plants, notes)
    if not visits:
        return None
    try:
        pace = leaf_pace(visits, weather, clamp)
    except HeatError as error:
        # Weather between visits is missing: the last one alone still tells something.
        notes.append(str(error))
        visits = visits[-1:]
        pace = leaf_pace(visits, weather, clamp)
    # One that ended before the plants were seen keeps no date back.
    gap = next((gap for gap in weather.gaps if gap[1] >= pace.day), None)
    if gap is not None:
        notes.append(
            f"Temperatures are missing from {gap[0]} to {gap[1]}: no date beyond that gap can be "
            "told."
        )

    def windows_of(visits: Sequence[Visit], plants: Sequence[PlantEvidence]) -> list[Window]:
        return [
            window(
                limit,
                plants,
                visits,
                weather,
                newest=max(p.taken_at or folder for p in plants),
                planned_harvest=limits.planned_harvest if limits else None,
                clamp=clamp,
            )
            for limit in (limits.limits if limits else ())
        ]

    windows = tuple(windows_of(visits, plants))
    told = [replace(p, taken_at=p.taken_at or folder) for p in everyone if p.tells]
    for older in with_older(told, min(p.taken_at or folder for p in plants)):
        day, some = heard_on(older, folder, on, (on - date.min).days)
        then = _visits(dated[:-1], day, some, [])[-len(visits) :]
        if then:
            pairs = zip(windows, windows_of(then, some), strict=True)
            windows = tuple(_closing_with(one, their, visits[-1].day) for one, their in pairs)
    by_name = {one.name: one for one in windows}
    windows += tuple(
        mix_window(mix.name, [by_name[name] for name in mix.limits])
        for mix in (limits.mixes if limits else ())
    )
    leaves = _leaf_track(pace, weather, clamp)
    if not leaves and (gap is None or gap[0] > pace.day):
        notes.append(
            f"There are no temperatures from {pace.day} on, so no date can be told: add --forecast."
        )
    return Outlook(
        tuple(visits),
        pace,
        windows,
        leaves,
        height_track(visits, weather, clamp),
        tuple(dict.fromkeys(notes)),
    )


def _closing_with(one: Window, older: Window, visit: date) -> Window:
    """A window that closes no later than that of older plants too: they have only grown since."""
    first = mix_window(one.name, (one, older))
    never = NEVER_INSIDE.format(name=one.name)
    # What is said of a close that isn't shown, or of the older ones' opening, is said of nothing.
    theirs = older.reasons if first.closes != one.closes else ()
    reasons = [said for said in dict.fromkeys((*one.reasons, *theirs)) if said != never]
    if never_inside(one.opens, first.closes, visit):
        reasons.append(never)
    return replace(one, closes=first.closes, closes_told=first.closes_told, reasons=tuple(reasons))


def _visits(
    earlier: Sequence[tuple[date, Sequence[PlantEvidence]]],
    last: date,
    plants: Sequence[PlantEvidence],
    notes: list[str],
) -> list[Visit]:
    """The crop's visits up to that of the plants; empty where they have no answer."""
    visits: list[Visit] = []
    for day, some in (*_same_crop(earlier, last), (last, plants)):
        try:
            visits.append(visit_of(some, day))
        except HeatError as error:
            notes.append(str(error))
    return visits if visits and visits[-1].day == last else []


def _same_crop(
    dated: Sequence[tuple[date, Sequence[PlantEvidence]]], last: date
) -> list[tuple[date, list[PlantEvidence]]]:
    """Earlier visits by the newest of their plants, the first one first.

    Over a winter the heat of two seasons and the leaves of one would make every plant slow.
    """
    found: dict[date, list[PlantEvidence]] = {}
    for day, plants in dated:
        told = [p.taken_at or day for p in plants if p.tells]
        seen = max(told, default=day)
        if 0 < (last - seen).days <= SAME_CROP_DAYS:
            found.setdefault(seen, []).extend(plants)
    return sorted(found.items(), key=lambda one: one[0])


def _course(
    begin: date, weather: Temperatures, clamp: Clamp, random: np.random.Generator
) -> tuple[list[date], list[bool], np.ndarray]:
    """Days from `begin`, whether they are ahead, and drawn heat at each one's start (days, n)."""
    days, daily, ahead, warmer = draw_weather(begin, weather, clamp, random)
    known = np.cumsum(daily * ~ahead) - daily * ~ahead
    foretold = np.cumsum(daily * ahead) - daily * ahead
    heat = known[:, None] + foretold[:, None] * warmer
    return [day.day for day in days], ahead.tolist(), heat


def _leaf_track(pace: LeafPace, weather: Temperatures, clamp: Clamp) -> tuple[TrackDay, ...]:
    # From the same start as the dates' draws and in their order: the two can't drift apart.
    random = np.random.default_rng(0)
    drawn = draw_leaves(pace, random)
    days, ahead, heat = _course(pace.day, weather, clamp, random)
    return _quantiles(days, ahead, drawn.after(heat)) if days else ()


def height_track(
    visits: Sequence[Visit], weather: Temperatures, clamp: Clamp
) -> tuple[TrackDay, ...]:
    """Course of the tallest tenth's height in mm; empty where it can't be foretold."""
    random = np.random.default_rng(0)
    try:
        last, now, rate = draw_heights(visits, weather, random, tallest=True, clamp=clamp)
    except HeatError:
        return ()
    days, ahead, heat = _course(last, weather, clamp, random)
    return _quantiles(days, ahead, now + rate * heat) if days else ()


def _quantiles(
    days: Sequence[date], ahead: Sequence[bool], drawn: np.ndarray
) -> tuple[TrackDay, ...]:
    low, middle, high = np.quantile(drawn, [0.05, 0.5, 0.95], axis=1)
    return tuple(
        TrackDay(day, float(a), float(b), float(c), later)
        for day, a, b, c, later in zip(days, low, middle, high, ahead, strict=True)
    )
