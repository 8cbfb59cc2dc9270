"""Counting: how far a photo's plant count is off, on average and at random, by scale and plants.

A count of found plants is off by a share that photos of one scale have in common (`count_bias`) and
by a share of its own. That one has two parts: what all plants of a photo suffer alike, more where
they are large and hide one another, and chance, which many plants even out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import minimize

from collarvision.above.calibration import CROWDED_TIPS, AboveCalibration
from collarvision.above.values import interval_90
from training.above.scoring import Scored

LEAST_PLANTS = 5
"""Found and true, that a photo must have to say something of counts."""

LEAST_PHOTOS = 4
"""Of a scale. With fewer the next finer scale's numbers are taken."""

MOST_GROWTH = 2.0
"""A count's error grows no faster with each tip beyond `CROWDED_TIPS` (logarithm): one crowded
photo that was counted far too low must not make all counts of its like say nothing."""

BIAS_PRIOR = 0.2
"""Standard deviation of the log bias beforehand."""


def counted(one: Scored) -> tuple[float, float, float]:
    """Plants told as run time counts them, true ones, and tips of a plant; off the edge."""
    inner = one.inner
    told = float(inner.sum() + one.found.double[inner].sum())
    tips = float(one.found.tip_count[inner].mean()) if inner.any() else 0.0
    return told, float(one.asked.sum()), tips


def fit_counts(scored: Sequence[Scored], calibration: AboveCalibration) -> AboveCalibration:
    """Fit bias and errors of counts, by the ground sample distances of `calibration`.

    Parameters
    ----------
    scored : sequence of Scored
        Read with the calibration's floor, their doubles turned into probabilities.
    calibration : AboveCalibration
        Its distances are those that get numbers.
    """
    distances = np.array(calibration.mm_per_px)
    knots = len(distances)
    rows = []
    for one in scored:
        told, true, tips = counted(one)
        if min(told, true) >= LEAST_PLANTS:
            nearest = int(np.abs(distances - one.scene.mm_per_px).argmin())
            rows.append((nearest, told, tips, np.log(true / told)))
    if len(rows) < LEAST_PHOTOS:
        widest = max(calibration.count_error)
        return replace(calibration, count_bias=(0.0,) * knots, count_error=(widest,) * knots)
    which, told, tips, off = np.array(rows).T
    bias: list[float] = []
    for k in range(knots):
        own = which == k
        if own.sum() < LEAST_PHOTOS:
            bias.append(bias[-1] if bias else 0.0)
            continue
        worth = 1.0 / (1.0 / told[own] + 0.01)
        bias.append(-float((worth * off[own]).sum() / (worth.sum() + 1.0 / BIAS_PRIOR**2)))
    rest = off + np.array(bias)[which.astype(int)]
    crowd = np.maximum(tips - CROWDED_TIPS, 0.0)

    def errors(free: np.ndarray) -> np.ndarray:
        shared = np.exp(free[which.astype(int)] + np.exp(free[knots]) * crowd)
        found: np.ndarray = shared**2 + np.exp(2 * free[knots + 1]) / told
        return found

    # Beforehand: a tenth alike for all, growing by a tenth a tip, and half of Poisson's chance.
    before = np.log(np.array([0.1] * knots + [0.1, 0.5]))

    def cost(free: np.ndarray) -> float:
        variance = errors(free)
        misfit = 0.5 * (np.log(variance) + rest**2 / variance).sum()
        return float(misfit + 0.5 * ((free - before) ** 2).sum())

    bounds = [(None, None)] * knots + [(None, np.log(MOST_GROWTH)), (None, None)]
    free = minimize(cost, before, method="L-BFGS-B", bounds=bounds).x
    return replace(
        calibration,
        count_bias=tuple(round(v, 4) for v in bias),
        count_error=tuple(round(float(v), 4) for v in np.exp(free[:knots])),
        count_growth=round(float(np.exp(free[knots])), 4),
        count_spread=round(float(np.exp(free[knots + 1])), 4),
    )


def count_held(one: Scored, calibration: AboveCalibration) -> bool | None:
    """Whether the interval of 90 in 100 holds the true count; None with too few plants."""
    told, true, tips = counted(one)
    if min(told, true) < LEAST_PLANTS:
        return None
    mm_per_px = one.scene.mm_per_px
    low, high = interval_90(
        told * calibration.count_factor(mm_per_px), calibration.count_doubt(told, tips, mm_per_px)
    )
    return low <= true <= high
