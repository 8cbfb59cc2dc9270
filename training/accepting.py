"""Accepting: from confidences and what was right to the threshold that keeps a stated risk."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Answers:
    """Confidence and whether it was right, of each photo's first reading and of its closer one."""

    first: np.ndarray
    first_right: np.ndarray
    closer: np.ndarray
    closer_right: np.ndarray
    times: int = 1  # how often each photo is in here

    def at(self, closer_from: float) -> tuple[np.ndarray, np.ndarray]:
        """Confidence and rightness of what is answered in the end."""
        again = self.first >= closer_from
        confidence = np.where(again, self.closer, self.first)
        return confidence, np.where(again, self.closer_right, self.first_right)

    def levels(self, closer_from: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Thresholds, strictest first; how many each accepts, and how many of those are wrong."""
        confidence, right = self.at(closer_from)
        thresholds = np.unique(confidence)[::-1]
        accepted, wrong = [], []
        for threshold in thresholds:
            taken = confidence >= threshold
            accepted.append(taken.sum() / self.times)
            wrong.append((1 - right[taken]).sum() / self.times)
        return thresholds, np.array(accepted), np.array(wrong)


def risk_threshold(
    confidence: np.ndarray, wrong: np.ndarray, risk: float, times: int = 1
) -> tuple[float, bool]:
    """Least confidence at which at most `risk` of the accepted readings are wrong.

    The threshold of `strictest_needed` for readings of one kind; `times` as of `Answers`.
    """
    right = 1.0 - np.asarray(wrong, dtype=float)
    alike = Answers(confidence, right, confidence, right, times)
    return strictest_needed(*alike.levels(2.0), risk)


def strictest_needed(
    thresholds: np.ndarray, accepted: np.ndarray, wrong: np.ndarray, risk: float
) -> tuple[float, bool]:
    """Least threshold at which at most `risk` of the accepted readings are wrong.

    An estimate corrected for finite numbers, not a bound: (wrong + 1) / (accepted + 1) must be at
    most `risk`. The form is that of conformal risk control (A. Angelopoulos, S. Bates, A. Fisch,
    L. Lei and T. Schuster 2022, "Conformal risk control", arXiv 2208.02814), whose theorem doesn't
    cover this use: it takes a loss that only falls as the threshold rises and is averaged over all
    photos, while the share of wrong ones among the accepted may rise and fall. Thresholds that
    accept fewer than 1 / risk photos aren't asked. From the strictest on, those that accept fewer
    than 3 / risk may miss the risk, as an early error weighs much there; the first one beyond that
    misses it ends the search, so that a lucky stretch further down isn't taken.

    What that keeps, simulated with 1 / (1 + exp(-N(2.2, 1.8))) and beta(6, 0.7) as true
    confidences, a risk of 0.02, and a threshold that met it: mean true risk 0.037 and 0.029 of 120
    photos to calibrate on, 0.022 and 0.018 of 300, 0.018 and 0.017 of 500, 0.016 of 1000, 0.017 and
    0.019 of 2154. So the mean holds from some 500 on. A single calibration may still miss it: one
    in twenty has a true risk over 0.032 at 500, 0.029 at 1000, 0.027 at 2154.

    Parameters
    ----------
    thresholds : ndarray, (n,)
        Strictest first.
    accepted, wrong : ndarray, (n,)
        How many readings each accepts, and how many of those are wrong.

    Returns
    -------
    threshold : float
    met : bool
        False when no threshold meets the risk. The strictest is then given, and at least the one
        from which a confidence itself promises the risk.
    """
    first = math.ceil(1 / risk)
    best: float | None = None
    for threshold, count, errors in zip(thresholds, accepted, wrong, strict=True):
        if count < first:
            continue
        if (errors + 1) / (count + 1) <= risk:
            best = float(threshold)
        elif count >= 3 * first:
            break
    if best is None:
        enough = thresholds[accepted >= min(first, accepted.max())]
        return float(max(1.0 - risk, enough[0])), False
    return best, True


def calibration_error(confidence: np.ndarray, right: np.ndarray, bins: int = 10) -> float:
    """Expected calibration error over bins of equal width (Naeini et al. 2015)."""
    at = np.minimum((confidence * bins).astype(int), bins - 1)
    gaps = [
        abs(right[at == b].mean() - confidence[at == b].mean()) * (at == b).mean()
        for b in range(bins)
        if (at == b).any()
    ]
    return float(sum(gaps))


def risk_coverage(accepted: np.ndarray, wrong: np.ndarray) -> list[tuple[float, float]]:
    """Some 40 points (share accepted, share of them wrong), strictest first."""
    total = accepted.max()
    chosen = np.unique(np.searchsorted(accepted, np.linspace(1, total, 41).round()))
    return [
        (round(float(accepted[i] / total), 3), round(float(wrong[i] / accepted[i]), 4))
        for i in chosen
    ]
