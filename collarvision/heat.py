"""Heat: growing degree days, and the pace of new leaves.

The pace is a prior from the published range, updated by this field's own visits. With leaf number
L = a + b (heat since the last visit), a normal prior on b, none on a, and normal errors of the
visits, the belief over (a, b) stays normal: ordinary Bayesian linear regression, in closed form.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean
from typing import Final, Literal

import numpy as np

from collarvision.temperatures import Day, Temperatures

# "each": the maximum and the minimum are held within the limits, each for itself, before their
# mean is taken. "mean": their mean is. The two differ on cool nights and hot days (McMaster &
# Wilhelm 1997, Agric. For. Meteorol. 87:291-300). Extension tables use the first.
Clamp = Literal["each", "mean"]

BASE_F: Final = 50.0
CAP_F: Final = 86.0

# °F-days a leaf collar, to V10: Wuethrich 1997 in Nielsen 2019 (82); Iowa State Univ. 2011 (84);
# North Dakota State Univ. 2007 (85); J. Lauer, Univ. of Wisconsin 1996 (50-60); ND/MN trials
# 2015-17 (59); dos Santos et al. 2022 (57.9 °C-days).
EARLY_GDD_F: Final = (82.0, 84.0, 85.0, 55.0, 59.0, 57.9 * 1.8)
# After V10, the same sources (50; 56; 50; 59; 30.9 °C-days).
LATE_GDD_F: Final = (50.0, 56.0, 50.0, 59.0, 30.9 * 1.8)
LATE_FROM: Final = 10.0
# So few late figures agree by chance: no less than this much relative spread. Our own choice.
_LEAST_SPREAD: Final = 0.2

# Planting to emergence: 100-120, 115 recommended (Purdue Univ. field guide 2016).
EMERGENCE_GDD_F: Final = 115.0

# A plant of n collars is anywhere between n and n + 1: level, so sigma 1/sqrt(12).
_WITHIN_STAGE: Final = 1 / math.sqrt(12)


class HeatError(ValueError):
    """A question that the temperatures or visits can't answer; `str` is one sentence."""


def gdd_f(low_f: float, high_f: float, clamp: Clamp = "each") -> float:
    """Growing degree days of one day in °F-days, base 50, cap 86.

    Raises
    ------
    HeatError
        When the low is above the high.
    """
    return _gdd(low_f, high_f, BASE_F, CAP_F, clamp)


def gdd_c(low_c: float, high_c: float, clamp: Clamp = "each") -> float:
    """Growing degree days of one day in °C-days, base 10, cap 30. See `gdd_f`."""
    return _gdd(low_c, high_c, 10.0, 30.0, clamp)


def _gdd(low: float, high: float, base: float, cap: float, clamp: Clamp) -> float:
    if low > high:
        raise HeatError(f"The low {low:g} is above the high {high:g}: check the two columns.")
    if clamp == "mean":
        return min(max((low + high) / 2, base), cap) - base
    return (min(max(high, base), cap) + min(max(low, base), cap)) / 2 - base


def day_heat_f(day: Day, clamp: Clamp = "each") -> float:
    """Growing degree days of a day in °F-days; the mean of past years' own where they stand in."""
    return fmean(gdd_f(low, high, clamp) for low, high in day.years or ((day.low_f, day.high_f),))


def heat_between(
    temperatures: Temperatures, first: date, until: date, clamp: Clamp = "each"
) -> float:
    """Heat in °F-days from `first` up to, not with, `until`.

    Raises
    ------
    HeatError
        When temperatures of some of these days are missing.
    """
    wanted = (until - first).days
    if wanted < 0:
        raise HeatError(f"{until} is before {first}.")
    found = [day for day in temperatures.days if first <= day.day < until]
    if len(found) != wanted:
        raise HeatError(
            f"Temperatures of {wanted - len(found)} of the {wanted} days from {first} to {until} "
            "are missing: add them."
        )
    return sum(day_heat_f(day, clamp) for day in found)


def expected_leaves(
    gdd_since_planting_f: float,
    *,
    emergence_gdd_f: float = EMERGENCE_GDD_F,
    early_gdd_f: float = 82.0,
    late_gdd_f: float = 50.0,
) -> float:
    """Leaf collars to expect from the heat since planting, by published rates.

    82 °F-days a leaf to V10 and 50 after (Wuethrich 1997 in Nielsen, Purdue Univ. 2019). Fields
    differ widely from it: staging the field itself is always better.
    """
    heat = max(gdd_since_planting_f - emergence_gdd_f, 0.0)
    to_late = LATE_FROM * early_gdd_f
    if heat <= to_late:
        return heat / early_gdd_f
    return LATE_FROM + (heat - to_late) / late_gdd_f


