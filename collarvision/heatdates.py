"""Heat dates: the days on which a field reaches a stage or a height.

What is believed of its leaves and heights is drawn here, for the dates that are told and for the
courses from day to day alike, so that the two agree.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np

from collarvision.heat import (
    LATE_FROM,
    Clamp,
    DateSpan,
    HeatError,
    LeafPace,
    Visit,
    day_heat_f,
    heat_between,
    published_pace,
)
from collarvision.temperatures import Day, Temperatures

# A stretch of weather ahead may be warmer or cooler than foretold by about this part of its heat,
# and stalks lengthen faster from leaf to leaf. Our own choices.
AHEAD_SPREAD: Final = 0.15
GROWTH_SPREAD: Final = 0.3
DRAWS: Final = 4000


@dataclass(frozen=True)
class LeafDraws:
    """Draws of a field's leaf number, for dates and for the course from day to day alike.

    Attributes
    ----------
    level : (n,) array
        Leaf number at the last visit.
    rate : (n,) array
        Leaves a °F-day from there on, up to V10 where there is another after it.
    late_rate : (n,) array or None
        Leaves a °F-day after V10; None where `rate` is that one already.
    """

    level: np.ndarray
    rate: np.ndarray
    late_rate: np.ndarray | None

    def heat_to(self, target: float) -> np.ndarray:
        """Heat in °F-days to a leaf number, (n,); under 0 where it is past already."""
        if self.late_rate is None or target <= LATE_FROM:
            return (target - self.level) / self.rate
        return self._to_late + (target - np.maximum(self.level, LATE_FROM)) / self.late_rate

    def after(self, heat: np.ndarray) -> np.ndarray:
        """Leaf number after so many °F-days; (days, n) for (days, n)."""
        early = self.level + self.rate * heat
        if self.late_rate is None:
            return early
        late_heat = heat - self._to_late
        late = np.maximum(self.level, LATE_FROM) + self.late_rate * late_heat
        return np.where(late_heat > 0, late, early)

    @property
    def _to_late(self) -> np.ndarray:
        # A plant, or a lead, may already be past V10.
        return np.maximum(LATE_FROM - self.level, 0) / self.rate


def draw_leaves(pace: LeafPace, random: np.random.Generator, *, lead: float = 0.0) -> LeafDraws:
    """Draw from the belief over leaf number and pace, `lead` leaves ahead of the field's mean."""
    level, rate = random.multivariate_normal(
        [pace.leaf_number, pace.per_gdd_f], pace.covariance, DRAWS
    ).T
    rate = np.maximum(rate, published_pace(pace.late)[0] / 5)
    if pace.late:
        return LeafDraws(level + lead, rate, None)
    centre, spread = published_pace(late=True)
    late_rate = np.maximum(random.normal(centre, spread, DRAWS), centre / 5)
    return LeafDraws(level + lead, rate, late_rate)


def draw_heights(
    visits: Sequence[Visit],
    temperatures: Temperatures,
    random: np.random.Generator,
    *,
    tallest: bool = False,
    clamp: Clamp = "each",
) -> tuple[date, np.ndarray, np.ndarray]:
    """Day of the last visit with heights, draws of the height then in mm, and of mm a °F-day, (n,).

    Too tall a height now makes too quick a growth: the two are drawn together.

    Raises
    ------
    HeatError
        With under two such visits, no heat between them, or no growth.
    """
    measured = sorted(
        (visit.day, height, error or 0.0)
        for visit in visits
        for height, error in [
            (visit.tallest_mm, visit.tallest_error_mm)
            if tallest
            else (visit.height_mm, visit.height_error_mm)
        ]
        if height is not None
    )
    if len(measured) < 2:
        raise HeatError("Height growth needs two visits with heights.")
    (first, was, was_error), (last, tall, tall_error) = measured[-2:]
    heat = heat_between(temperatures, first, last, clamp)
    grown = tall - was
    if heat <= 0 or grown <= 0:
        raise HeatError("The plants haven't grown between the last two visits: look at them again.")
    now = random.normal(tall, tall_error, DRAWS)
    then = random.normal(was, was_error, DRAWS)
    rate = np.maximum(now - then, 0.1 * grown) / heat
    return last, now, rate * np.exp(random.normal(0, GROWTH_SPREAD, DRAWS))


