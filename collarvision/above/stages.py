"""Stages: from leaf tips to a range of stages, through the published tables.

The tables (`collarvision.leafwords`) say that a plant shows two or three tips more than collars;
where they have no line the span is a leaf wider either way. Two doubts are kept apart here:

- the tip count's error, each plant's own and one that all plants of a photo share
  (`collarvision.above.calibration`);
- where inside the tables' span this field lies. It is one hybrid in one weather, so its plants lean
  to the same end. From above nothing tells which, so all of `LEANS` stay in until somebody has
  counted collars on the ground: `learn_leans`.

Plants of one field are also of like age. What stages the others are in says something about each:
the spread of stages is fitted to the field's own tip counts, with all its plants counting as no
more than a few, since they err alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Final

import numpy as np

from collarvision.above.calibration import AboveCalibration
from collarvision.above.values import STAGE_COUNT
from collarvision.leafwords import leaves_from_collars

MOST_TIPS: Final = 18
LEANS: Final = (0.0, 0.5, 1.0)
"""Where in a table's span of tips a field's plants lie: its lower end, anywhere, its upper end."""

LEVEL_LEANS: Final = (1 / 3, 1 / 3, 1 / 3)

_MEANS: Final = np.arange(-0.5, 12.6, 0.25)
_SPREADS: Final = (0.35, 0.7, 1.1, 1.8)
"""Standard deviations of stages in a field, from even emergence to sown twice; our own choice."""

_SHIFTS: Final = (-2.8570, -1.3556, 0.0, 1.3556, 2.8570)
_SHIFT_WEIGHTS: Final = (0.01126, 0.22208, 0.53333, 0.22208, 0.01126)
"""Gauss-Hermite points and weights of a normal error (Abramowitz & Stegun, table 25.10)."""

_STRAY: Final = 0.02
"""Share of plants whose stage has nothing to do with the field's: late ones, volunteers."""


def stage_probabilities(
    tip_count: np.ndarray,
    mm_per_px: float,
    calibration: AboveCalibration,
    leans: Sequence[float] = LEVEL_LEANS,
) -> np.ndarray:
    """P(VE), P(V1) ... P(V12) of each plant of one photo or field.

    Parameters
    ----------
    tip_count : (n,)
        Estimated leaf tips, not rounded.
    mm_per_px : float
        Ground sample distance of the photo, as it was taken.
    calibration : AboveCalibration
    leans : sequence of 3 float
        Probabilities of `LEANS`.

    Returns
    -------
    ndarray, (n, 13) float32
        Rows sum to 1.
    """
    tip_count = np.asarray(tip_count, np.float64)
    if len(tip_count) == 0:
        return np.zeros((0, STAGE_COUNT), np.float32)
    weights = np.asarray(leans, np.float64) / np.sum(leans)
    # A tenth of a tip is far below the error: plants of like counts share one piece of arithmetic.
    kinds, which, numbers = np.unique(
        np.clip(np.round(tip_count, 1), 0.0, MOST_TIPS), return_inverse=True, return_counts=True
    )
    found = np.zeros((len(kinds), STAGE_COUNT))
    shared = calibration.shared_error(mm_per_px)
    most = _most_told(mm_per_px, calibration)
    # How well a lean or a shared error fits the tips says nothing of it, since another age of the
    # field makes up for it: the weights stay as they are given.
    for likely, shift in zip(_SHIFT_WEIGHTS, _SHIFTS, strict=True):
        by_tips = tip_likelihood(np.minimum(kinds - shift * shared, most), mm_per_px, calibration)
        for weight, lean in zip(weights, LEANS, strict=True):
            if weight > 0:
                by_stage = by_tips @ tips_given_collars(lean).T
                field = _with_field(by_stage, numbers, calibration.together)
                found += weight * likely * field
    found /= found.sum(1, keepdims=True)
    return np.asarray(found[which], np.float32)


def _most_told(mm_per_px: float, calibration: AboveCalibration) -> float:
    """Count of tips from which more tell nothing further: plainly the last stage's most."""
    top = leaves_from_collars(STAGE_COUNT - 1, "visible tips").high
    bias, spread = calibration.error(np.array([top]), mm_per_px)
    # Past it no stage's tips would fit, and all would seem equally likely.
    return float(top + bias[0] + 2 * spread[0])


