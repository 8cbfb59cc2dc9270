"""Growth: how plants on the ground are believed to lie about what was seen from above.

A plant's leaf number (its collars and what is out of the next leaf) is

    middle + slope (seen there - middle) + 1/2 + shift + zone's own + place's own + plant's own

where "seen there" is the collars that the tips of its neighbourhood make likely. `shift` is the
whole field's: published tables differ on how many tips go with a collar (`collarvision.leafwords`),
and plants grow between flight and walk. A zone's own and a place's own are what sets the view from
above wrong in one part of the field or at one stop. All are normal, with priors below; their widths
are our own choice, tried on invented fields (`benchmarks/walk_plants.py`). A plant at stage k has a
leaf number from k to k + 1.

What plants at stops say is worked out on a grid of all of these, exactly but for the grid: Bayes'
rule in a model of two levels (Gelman et al. 2013, Bayesian Data Analysis, ch. 5, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.evidence import HIGHEST_STAGE
from collarvision.walk.zones import Zones

SHIFT_SD: Final = 0.7
"""Leaves. The tables' two or three tips a collar, and as much again for tips that hide."""

LEAVES_A_DAY: Final = 0.22
"""Some 16 °F-days a day, as in a cool spring, over some 74 a leaf (`collarvision.heat`)."""

OWN_SD: Final = 0.25
"""Leaves, of zones and places: scale of a half-normal prior."""

_A_DAY_SD: Final = 0.1
_SLOPE_SD: Final = 0.2
_SPREAD_SD: Final = 0.35  # of the logarithm of plants' own spread
_TIP_ERROR: Final = 0.8  # of one plant's tips, leaves
_SPREADS: Final = (0.35, 1.0)  # between which a field's plants are taken to lie
_STRAY: Final = 0.02  # plants that are nothing like their neighbours, or were misread
_MISFIT: Final = (
    0.08  # leaves: plants aren't spread quite as the model has it, however many there are
)
_LATE: Final = 0.1  # share of plants that came up late: up to 0.25 in the worst rows, by 5-7 days
_LATE_LEAVES: Final = 1.3  # (Novak & Ransom 2018, 10.4236/as.2018.910092), at LEAVES_A_DAY
LATE_VARIANCE: Final = _LATE * (1 - _LATE) * _LATE_LEAVES**2
"""Square leaves: what late plants add to the spread."""

_SLOPES: Final = np.array([0.7, 0.85, 1.0, 1.15, 1.3])
_OWNS: Final = np.array([0.05, 0.15, 0.3, 0.55])
_SPREAD_STEPS: Final = np.array([-0.6, -0.3, 0.0, 0.3, 0.6])
_SHIFTS: Final = 31
_NODES: Final = 9
_WITHIN: Final = 20  # places that a stage is cut into
_STEP: Final = 0.04  # leaves, of the grid of leaf numbers
_BINS: Final = 12
_REACH: Final = 3.5  # standard deviations beyond which a share is all or nothing, or nearly
_STAGES: Final = np.arange(HIGHEST_STAGE + 1)


@dataclass(frozen=True, eq=False)
class GroundStop:
    """Plants counted at one place.

    Attributes
    ----------
    zone : int
        Index of its zone.
    seen : float
        Collars that the view from above makes likely there.
    beliefs : (n, 23) ndarray
        Probability of each stage of each plant.
    """

    zone: int
    seen: float
    beliefs: np.ndarray


@dataclass(frozen=True, eq=False)
class Draws:
    """Draws of what the field may be.

    Attributes
    ----------
    zone_shares : (zones, draws, 23) ndarray
        Share of each zone's plants at or past each stage.
    shares : (draws, 23) ndarray
        Of the field's plants.
    shift : (draws,) ndarray
        Leaves that the field is ahead of what its tips made likely, half a leaf aside.
    """

    zone_shares: np.ndarray
    shares: np.ndarray
    shift: np.ndarray


@dataclass(frozen=True, eq=False)
class Prior:
    """What is believed before anybody has counted.

    Attributes
    ----------
    middle : float
        Mean of the collars seen likely, over the field.
    bins, weights : (zones, n) ndarray
        Collars seen likely within each zone, as shares of its plants.
    zone_share : (zones,) ndarray
        Each zone's share of the field's plants.
    shift, shift_sd : float
    spread : float
        Middle of the prior of plants' own spread, leaves.
    """

    middle: float
    bins: np.ndarray
    weights: np.ndarray
    zone_share: np.ndarray
    shift: float
    shift_sd: float
    spread: float


