"""Stage: a probability over VE, V1 .. V12, with the evidence for it.

V-n is n leaves with visible collars, counted from the rounded first leaf; leaves lost below still
count, leaves in the whorl don't (R.L. Nielsen, Purdue University, May 2019).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from collarvision.calibration import Calibration, load_calibration
from collarvision.network import STAGE_COUNT
from collarvision.parts import Parts
from collarvision.plant import Leaf, Plant

FLOOR = 0.002
"""No opinion may rule a stage out alone."""


@dataclass(frozen=True)
class StageBelief:
    """What is believed of the stage; every distribution is over VE, V1 .. V12.

    Attributes
    ----------
    probabilities : ndarray, (13,)
        The pooled belief.
    stage : int
        The most probable stage; 0 is VE.
    structure, second_opinion, by_rank : ndarray, (13,)
        The three opinions it is pooled from: collars counted one by one, the network's ordinal
        head, and the network's leaf number at the top collar.
    leaf_probabilities : tuple of float
        P(its collar is out) of each leaf of the plant, bottom up.
    evidence : tuple of str
    """

    probabilities: np.ndarray
    stage: int
    structure: np.ndarray
    second_opinion: np.ndarray
    by_rank: np.ndarray
    leaf_probabilities: tuple[float, ...]
    evidence: tuple[str, ...]


def believe(plant: Plant, parts: Parts, calibration: Calibration | None = None) -> StageBelief:
    """Pool what the structure, the leaf number and the second opinion say of the stage."""
    calibration = calibration or load_calibration()
    out = np.array([leaf_probability(leaf, calibration) for leaf in plant.leaves])
    structure = _fold(np.convolve(count_distribution(out), plant.lost))
    by_rank = rank_distribution(
        out, np.array([leaf.network_rank for leaf in plant.leaves]), calibration.rank_sigma
    )
    second = parts.stage_probabilities
    probabilities = pool(
        {"structure": structure, "second": second, "rank": by_rank}, calibration.pool
    )
    stage = int(probabilities.argmax())
    return StageBelief(
        probabilities=probabilities,
        stage=stage,
        structure=structure,
        second_opinion=second,
        by_rank=by_rank,
        leaf_probabilities=tuple(float(p) for p in out),
        evidence=_evidence(plant, out, stage, second),
    )


def leaf_probability(leaf: Leaf, calibration: Calibration) -> float:
    """P(this leaf's collar is out), from the two opinions of it and its kind."""
    intercept, of_collar, of_tip = calibration.leaf[leaf.kind]
    z = intercept + of_collar * _logit(leaf.collar_score) + of_tip * _logit(leaf.tip_collared)
    return float(1.0 / (1.0 + np.exp(-z)))


def count_distribution(probabilities: np.ndarray) -> np.ndarray:
    """Poisson-binomial: distribution (n + 1,) of successes in n independent trials."""
    p = np.ones(1)
    for success in probabilities:
        p = np.convolve(p, [1.0 - success, success])
    return p


def rank_distribution(out: np.ndarray, ranks: np.ndarray, sigma: float) -> np.ndarray:
    """Distribution of the leaf number of the top collared leaf.

    Parameters
    ----------
    out : ndarray, (n,)
        P(collar is out) of each leaf, bottom up.
    ranks : ndarray, (n,)
        The network's leaf numbers, lost leaves counted.
    sigma : float
        Error of a leaf number.
    """
    stages = np.arange(STAGE_COUNT)
    p = np.zeros(STAGE_COUNT)
    none_above = 1.0
    for success, rank in zip(out[::-1], ranks[::-1], strict=True):
        likelihood = np.exp(-0.5 * ((stages - np.clip(rank, 1.0, STAGE_COUNT - 1)) / sigma) ** 2)
        p += none_above * success * likelihood / likelihood.sum()
        none_above *= 1.0 - success
    p[0] += none_above
    return p


def pool(opinions: dict[str, np.ndarray], weights: dict[str, float]) -> np.ndarray:
    """Log-linear pool: the weighted product of the opinions, scaled to sum to 1.

    Its use for opinions that share information, with weights under one each: C. Genest and
    J. Zidek, 1986, Statistical Science 1:114-135 (cited from memory).
    """
    log_p = np.zeros(STAGE_COUNT)
    for name, opinion in opinions.items():
        log_p += weights[name] * np.log(opinion + FLOOR)
    p = np.exp(log_p - log_p.max())
    return np.asarray(p / p.sum())


def _fold(p: np.ndarray) -> np.ndarray:
    """Fold everything past V12 into V12, and pad with zeros up to it."""
    folded = np.zeros(STAGE_COUNT)
    np.add.at(folded, np.minimum(np.arange(len(p)), STAGE_COUNT - 1), p)
    return folded


def _evidence(plant: Plant, out: np.ndarray, stage: int, second: np.ndarray) -> tuple[str, ...]:
    seen = sum(leaf.collar is not None for leaf in plant.leaves)
    hidden = sum(leaf.kind == "hidden" for leaf in plant.leaves)
    said = [f"{seen or 'No'} collar{'' if seen == 1 else 's'} seen."]
    if hidden:
        said.append(f"{hidden} more hidden behind a blade.")
    said += plant.evidence
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
    other = int(second.argmax())
    if other != stage:
        said.append(f"The second opinion says {'VE' if other == 0 else f'V{other}'}.")
    return tuple(said)


def _logit(p: float) -> float:
    p = min(max(p, 0.005), 0.995)
    return float(np.log(p / (1.0 - p)))
