"""Clusters: plants of one stop are more alike than plants of the field, and worth less.

The likeness is the intraclass correlation rho within stops, by one-way analysis of variance: of
stages where plants are meant at large, of yes or no where a share is, since a field may be patchy
in what is past V5 and even in what is past V3. A few stops tell it badly, so it is drawn towards a
likeness of our own choice that weighs as much as `_PRIOR_STOPS` stops. Kish's design effect
1 + (m - 1) rho, with m the number of plants a stop weighted by plants, says by how much the plants
are fewer than they seem: n plants tell what n / effect plants would tell, each from a place of its
own (Kish 1965, Survey Sampling, section 5.4, from memory). What it adds to 1 is widened by
Student's t against the normal deviate, squared, since it is known from few stops.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from collarvision.answer import count_of
from collarvision.evidence import PlantEvidence
from collarvision.sampling import Z

PRIOR_LIKENESS: Final = 0.2
_PRIOR_STOPS: Final = 2.0
_HARDLY: Final = 1.05
_NINE_OF_TEN: Final = 0.93  # a little over it: plants are whole, and so are stops


@dataclass(frozen=True)
class StopEffect:
    """How alike plants of one stop are, and what that costs.

    Attributes
    ----------
    stops : int
        0 when no plant has a stop; plants are then taken one by one.
    without : int
        Plants without a stop among others that have one: each counts as a place of its own.
    likeness : float
        Intraclass correlation within stops, 0 to 1.
    effect : float
        Design effect, 1 or more.
    """

    stops: int
    likeness: float
    effect: float
    without: int = 0

    @property
    def sentence(self) -> str:
        """Say it for a report."""
        if self.stops == 0:
            return (
                "No plant has a stop, so each counts as a place of its own: the intervals are too "
                "narrow if many were beside each other."
            )
        also = ""
        if self.without:
            said = "1 plant has" if self.without == 1 else f"{self.without} plants have"
            also = (
                f" {said} no stop and count{'s' if self.without == 1 else ''} as "
                f"{'a place' if self.without == 1 else 'places'} of "
                f"{'its' if self.without == 1 else 'their'} own: the intervals are too narrow if "
                "many were beside each other."
            )
        if self.effect < _HARDLY:
            return f"Few plants are from the same stop, so each counts almost in full.{also}"
        return (
            f"Plants of one stop are alike (correlation {self.likeness:.2f}): over "
            f"{count_of(self.stops, 'stop')} {self.effect:.1f} of them tell as much as one plant "
            f"alone.{also}"
        )


ALONE: Final = StopEffect(0, 0.0, 1.0)


def stop_effect(plants: Sequence[PlantEvidence]) -> StopEffect:
    """Estimate the design effect of plants that have an answer, by their stages.

    Plants without a stop among others that have one count as places of their own, as they do where
    no plant has one: to name the stop of one of them must not make the rest one clump.
    """
    seen = [p for p in plants if p.decided and p.best_stage is not None]
    return _effect([float(p.best_stage or 0) for p in seen], [p.stop for p in seen])


def share_effect(belongs: Sequence[bool], stops: Sequence[str | None]) -> StopEffect:
    """Estimate the design effect of a share, from which plants belong to it and their stops.

    Parameters
    ----------
    belongs : sequence of bool
    stops : sequence of str or None, as many
        None of a plant without a stop, which is a place of its own.
    """
    return _effect([float(one) for one in belongs], stops)


def _effect(values: Sequence[float], names: Sequence[str | None]) -> StopEffect:
    if all(name is None for name in names):
        return ALONE
    places = [(k, "") if name is None else (-1, name) for k, name in enumerate(names)]
    number = {place: k for k, place in enumerate(dict.fromkeys(places))}
    stop = np.array([number[place] for place in places])
    sizes = np.bincount(stop)
    found = _likeness(np.array(values), stop, sizes)
    told = float(len(sizes) - 1)
    likeness = PRIOR_LIKENESS if found is None else _pulled(found, told)
    a_stop = float((sizes**2).sum() / len(values))
    without = sum(name is None for name in names)
    effect = _design(a_stop, likeness, told)
    return StopEffect(len(sizes) - without, likeness, effect, without)


def effect_ahead(stops: int, a_stop: int, likeness: float | None = None) -> float:
    """Design effect to expect of a walk that is still to be made.

    Parameters
    ----------
    stops, a_stop : int
        Two stops or more, and plants at each.
    likeness : float, optional
        Within stops. Without it the one that nine of ten walks stay under whose plants are no more
        alike within stops than over the field, as it will be estimated from them (Fisher's F).

    Returns
    -------
    float
        1 or more.
    """
    if a_stop < 2:
        return 1.0
    if likeness is None:
        from scipy.special import fdtri  # not at the top: it would slow every command's start

        ratio = float(fdtri(stops - 1, stops * (a_stop - 1), _NINE_OF_TEN))
        found = max((ratio - 1) / (ratio + a_stop - 1), 0.0)
        likeness = _pulled(found, stops - 1)
    return _design(a_stop, likeness, stops - 1)


def _pulled(found: float, told: float) -> float:
    """A likeness that so many stops but one tell, pulled towards the prior."""
    return (told * found + _PRIOR_STOPS * PRIOR_LIKENESS) / (told + _PRIOR_STOPS)


def _design(a_stop: float, likeness: float, told: float) -> float:
    """Design effect of so many plants at each of `told` stops and one."""
    return 1 + (a_stop - 1) * likeness * _student_over_normal(told + _PRIOR_STOPS) ** 2


def _student_over_normal(freedom: float) -> float:
    """Ratio of the two-sided 95 % deviates."""
    from scipy.special import stdtrit  # not at the top: it would slow every command's start

    return float(stdtrit(freedom, 0.975)) / Z


def _likeness(values: np.ndarray, stop: np.ndarray, sizes: np.ndarray) -> float | None:
    """Intraclass correlation, 0 or more; None where the plants can't tell it."""
    plants, stops = len(values), len(sizes)
    if stops < 2 or plants <= stops or np.ptp(values) == 0:
        return None
    means = np.bincount(stop, values) / sizes
    between = float((sizes * (means - values.mean()) ** 2).sum()) / (stops - 1)
    within = float(((values - means[stop]) ** 2).sum()) / (plants - stops)
    a_stop = (plants - float((sizes**2).sum()) / plants) / (stops - 1)
    return max((between - within) / (between + (a_stop - 1) * within), 0.0)