def tip_likelihood(
    tip_count: np.ndarray, mm_per_px: float, calibration: AboveCalibration
) -> np.ndarray:
    """Worth of each true number of tips 0 ... `MOST_TIPS` given an estimate; (n, 19)."""
    true = np.arange(MOST_TIPS + 1)
    bias, spread = calibration.error(true, mm_per_px)
    off = (np.asarray(tip_count, np.float64)[:, None] - true - bias) / spread
    worth: np.ndarray = np.exp(-0.5 * off**2) / spread
    # Far from every count the nearest still wins, and nothing divides by zero.
    return worth + 1e-12


@cache
def tips_given_collars(lean: float) -> np.ndarray:
    """P(tips | collars) inside the tables' spans, (13, 19); a lean of 0.5 is level over a span."""
    found = np.zeros((STAGE_COUNT, MOST_TIPS + 1))
    for collars in range(STAGE_COUNT):
        span = leaves_from_collars(collars, "visible tips")
        place = np.linspace(0.0, 1.0, span.high - span.low + 1)
        worth = lean * place + (1 - lean) * (1 - place)
        found[collars, span.low : span.high + 1] = worth / worth.sum()
    found.setflags(write=False)
    return found


def learn_leans(
    leans: Sequence[float],
    tip_count: np.ndarray,
    mm_per_px: float,
    collars_counted: Sequence[int],
    calibration: AboveCalibration,
) -> tuple[float, ...]:
    """Weigh `LEANS` anew after collars were counted on the ground among the same plants.

    The plants counted aren't matched to those seen, so the two are compared as groups: by how far
    the counted stages lie from those told from above.

    Parameters
    ----------
    leans : sequence of 3 float
        Weights so far.
    tip_count : (n,)
        Estimates for the plants around the stop.
    mm_per_px : float
    collars_counted : sequence of int
    calibration : AboveCalibration

    Returns
    -------
    tuple of 3 float
        Sum to 1; as given where there is nothing to compare.
    """
    if len(tip_count) == 0 or len(collars_counted) == 0:
        return tuple(float(w) for w in np.asarray(leans) / np.sum(leans))
    counted = np.asarray(collars_counted, np.float64)
    stages = np.arange(STAGE_COUNT)
    logs = []
    for number in range(len(LEANS)):
        one = np.eye(len(LEANS))[number]
        told = stage_probabilities(tip_count, mm_per_px, calibration, one).mean(0)
        mean = float(told @ stages)
        variance = float(told @ (stages - mean) ** 2)
        # The shared error is in `told` already, and doesn't shrink with the plants counted.
        doubt = variance / len(counted) + calibration.shared_error(mm_per_px) ** 2 + 0.05
        logs.append(-0.5 * (counted.mean() - mean) ** 2 / doubt - 0.5 * np.log(doubt))
    worth = np.asarray(leans) * np.exp(np.array(logs) - max(logs))
    if worth.sum() <= 0:
        worth = np.exp(np.array(logs) - max(logs))
    return tuple(float(w) for w in worth / worth.sum())


def _with_field(by_stage: np.ndarray, numbers: np.ndarray, together: float) -> np.ndarray:
    """Each kind's stages, with what the others tell of the field; (k, 13)."""
    fields = _fields()  # (h, 13)
    worth = by_stage @ fields.T  # (k, h)
    share = min(1.0, together / float(numbers.sum()))
    log_fit = share * (numbers @ np.log(worth))
    fit = np.exp(log_fit - log_fit.max())
    # P(stage | kind) = sum over fields of P(field | all) P(stage | kind, field).
    return np.asarray(by_stage * ((fit / worth) @ fields) / fit.sum())


@cache
def _fields() -> np.ndarray:
    """Shares of stages in fields of every mean age and evenness, (h, 13)."""
    stages = np.arange(STAGE_COUNT)
    rows = []
    for spread in _SPREADS:
        for mean in _MEANS:
            worth = np.exp(-0.5 * ((stages - mean) / spread) ** 2) + 1e-9
            rows.append((1 - _STRAY) * worth / worth.sum() + _STRAY / STAGE_COUNT)
    found = np.array(rows)
    found.setflags(write=False)
    return found
