"""Stage: a probability over VE, V1 .. V12, with the evidence for it.

V-n is n leaves with visible collars, counted from the rounded first leaf; leaves lost below still
count, leaves in the whorl don't (R.L. Nielsen, Purdue University, May 2019).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from collarvision.answer import stage_name
from collarvision.calibration import Calibration, load_calibration
from collarvision.ladder import Numbers, Rung, number_leaves, stage_on_ladder
from collarvision.lost import LOST_MAX, first_leaf_numbered, taken_as_lost
from collarvision.network import STAGE_COUNT
from collarvision.parts import Parts
from collarvision.plant import Leaf, Plant

FLOOR = 0.002
"""No opinion may rule a stage out alone."""

COUNTS_FROM = 0.5
"""P(a leaf, and its collar out) from which a leaf counts: more likely than not."""

FIRST_SIGHT = 0.35
"""Weight of what was believed before a closer look; the rest is the closer look's. Both see the
plant at another scale and err on other photos: own log likelihood is flat from 0.2 to 0.5."""


@dataclass(frozen=True)
class StageBelief:
    """What is believed of the stage; every distribution is over VE, V1 .. V12.

    Attributes
    ----------
    probabilities : ndarray, (13,)
        The pooled belief.
    stage : int
        The most probable stage; 0 is VE.
    ladder, count, second_opinion : ndarray, (13,)
        The three opinions it is pooled from: leaves set on the rungs of the leaf numbers, collars
        counted one by one, and the network's own count with the leaves lost below it.
    leaf_probabilities : tuple of float
        P(it is a leaf and its collar is out) of each leaf of the plant, bottom up.
    numbers : Numbers
        Leaf numbers, and leaves lost below, that agree with the stage.
    counted : tuple of bool
        Whether each leaf is among those that make the stage: it counts by its probability, and has
        a number up to the stage.
    evidence : tuple of str
    """

    probabilities: np.ndarray
    stage: int
    ladder: np.ndarray
    count: np.ndarray
    second_opinion: np.ndarray
    leaf_probabilities: tuple[float, ...]
    numbers: Numbers
    counted: tuple[bool, ...]
    evidence: tuple[str, ...]


def believe(
    plant: Plant,
    parts: Parts,
    calibration: Calibration | None = None,
    *,
    before: StageBelief | None = None,
) -> StageBelief:
    """Pool what the leaf numbers, the count of collars and the second opinion say of the stage.

    After a closer look what was believed `before` it still counts, by `FIRST_SIGHT`.
    """
    calibration = calibration or load_calibration()
    rungs = [rung(leaf, calibration) for leaf in plant.leaves]
    cleared = np.array([r.real * r.out for r in rungs])
    above = plant.anchor
    opinions = {
        "ladder": stage_on_ladder(rungs[above:], plant.below, calibration.rank_sigma),
        "count": _fold(np.convolve(count_distribution(cleared[above:]), plant.below)),
        "second": _fold(np.convolve(parts.collar_counts, plant.lost)),
    }
    probabilities = pool(opinions, calibration.pool)
    if before is not None:
        sights = {"before": before.probabilities, "now": probabilities}
        weights = {"before": FIRST_SIGHT, "now": 1.0 - FIRST_SIGHT}
        probabilities = pool(sights, weights, floor=0.0)  # each has been given one already
    stage = int(probabilities.argmax())
    numbers = number_leaves(rungs, plant.lost, calibration.rank_sigma, stage)
    counted = tuple(
        bool(p >= COUNTS_FROM and rank is not None and rank <= stage)
        for p, rank in zip(cleared, numbers.ranks, strict=True)
    )
    second = int(opinions["second"].argmax())
    return StageBelief(
        probabilities=probabilities,
        stage=stage,
        ladder=opinions["ladder"],
        count=opinions["count"],
        second_opinion=opinions["second"],
        leaf_probabilities=tuple(float(p) for p in cleared),
        numbers=numbers,
        counted=counted,
        evidence=(
            *_seen(plant, counted),
            *_lost(plant, numbers),
            *_whorl(_renumbered(plant, numbers), cleared),
            *((f"The second opinion says {stage_name(second)}.",) if second != stage else ()),
        ),
    )


def lowest_numbered(numbers: Numbers) -> int | None:
    """Index of the lowest leaf that has a number; None where none has."""
    return next((n for n, rank in enumerate(numbers.ranks) if rank is not None), None)


def numbered(plant: Plant, belief: StageBelief) -> Plant:
    """The plant, its leaves numbered as the stage demands, and leaf 1 there if they say so."""
    there = first_leaf_numbered(plant.first_leaf, belief.numbers.below)
    return replace(_renumbered(plant, belief.numbers), first_leaf=there)


def _renumbered(plant: Plant, numbers: Numbers) -> Plant:
    ranks = zip(plant.leaves, numbers.filled, strict=True)
    return replace(plant, leaves=tuple(replace(leaf, rank=rank) for leaf, rank in ranks))


def rung(leaf: Leaf, calibration: Calibration) -> Rung:
    """What is known of a leaf, from the separate opinions of its collar and its tip."""
    collar = logit(leaf.collar_score)
    shown = logit(leaf.tip.score) if leaf.tip else 0.0
    a, b, c = calibration.real[leaf.kind]
    real = _logistic(a + b * collar + c * shown)
    a, b, c = calibration.out[leaf.kind]
    out = _logistic(a + b * collar + c * logit(leaf.tip_collared))
    return Rung(real, out, leaf.network_rank, leaf.turn)


def count_distribution(probabilities: np.ndarray) -> np.ndarray:
    """Poisson-binomial: distribution (n + 1,) of successes in n independent trials."""
    p = np.ones(1)
    for success in probabilities:
        p = np.convolve(p, [1.0 - success, success])
    return p


def pool(
    opinions: dict[str, np.ndarray], weights: dict[str, float], floor: float = FLOOR
) -> np.ndarray:
    """Log-linear pool: the weighted product of the opinions, scaled to sum to 1.

    Its use for opinions that share information, with weights under one each: C. Genest and
    J. Zidek, 1986, Statistical Science 1:114-135 (cited from memory).
    """
    log_p = np.zeros(STAGE_COUNT)
    for name, opinion in opinions.items():
        log_p += weights[name] * np.log(opinion + floor)
    p = np.exp(log_p - log_p.max())
    return np.asarray(p / p.sum())


def _fold(p: np.ndarray) -> np.ndarray:
    """Fold everything past V12 into V12, and pad with zeros up to it."""
    folded = np.zeros(STAGE_COUNT)
    np.add.at(folded, np.minimum(np.arange(len(p)), STAGE_COUNT - 1), p)
    return folded


def _seen(plant: Plant, counted: tuple[bool, ...]) -> list[str]:
    """How many of the leaves that make the stage show their collar."""
    likely = [leaf for leaf, counts in zip(plant.leaves, counted, strict=True) if counts]
    seen = sum(leaf.collar is not None for leaf in likely)
    hidden = sum(leaf.kind == "hidden" for leaf in likely)
    said = [f"{seen or 'No'} collar{'' if seen == 1 else 's'} seen."]
    return [*said, f"{hidden} more hidden behind a blade."] if hidden else said


def _lost(plant: Plant, numbers: Numbers) -> tuple[str, ...]:
    """What tells of lost leaves; what the lowest sure leaf shows only where it is the lowest."""
    agreed = int(plant.lost.argmax()) == min(numbers.below, LOST_MAX)
    if agreed and lowest_numbered(numbers) in (None, plant.anchor):
        return plant.evidence
    return taken_as_lost(numbers.below)


def _whorl(plant: Plant, out: np.ndarray) -> list[str]:
    """What is said of the leaves above the stage, and of one that may be missed."""
    said = []
    whorl = [(p, leaf) for p, leaf in zip(out, plant.leaves, strict=True) if leaf.kind == "whorl"]
    if whorl:
        p, leaf = max(whorl, key=lambda pair: pair[0])
        if p >= 0.25:
            said.append(f"The collar of leaf {leaf.rank} may just be clearing ({p:.0%}).")
        else:
            count = len(whorl)
            said.append(
                f"{count} younger {'leaf' if count == 1 else 'leaves'} not counted: "
                f"{'its collar is' if count == 1 else 'their collars are'} still in the whorl."
            )
    if plant.side_breaks:
        said.append("Two neighbouring leaves point to one side: a leaf between may be missed.")
    return said


def logit(p: float) -> float:
    """Log odds, kept within what a single score can say."""
    p = min(max(p, 0.005), 0.995)
    return float(np.log(p / (1.0 - p)))


def _logistic(z: float) -> float:
    return float(1.0 / (1.0 + np.exp(-z)))