def prior_of(zones: Zones, days: int = 0) -> Prior:
    """What a flight lets one believe of plants `days` days later."""
    cells = zones.cells
    bins, weights = [], []
    for number in range(len(zones)):
        own = np.flatnonzero(zones.zone == number)
        own = own[np.argsort(cells.collars[own])]
        parts = np.array_split(own, min(_BINS, len(own)))
        part_weights = np.array([cells.weight[part].sum() for part in parts])
        part_means = [np.average(cells.collars[p], weights=cells.weight[p]) for p in parts]
        short = _BINS - len(parts)
        bins.append(np.pad(part_means, (0, short), mode="edge"))
        weights.append(np.pad(part_weights / part_weights.sum(), (0, short)))
    # What is seen of plants' spread holds the error of their tips, and the late ones.
    spread = np.sqrt(max(cells.spread**2 - _TIP_ERROR**2 - LATE_VARIANCE, 0.0))
    return Prior(
        middle=float(cells.weight @ cells.collars),
        bins=np.array(bins),
        weights=np.array(weights),
        zone_share=np.array([one.share for one in zones.zones]),
        shift=LEAVES_A_DAY * days,
        shift_sd=float(np.hypot(SHIFT_SD, _A_DAY_SD * days)),
        spread=float(np.clip(spread, *_SPREADS)),
    )


def grown(stages: np.ndarray | Sequence[float], days: int) -> np.ndarray:
    """Move probabilities of stages on by the growth of some days.

    Parameters
    ----------
    stages : (k,)
        Probability of VE, V1 ... of a plant on the day of the flight.
    days : int

    Returns
    -------
    (k,) ndarray where no day has gone by, else (23,)
    """
    from scipy.special import ndtr

    if days == 0:
        return np.asarray(stages)
    # A plant at stage k is taken to be anywhere from k to k + 1.
    within = (np.arange(_WITHIN) + 0.5) / _WITHIN
    leaves = np.arange(len(stages))[:, None] + within + LEAVES_A_DAY * days
    sd = _A_DAY_SD * abs(days)
    past = ndtr((leaves[..., None] - np.arange(HIGHEST_STAGE + 2)) / sd).mean(axis=1)
    past[:, 0], past[:, -1] = 1.0, 0.0
    return np.asarray(np.asarray(stages) @ (past[:, :-1] - past[:, 1:]))


def draw(prior: Prior, stops: Sequence[GroundStop] = (), draws: int = 2000) -> Draws:
    """Draw what the field may be, given what was counted at stops; the same each time."""
    random = np.random.default_rng(0)
    shifts = prior.shift + prior.shift_sd * np.linspace(-4, 4, _SHIFTS)
    heights = _Heights(prior, stops)
    if stops:
        # A first look says where the grid of shifts must be fine.
        weight, _ = heights.weigh(shifts)
        each = weight.sum(axis=(1, 2, 3))
        mean = float(each @ shifts / each.sum())
        sd = float(np.sqrt(each @ (shifts - mean) ** 2 / each.sum()))
        shifts = mean + max(sd, 0.05) * np.linspace(-4, 4, _SHIFTS)
    weight, of_zone = heights.weigh(shifts)
    chosen = _systematic(weight.ravel(), draws, random)
    b, slope, spread, own = np.unravel_index(chosen, weight.shape)
    step = shifts[1] - shifts[0]
    shift = shifts[b] + step * (random.random(draws) - 0.5)
    misfit = random.normal(0, _MISFIT, draws)
    wide = np.hypot(heights.spreads[spread], _OWNS[own])
    zone_shares = np.empty((len(prior.bins), draws, HIGHEST_STAGE + 1))
    for number, (bins, weights) in enumerate(zip(prior.bins, prior.weights, strict=True)):
        # (draws, nodes): how likely each value of the zone's own is.
        node_weight = of_zone[number][b, slope, spread, own]
        total = node_weight.cumsum(axis=1)
        node = (total < random.random((draws, 1)) * total[:, -1:]).sum(axis=1)
        node = np.minimum(node, _NODES - 1)
        between = heights.nodes[1] - heights.nodes[0]
        zone_own = _OWNS[own] * (heights.nodes[node] + between * (random.random(draws) - 0.5))
        leaves = (
            prior.middle
            + _SLOPES[slope][:, None] * (bins - prior.middle)
            + (0.5 + shift + misfit + zone_own)[:, None]
        )
        # Far under a stage nobody has reached it, and far past it everybody has.
        first = max(int(leaves.min() - _LATE_LEAVES - _REACH * wide.max()), 0)
        last = min(int(leaves.max() + _REACH * wide.max()) + 2, HIGHEST_STAGE + 1)
        past = share_past(leaves[..., None] - _STAGES[first:last], wide[:, None, None])
        share = zone_shares[number]
        share[:, :first], share[:, last:] = 1.0, 0.0
        share[:, first:last] = np.einsum("dbk,b->dk", past, weights)
        share[:, 0] = 1.0
    shares = np.einsum("zdk,z->dk", zone_shares, prior.zone_share)
    return Draws(zone_shares, shares, shift)


