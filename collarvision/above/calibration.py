"""Calibration: how far the tips seen from above err, fitted on scenes the network never saw.

It lies in ``above_calibration.json`` beside the network's file. The numbers that stand here are
used where that file is missing; they are wide on purpose, and are nobody's measurement.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from collarvision.network import ModelError, models_folder

CALIBRATION_FILE: Final = "above_calibration.json"
MIDDLE_TIPS: Final = 6.0
"""Tip count that the lines of bias and spread are anchored at: V3 to V4."""

YOUNG_STAGE: Final = 3.0
OLDER_STAGE: Final = 4.0
"""Mean stage up to which a plant is young, and from which it isn't: their ranges are asked for by
probabilities of their own. Of a seedling the tables' span of tips is the larger doubt, of an older
plant the count's own error. Our own choice."""

CROWDED_TIPS: Final = 8.0
"""Tips of a plant from which plants hide one another: V5 to V6. Our own choice."""

MOST_COUNT_DOUBT: Final = 0.7
"""Largest relative standard error of a count that all plants of a photo have in common: 90 in 100
within a factor of three. The growth by tips was fitted up to about nine tips, where counts are a
fifth too low (``models/ABOVE_CARD.md``); carried on beyond, it soon leaves all bounds, while sown
corn can't stand a hundred times thicker than it looks. Our own choice."""


@dataclass(frozen=True)
class AboveCalibration:
    """What is known of the network's errors.

    Attributes
    ----------
    version : int
    plant_floor, tip_floor : float
        Least peak for a centre or a tip to be believed.
    twins_mm : float
        Peaks nearer than this are one plant.
    count_bias : tuple of float
        Logarithm of the plants counted over those there are, missed and invented ones together.
    count_error : tuple of float
        Relative standard error of a photo's count that all of its plants have in common.
    count_growth : float
        How that grows (logarithm) with each tip a plant has beyond `CROWDED_TIPS`.
    count_spread : float
        Relative standard error of a count of one plant, that chance makes: n plants have it over
        the root of n.
    double_slope, double_offset : float
        Line on the log odds that turns the network's opinion of a double into a probability.
    mm_per_px : tuple of float
        Ground sample distances that errors were fitted at, rising.
    bias, bias_slope : tuple of float
        Mean error of a tip count at `MIDDLE_TIPS`, and how it grows with each tip.
    spread, spread_slope : tuple of float
        Standard error of one plant beside the others of its photo, likewise.
    shared : tuple of float
        Standard error that all plants of a photo have in common: its light, soil and blur.
    inflation : tuple of float
        Factor on the standard error at each distance, so that a range holds what it promises.
    range_levels : (float, float)
        Probability that a range must hold to cover 90 in 100 plants, of young ones and of others.
        Ranges of whole stages hold more than they are asked for, so it is less than 0.9.
    together : float
        Plants of one photo err alike: all of them tell no more of the field than so many would.
    """

    version: int = 0
    plant_floor: float = 0.35
    tip_floor: float = 0.3
    twins_mm: float = 33.0
    count_bias: tuple[float, ...] = (0.0, 0.0)
    count_error: tuple[float, ...] = (0.15, 0.3)
    count_growth: float = 0.1
    count_spread: float = 0.7
    double_slope: float = 1.0
    double_offset: float = 0.0
    mm_per_px: tuple[float, ...] = (3.0, 6.0)
    bias: tuple[float, ...] = (0.0, 0.0)
    bias_slope: tuple[float, ...] = (0.0, 0.0)
    spread: tuple[float, ...] = (1.0, 1.4)
    spread_slope: tuple[float, ...] = (0.0, 0.0)
    shared: tuple[float, ...] = (0.4, 0.5)
    inflation: tuple[float, ...] = (1.2, 1.2)
    range_levels: tuple[float, float] = (0.9, 0.9)
    together: float = 12.0

    def error(self, tips: np.ndarray, mm_per_px: float) -> tuple[np.ndarray, np.ndarray]:
        """Bias and standard error of an estimate for plants that have so many tips.

        Between the distances fitted the lines are interpolated; beyond the coarsest the spread
        grows in proportion.
        """
        past = np.asarray(tips, np.float64) - MIDDLE_TIPS
        at = self.mm_per_px

        def line(middle: tuple[float, ...], slope: tuple[float, ...]) -> np.ndarray:
            found: np.ndarray = np.interp(mm_per_px, at, middle) + past * np.interp(
                mm_per_px, at, slope
            )
            return found

        wider = self._beyond(mm_per_px) * float(np.interp(mm_per_px, at, self.inflation))
        spread = np.maximum(line(self.spread, self.spread_slope), 0.25) * wider
        return line(self.bias, self.bias_slope), spread

    def shared_error(self, mm_per_px: float) -> float:
        """Standard error that the plants of one photo share."""
        wider = self._beyond(mm_per_px) * float(
            np.interp(mm_per_px, self.mm_per_px, self.inflation)
        )
        return float(np.interp(mm_per_px, self.mm_per_px, self.shared)) * wider

    def _beyond(self, mm_per_px: float) -> float:
        """How many times the coarsest distance fitted; errors grow in proportion from there."""
        return max(1.0, mm_per_px / self.mm_per_px[-1])

    def count_factor(self, mm_per_px: float) -> float:
        """What a count is multiplied with, for the plants that such photos usually miss."""
        bias = float(np.interp(mm_per_px, self.mm_per_px, self.count_bias))
        return float(np.exp(-bias))

    def count_doubt(self, plants: float, tips: float, mm_per_px: float) -> float:
        """Relative standard error of a count, by plants counted and tips of a plant.

        Beyond the coarsest distance fitted it grows in proportion. What plants have in common of
        it is at most `MOST_COUNT_DOUBT`.
        """
        shared = float(np.interp(mm_per_px, self.mm_per_px, self.count_error))
        shared *= self._beyond(mm_per_px)
        shared *= float(np.exp(self.count_growth * max(tips - CROWDED_TIPS, 0.0)))
        shared = min(shared, MOST_COUNT_DOUBT)
        return float(np.hypot(shared, self.count_spread / np.sqrt(max(plants, 1.0))))

    def double_probability(self, said: np.ndarray) -> np.ndarray:
        """P(a centre is two plants) by what the network says."""
        sure = np.clip(np.asarray(said, np.float64), 1e-4, 1 - 1e-4)
        odds = self.double_slope * np.log(sure / (1 - sure)) + self.double_offset
        found: np.ndarray = 1 / (1 + np.exp(-odds))
        return found

    def range_level(self, probabilities: np.ndarray) -> float:
        """What a range must hold for these probabilities of stages, (13,)."""
        ages = (YOUNG_STAGE, OLDER_STAGE)
        return float(np.interp(mean_stage(probabilities), ages, self.range_levels))

    def record(self) -> dict[str, Any]:
        """As it is written to the file."""
        return {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in vars(self).items()
        }