@dataclass(frozen=True)
class Visit:
    """A field's state on a day.

    Attributes
    ----------
    day : date
    leaves : float
        Mean number of collars of the plants.
    leaves_error : float
        Its standard error.
    height_mm, height_error_mm : float or None
        Mean height and its standard error.
    tallest_mm, tallest_error_mm : float or None
        The same of the tallest tenth, which reaches a maximum first.
    """

    day: date
    leaves: float
    leaves_error: float
    height_mm: float | None = None
    height_error_mm: float | None = None
    tallest_mm: float | None = None
    tallest_error_mm: float | None = None


@dataclass(frozen=True)
class LeafPace:
    """Belief over leaf number and pace at the last visit.

    Attributes
    ----------
    day : date
        Of the last visit; heat counts from it.
    leaf_number : float
        Leaves as a number that grows without steps: 6.5 is half way from V6 to V7.
    per_gdd_f : float
        Leaves a °F-day.
    covariance : (2, 2) array
        Of the two.
    late : bool
        Whether the pace is the one after V10.
    visits : int
        Visits that told the pace; with one it is the published range alone.
    """

    day: date
    leaf_number: float
    per_gdd_f: float
    covariance: np.ndarray
    late: bool
    visits: int

    @property
    def gdd_f_a_leaf(self) -> float:
        """°F-days a leaf."""
        return 1 / self.per_gdd_f


@dataclass(frozen=True)
class DateSpan:
    """Days between which something is reached; None where it is after the last temperature.

    `early` and `late` hold 90 of 100 such dates between them; `middle` is the median.
    """

    early: date | None
    middle: date | None
    late: date | None
    horizon: date


def published_pace(late: bool = False) -> tuple[float, float]:
    """Mean and standard deviation of the published pace, in leaves a °F-day."""
    rates = 1 / np.array(LATE_GDD_F if late else EARLY_GDD_F)
    centre = float(rates.mean())
    return centre, max(float(rates.std(ddof=1)), _LEAST_SPREAD * centre)


def leaf_pace(
    visits: Sequence[Visit], temperatures: Temperatures | None = None, clamp: Clamp = "each"
) -> LeafPace:
    """Learn a field's pace from its visits, beginning from the published range.

    Parameters
    ----------
    temperatures : Temperatures, optional
        From the first visit to the last; not needed with one visit.

    Raises
    ------
    HeatError
        Without a visit, with two on one day, or when temperatures between visits are missing.
    """
    if not visits:
        raise HeatError("There is no visit: stage the field first.")
    ordered = sorted(visits, key=lambda visit: visit.day)
    days = [visit.day for visit in ordered]
    if len(set(days)) < len(days):
        raise HeatError("Two visits are on one day: join them into one.")
    last = ordered[-1]
    late = last.leaves > LATE_FROM
    # The pace changes at V10, so visits of the other time say nothing of this one.
    used = [visit for visit in ordered if (visit.leaves > LATE_FROM) == late]
    if len(used) > 1 and temperatures is None:
        raise HeatError("Two visits need the temperatures between them.")
    heat = np.array(
        [
            0.0
            if temperatures is None or visit is last
            else -heat_between(temperatures, visit.day, last.day, clamp)
            for visit in used
        ]
    )
    # The mean of n collars lies half a leaf short of where the plants are on their way.
    leaves = np.array([visit.leaves + 0.5 for visit in used])
    precision = 1 / np.array([visit.leaves_error**2 + _WITHIN_STAGE**2 for visit in used])
    centre, spread = published_pace(late)
    design = np.column_stack([np.ones(len(used)), heat])
    information = design.T @ (design * precision[:, None]) + np.diag([0.0, 1 / spread**2])
    covariance = np.linalg.inv(information)
    pulled = design.T @ (precision * leaves) + np.array([0.0, centre / spread**2])
    level, pace = covariance @ pulled
    # Plants don't lose leaves once counted: under a fifth of the published pace is noise.
    pace = max(float(pace), centre / 5)
    return LeafPace(last.day, float(level), pace, covariance, late, len(used))