def leaves_reached(
    pace: LeafPace,
    target: float,
    temperatures: Temperatures,
    *,
    lead: float = 0.0,
    clamp: Clamp = "each",
) -> DateSpan:
    """Dates between which the field reaches a leaf number.

    Parameters
    ----------
    target : float
        Leaf number: the field's plants of mean pace are at V7 from 7 on.
    temperatures : Temperatures
        From the last visit on, measured or ahead, without a gap.
    lead : float
        Leaves by which the plants in question are ahead of the field's mean.
    """
    random = np.random.default_rng(0)
    need = draw_leaves(pace, random, lead=lead).heat_to(target)
    return _dates(need, pace.day, temperatures, random, clamp)


def height_reached(
    visits: Sequence[Visit],
    target_mm: float,
    temperatures: Temperatures,
    *,
    tallest: bool = False,
    lead: float = 1.0,
    clamp: Clamp = "each",
) -> DateSpan:
    """Dates between which plants reach a height, from a field's last two visits with heights.

    Parameters
    ----------
    tallest : bool
        Held against the mean of the tallest tenth, not of all plants.
    lead : float
        Height of the plants in question by that mean. A taller plant grows faster in proportion.

    Raises
    ------
    HeatError
        See `draw_heights`.
    """
    random = np.random.default_rng(0)
    last, now, rate = draw_heights(visits, temperatures, random, tallest=tallest, clamp=clamp)
    return _dates((target_mm / lead - now) / rate, last, temperatures, random, clamp)


def draw_weather(
    begin: date, temperatures: Temperatures, clamp: Clamp, random: np.random.Generator
) -> tuple[list[Day], np.ndarray, np.ndarray, np.ndarray]:
    """Days from `begin` up to a gap, beyond which nothing is known, and what is drawn of them.

    Returns
    -------
    days : list of Day
    daily : ndarray, (days,)
        Heat of each, degree days F.
    ahead : ndarray of bool, (days,)
        Foretold.
    warmer : ndarray, (`DRAWS`,)
        By what factor the heat of the days ahead is more than foretold.
    """
    days = [day for day in temperatures.days if day.day >= begin]
    days = days[: next((k for k, d in enumerate(days) if (d.day - begin).days != k), len(days))]
    daily = np.array([day_heat_f(day, clamp) for day in days])
    ahead = np.array([day.origin == "ahead" for day in days], bool)
    return days, daily, ahead, np.maximum(random.normal(1, AHEAD_SPREAD, DRAWS), 0.3)


def _dates(
    need: np.ndarray,
    begin: date,
    temperatures: Temperatures,
    random: np.random.Generator,
    clamp: Clamp,
) -> DateSpan:
    """Days on which drawn heats are reached, summed up as 5 %, 50 % and 95 %."""
    days, daily, ahead, warmer = draw_weather(begin, temperatures, clamp, random)
    if not days:
        raise HeatError(f"There are no temperatures from {begin} on: add a forecast or past years.")
    known, foretold = np.cumsum(daily * ~ahead), np.cumsum(daily * ahead)
    reached = known[None] + foretold[None] * warmer[:, None]
    # A day short of it counts for nothing; one never reached is past the horizon.
    index = (reached < need[:, None]).sum(axis=1)
    # Already there on the day of the visit, before its heat.
    quantiles = np.quantile(index, [0.05, 0.5, 0.95], method="inverted_cdf").astype(int)
    early, middle, late = (
        None if k >= len(days) else begin + timedelta(days=int(k)) for k in quantiles
    )
    return DateSpan(early, middle, late, days[-1].day)