class _Heights:
    """Height of the posterior over shift, slope, spread and own, zone by zone."""

    def __init__(self, prior: Prior, stops: Sequence[GroundStop]) -> None:
        self.prior, self.stops = prior, stops
        self.spreads = prior.spread * np.exp(_SPREAD_STEPS)
        self.nodes = np.linspace(-2.4, 2.4, _NODES)
        self._node_weight = np.exp(-0.5 * self.nodes**2)
        self._node_weight /= self._node_weight.sum()
        seen = [stop.seen for stop in stops] or [prior.middle]
        low, high = min(seen) - prior.middle, max(seen) - prior.middle
        reach = 4 * prior.shift_sd + 3 * 2.5 * float(_OWNS[-1])
        self._first = prior.middle + prior.shift + min(low * _SLOPES[-1], low, 0) - reach
        last = prior.middle + prior.shift + max(high * _SLOPES[-1], high, 0) + reach + 1
        self._grid = np.arange(self._first, last, _STEP)
        # (stops, spreads, grid)
        self._plain = np.array(
            [[_log_chance(stop, s, self._grid) for s in self.spreads] for stop in stops]
        )
        self._placed = self._with_place() if stops else np.zeros((0, 0, 0, 0))

    def _with_place(self) -> np.ndarray:
        """Logarithm of each stop's chance with its place's own averaged over.

        (stops, spreads, owns, grid).
        """
        top = self._plain.max(axis=2, keepdims=True)
        plain = np.exp(self._plain - top)
        found = np.zeros((*self._plain.shape[:2], len(_OWNS), len(self._grid)))
        at = np.arange(len(self._grid))
        for own, sd in enumerate(_OWNS):
            for node, weight in zip(self.nodes, self._node_weight, strict=True):
                moved = np.clip(at + round(sd * node / _STEP), 0, len(at) - 1)
                found[:, :, own] += weight * plain[:, :, moved]
        return np.asarray(np.log(np.maximum(found, 1e-300)) + top[:, :, None])

    def weigh(self, shifts: np.ndarray) -> tuple[np.ndarray, list[np.ndarray]]:
        """Weights (shifts, slopes, spreads, owns), and (..., nodes) of each zone's own."""
        prior = self.prior
        log = (
            -0.5 * ((shifts - prior.shift) / prior.shift_sd)[:, None, None, None] ** 2
            - 0.5 * ((_SLOPES - 1) / _SLOPE_SD)[None, :, None, None] ** 2
            - 0.5 * (_SPREAD_STEPS / _SPREAD_SD)[None, None, :, None] ** 2
            + (-0.5 * (_OWNS / OWN_SD) ** 2 + np.log(np.gradient(_OWNS)))[None, None, None, :]
        )
        shape = (*log.shape, _NODES)
        # Leaf number but for what a stop was seen at: (shifts, owns, nodes).
        base = (
            prior.middle
            + 0.5
            + shifts[:, None, None]
            + _OWNS[None, :, None] * self.nodes[None, None, :]
        )
        of_zone = []
        for number in range(len(prior.bins)):
            own = np.broadcast_to(np.log(self._node_weight), shape).copy()
            for k, stop in enumerate(self.stops):
                if stop.zone != number:
                    continue
                # (shifts, slopes, owns, nodes)
                leaves = base[:, None] + (_SLOPES * (stop.seen - prior.middle))[:, None, None]
                at = np.clip(
                    ((leaves - self._first) / _STEP).round().astype(int), 0, len(self._grid) - 1
                )
                which = np.arange(len(_OWNS))[:, None]
                for s in range(len(self.spreads)):
                    own[:, :, s] += self._placed[k, s][which, at]
            top = own.max(axis=-1, keepdims=True)
            heights = np.exp(own - top)
            of_zone.append(heights)
            log = log + np.log(heights.sum(axis=-1)) + top[..., 0]
        return np.exp(log - log.max()), of_zone


def _log_chance(stop: GroundStop, spread: float, leaves: np.ndarray) -> np.ndarray:
    """Logarithm of the chance to find a stop's plants, for each leaf number there."""
    # Stages that no plant may be at need no arithmetic.
    asked = np.flatnonzero((stop.beliefs > 0).any(axis=0))
    first, last = int(asked[0]), int(asked[-1]) + 1
    past = share_past(leaves[:, None] - np.arange(first, last + 1), spread)
    if first == 0:
        past[:, 0] = 1.0
    if last == HIGHEST_STAGE + 1:
        past[:, -1] = 0.0
    at = past[:, :-1] - past[:, 1:]
    at = (1 - _STRAY) * at + _STRAY / (HIGHEST_STAGE + 1)
    return np.asarray(np.log(stop.beliefs[:, first:last] @ at.T).sum(axis=0))


def share_past(ahead: np.ndarray, spread: float | np.ndarray) -> np.ndarray:
    """Give the share of plants over a leaf number that lies `ahead` under their usual one."""
    from scipy.special import ndtr

    late = ndtr((ahead - _LATE_LEAVES) / spread)
    return np.asarray((1 - _LATE) * ndtr(ahead / spread) + _LATE * late)


def _systematic(weights: np.ndarray, draws: int, random: np.random.Generator) -> np.ndarray:
    """Indices drawn by weight, with one random start: hardly any noise of its own."""
    total = np.cumsum(weights)
    at = (np.arange(draws) + random.random()) / draws * total[-1]
    found = np.minimum(np.searchsorted(total, at), len(weights) - 1)
    return np.asarray(random.permutation(found))
