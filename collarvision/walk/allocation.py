"""Allocation: how many stops and plants, and how many of them in each zone.

Stops go to zones by share of the field times spread (Neyman 1934, J. R. Stat. Soc. 97:558-625;
Cochran 1977, Sampling Techniques, section 5.5, from memory), with one stop at least in each and two
in the most advanced zone where there are enough, since it decides whether a pass is still safe.
The spread is that of belonging to the share of plants that decides the field's stage, over all that
is believed of the field before anybody walks.

The number of plants a stop is the smallest for which that share is known as well as asked, by the
model of `growth` made linear: normal shift and zones, normal errors of stops. A few more stops
than the plain plan's are taken where that saves plants. Plants are never more than the plain
plan's: then the flight saves none, and what is to be expected is said.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.answer import count_of
from collarvision.evidence import HIGHEST_STAGE
from collarvision.sampling import FEWEST_PLANTS, Z, plan_sample
from collarvision.walk.growth import LATE_VARIANCE, OWN_SD, Prior, share_past

_FEWEST_A_STOP: Final = 3
FEWEST_AHEAD: Final = 5
"""Plants at a stop of the most advanced corn: one plant past a maximum decides."""

MOST_STOPS: Final = 60
"""Nobody walks to more in one field; our own choice."""

_FURTHER_STOPS: Final = 4  # more than the plain plan's, where that saves plants
_A_STOP_IN_PLANTS: Final = 2  # what walking to one more stop is worth: our own choice
_M2_AN_ACRE: Final = 4046.8564224


@dataclass(frozen=True)
class Allocation:
    """Stops of each zone in the order of zones, and plants at each of its stops.

    Attributes
    ----------
    stops, plants_a_stop : tuple of int
    precision : float
        Half-width of the interval that was asked for.
    expected : float
        Half-width to expect.
    plain_plants : int
        Plants that the plain plan asks for: at the published stops, and each for itself.
    """

    stops: tuple[int, ...]
    plants_a_stop: tuple[int, ...]
    precision: float
    expected: float
    plain_plants: int

    @property
    def plants(self) -> int:
        """In all."""
        return sum(n * each for n, each in zip(self.stops, self.plants_a_stop, strict=True))


def allocate(
    prior: Prior, area_m2: float, precision: float = 0.15, stops: int | None = None
) -> Allocation:
    """Say how many stops in which zone, and how many plants at each.

    Parameters
    ----------
    prior : Prior
    area_m2 : float
        Of the field; sets the number of stops as in `collarvision.sampling`, unless `stops` does.
    precision : float
        Half-width of the 95 % interval of the shares that decide the field's stage.
    stops : int, optional

    Raises
    ------
    ValueError
        When the precision makes no sense, or fewer stops than zones or too many are asked for.
    """
    plain = plan_sample(area_m2 / _M2_AN_ACRE, precision)
    zones = len(prior.bins)
    if stops is not None and stops < zones:
        told = count_of(stops, "stop")
        raise ValueError(f"{told} can't see {zones} zones: give {zones} or more.")
    if stops is not None and stops > MOST_STOPS:
        raise ValueError(
            f"Nobody walks to {stops:,} stops in one field: give {MOST_STOPS} or fewer."
        )
    fewest = max(plain.stops, zones + (zones > 1))
    spread = _zone_spread(prior)
    found: list[Allocation] = []
    for count in [stops] if stops else range(fewest, fewest + _FURTHER_STOPS + 1):
        of_zone = neyman(prior.zone_share, spread, count)
        most = max(math.ceil(plain.plants_needed / count), _FEWEST_A_STOP)
        for plants in range(_FEWEST_A_STOP, most + 1):
            each = (plants,) * zones
            if zones > 1:
                each = (max(plants, FEWEST_AHEAD), *each[1:])
            width = expected_half_width(prior, of_zone, each)
            one = Allocation(of_zone, each, precision, width, plain.plants)
            if width <= precision and one.plants >= FEWEST_PLANTS:
                break
        found.append(one)
    reached = [one for one in found if one.expected <= precision]
    if not reached:
        # More stops than the plain plan's would be walked for nothing that was asked.
        return found[0]
    return min(reached, key=lambda one: one.plants + _A_STOP_IN_PLANTS * sum(one.stops))


def neyman(shares: np.ndarray, spread: np.ndarray, stops: int) -> tuple[int, ...]:
    """Share stops out by share times spread, one at least a zone, the first zone two.

    Parameters
    ----------
    shares, spread : (zones,) ndarray
    stops : int
        As many as zones, or more.
    """
    zones = len(shares)
    least = np.ones(zones, int)
    if zones > 1 and stops > zones:
        least[0] = 2
    found = least.copy()
    worth = shares * np.maximum(spread, 1e-6)
    while found.sum() < stops:
        # The zone that lies furthest under its due gets the next one.
        due = worth / worth.sum() * stops - found
        found[int(due.argmax())] += 1
    return tuple(int(n) for n in found)


def expected_half_width(
    prior: Prior, stops: tuple[int, ...], plants_a_stop: tuple[int, ...]
) -> float:
    """Half-width to expect of the share that decides the field's stage, after such a walk."""
    zones = len(prior.bins)
    count, plants = np.array(stops, float), np.array(plants_a_stop, float)
    precision = np.zeros((zones + 1, zones + 1))
    if (count * plants).any():
        # A stage is a leaf number cut off: with plants much alike it tells only on which side of a
        # stage they are, which has pi / 2 times the variance of the number itself.
        each = min(prior.spread**2 + LATE_VARIANCE + 1 / 12, math.pi / 2 * prior.spread**2)
        own = OWN_SD**2 + each / np.maximum(plants, 1e-9)
        seen = np.hstack([np.ones((zones, 1)), np.eye(zones)])
        precision = (seen.T * (count / own)) @ seen
    precision = precision + np.diag([prior.shift_sd**-2, *[OWN_SD**-2] * zones])
    covariance = np.linalg.inv(precision)
    variances, weights = [], []
    for shift, weight in zip(*_shifts(prior), strict=True):
        shares = _shares(prior, shift)
        step = 0.05
        slope = (_shares(prior, shift + step) - _shares(prior, shift - step)) / (2 * step)
        field = prior.zone_share @ shares
        by_zone = prior.zone_share[:, None] * slope
        worst = 0.0
        for k in _deciding(field):
            way = np.array([by_zone[:, k].sum(), *by_zone[:, k]])
            worst = max(worst, float(way @ covariance @ way))
        variances.append(worst)
        weights.append(weight)
    return Z * math.sqrt(float(np.average(variances, weights=weights)))