def mean_stage(probabilities: np.ndarray) -> float:
    """Mean of stages by their probabilities or shares, (13,)."""
    return float(probabilities @ np.arange(len(probabilities)) / probabilities.sum())


def load_above_calibration(path: str | Path | None = None) -> AboveCalibration:
    """Read the calibration; the cautious numbers of this file where there is none.

    Raises
    ------
    ModelError
        When the file is there and isn't a calibration.
    """
    found = Path(path) if path is not None else models_folder() / CALIBRATION_FILE
    if not found.is_file():
        return AboveCalibration()
    try:
        content = json.loads(found.read_text(encoding="utf-8"))
        known = AboveCalibration.__dataclass_fields__.keys() & content.keys()
        values: dict[str, Any] = {
            name: tuple(map(float, content[name]))
            if isinstance(content[name], list)
            else content[name]
            for name in known
        }
        loaded = AboveCalibration(**values)
        lengths = {
            len(column)
            for column in (
                loaded.mm_per_px,
                loaded.bias,
                loaded.bias_slope,
                loaded.spread,
                loaded.spread_slope,
                loaded.inflation,
                loaded.shared,
                loaded.count_bias,
                loaded.count_error,
            )
        }
        if len(loaded.range_levels) != 2:
            raise ValueError("two levels of ranges are wanted")
        if len(lengths) != 1 or sorted(loaded.mm_per_px) != list(loaded.mm_per_px):
            raise ValueError("columns of unlike length")
    except (OSError, ValueError, TypeError, AttributeError) as error:
        raise ModelError(
            f"The calibration {found} can't be read ({error}). Install the package again."
        ) from error
    return loaded