def _zone_spread(prior: Prior) -> np.ndarray:
    """Spread of belonging to the deciding shares in each zone, (zones,)."""
    found = np.zeros(len(prior.bins))
    for shift, weight in zip(*_shifts(prior), strict=True):
        shares = _shares(prior, shift)
        decide = _deciding(prior.zone_share @ shares)
        found += weight * (shares * (1 - shares))[:, decide].mean(axis=1)
    return np.sqrt(found)


def _shifts(prior: Prior) -> tuple[np.ndarray, np.ndarray]:
    """Some values of the field's shift, and their weights."""
    off = np.linspace(-2, 2, 9)
    weight = np.exp(-0.5 * off**2)
    return prior.shift + prior.shift_sd * off, weight / weight.sum()


def _shares(prior: Prior, shift: float) -> np.ndarray:
    """Share of each zone's plants at or past each stage, (zones, 23)."""
    leaves = prior.bins + 0.5 + shift
    past = share_past(leaves[..., None] - np.arange(HIGHEST_STAGE + 1), prior.spread)
    return np.asarray(np.einsum("zbk,zb->zk", past, prior.weights))


def _deciding(field: np.ndarray) -> list[int]:
    """Field's stage and the next: the two shares beside a half."""
    stage = max(int((field >= 0.5).sum()) - 1, 0)
    return [k for k in (stage, stage + 1) if 0 < k < len(field)] or [1]
