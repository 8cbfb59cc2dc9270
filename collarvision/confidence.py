"""Confidence: how safe a reading is alone, and what a scout should do when it isn't.

Confidence is the calibrated probability that the stage is exactly right. A reading is ``staged``
when it reaches the threshold that was set for a stated risk; otherwise a person counts by hand, or
there is nothing to count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from collarvision.calibration import Calibration, load_calibration
from collarvision.parts import Parts
from collarvision.plant import Plant
from collarvision.stage import StageBelief

if TYPE_CHECKING:
    from collarvision.quality import Finding

Outcome = Literal["staged", "hand-count", "rejected"]

REFUSE_AT = 0.5
"""From this probability a trouble with the photo is taken as certain."""

REJECT_AT = 0.8
"""From this probability there is held to be nothing to count; below it a person looks."""

SUSPECT_AT = 0.15
"""From this probability a trouble is named among the reasons."""

SENTENCES = {
    "no_plant": "No corn plant found: fill half of the frame with one plant and take it again.",
    "several": "More than one plant in view: put the board behind one plant alone.",
    "not_maize": "This does not look like corn: check the plant.",
    "cut_off": "The frame cuts the plant off: step back until all of it, and the soil, shows.",
    "blurred": "The photo is not sharp: hold still, touch the plant on the screen to focus.",
    "dark": "The photo is too dark: turn the plant's lit side to the camera, or use the flash.",
}
REJECTING = ("no_plant", "several", "not_maize")

POINTED_BELOW = 0.35
"""P(rounded) under which the lowest tip is seen to be pointed."""

POINTED_LOWEST = (
    "The lowest leaf found is pointed, and leaf 1 is round: look for leaf 1 or its scar, or split "
    "the stalk and count from the nodes."
)

MEASURED = {"cut_off": "plant_cut", "blurred": "blurred", "dark": "dark"}
"""Codes of the findings that measure what the network only suspects: their sentence says more."""

FEATURES = (
    "top_logit",
    "margin",
    "second_agrees",
    "second_probability",
    "count_agrees",
    "ladder_agrees",
    "ladder_probability",
    "weakest",
    "contested",
    "hidden",
    "tipless",
    "off_stalk",
    "side_breaks",
    "lost_doubt",
    "lost",
    "usable_logit",
    "small",
    "stage",
    "laid",
    "findings",
)
"""Names of all features, in the order of `features`."""


@dataclass(frozen=True)
class Verdict:
    """What may be done with a reading.

    Attributes
    ----------
    confidence : float
        Calibrated P(stage exactly right).
    outcome : 'staged', 'hand-count' or 'rejected'
    reasons : tuple of str
        Why it isn't staged, each with what to do; empty when it is.
    """

    confidence: float
    outcome: Outcome
    reasons: tuple[str, ...]


def judge(
    parts: Parts,
    plant: Plant,
    belief: StageBelief,
    findings: Sequence[Finding] = (),
    calibration: Calibration | None = None,
) -> Verdict:
    """Judge a reading.

    Parameters
    ----------
    parts, plant, belief
        What the earlier rooms found.
    findings : sequence of Finding
        What is wrong with the photo itself; one of severity ``stop`` keeps it from being staged.
    calibration : Calibration, optional
        Instead of the one that came with the package.
    """
    calibration = calibration or load_calibration()
    values = features(parts, plant, belief, findings)
    confidence = probability(values, calibration)
    trouble = _photo_trouble(parts)
    nothing = next((kind for kind in REJECTING if parts.usability[kind] >= REJECT_AT), None)
    if nothing is not None or not plant.leaves:
        return Verdict(min(confidence, 0.05), "rejected", (SENTENCES[nothing or "no_plant"],))
    stops = [finding.sentence for finding in findings if finding.severity == "stop"]
    if _pointed_leaf_1(plant):
        stops.append(POINTED_LOWEST)
    usable = parts.usability["ok"] >= calibration.usable_floor
    sure = confidence >= calibration.threshold
    if trouble is None and usable and sure and not stops:
        return Verdict(confidence, "staged", ())
    reasons = [*([_sentence(trouble, findings)] if trouble else []), *stops]
    if not reasons and not usable:
        reasons.append(_sentence(_worst(parts), findings))
    if not sure:
        reasons += _doubts(plant, belief, parts, values, findings)
        reasons += [f.sentence for f in findings if f.severity == "warning"]
    if trouble in ("blurred", "dark") and confidence < 0.3:
        return Verdict(confidence, "rejected", _unique(reasons))
    return Verdict(confidence, "hand-count", _unique(reasons))


def features(
    parts: Parts, plant: Plant, belief: StageBelief, findings: Sequence[Finding] = ()
) -> dict[str, float]:
    """Give what the confidence is a function of, by name (`FEATURES`)."""
    stage, p = belief.stage, belief.probabilities
    two = np.sort(p)[-2:]
    counted = [
        out
        for out, leaf in zip(belief.leaf_probabilities, plant.leaves, strict=True)
        if leaf.counts
    ]
    whorl = [
        out
        for out, leaf in zip(belief.leaf_probabilities, plant.leaves, strict=True)
        if not leaf.counts
    ]
    cells = plant.length_px / parts.px_per_map_px
    return {
        "top_logit": _logit(p[stage]),
        "margin": float(two[1] - two[0]),
        "second_agrees": float(belief.second_opinion.argmax() == stage),
        "second_probability": float(belief.second_opinion[stage]),
        "count_agrees": float(belief.count.argmax() == stage),
        "ladder_agrees": float(belief.ladder.argmax() == stage),
        "ladder_probability": float(belief.ladder[stage]),
        "weakest": min(counted, default=0.5),
        "contested": max(whorl, default=0.0),
        "hidden": float(sum(leaf.kind == "hidden" for leaf in plant.leaves)),
        "tipless": float(sum(leaf.kind == "tipless" for leaf in plant.leaves)),
        "off_stalk": float(min(plant.stray + plant.merged, 4)),
        "side_breaks": float(plant.side_breaks),
        "lost_doubt": float(1.0 - plant.lost.max()),
        "lost": float(plant.lost @ np.arange(len(plant.lost))),
        "usable_logit": _logit(parts.usability["ok"]),
        # Few photo px a map cell: the crop was enlarged, and a collar is a smear.
        "small": float(np.clip(np.log2(4.0 / parts.px_per_map_px), 0.0, 4.0)) + float(cells < 60.0),
        "stage": stage / 10.0,
        "laid": plant.laid,
        "findings": float(sum(finding.severity == "warning" for finding in findings)),
    }


def probability(values: dict[str, float], calibration: Calibration) -> float:
    """P(stage exactly right) by the fitted logistic regression."""
    z = calibration.intercept + sum(
        weight * values[name] for name, weight in calibration.weights.items()
    )
    return float(1.0 / (1.0 + np.exp(-np.clip(z, -30.0, 30.0))))


def _pointed_leaf_1(plant: Plant) -> bool:
    """Whether the leaf taken as leaf 1 is seen to end in a point, which leaf 1 never does.

    Counting what is left would read low, and that is the error that costs a crop; so no confidence
    outweighs it. The first true leaf is the rounded one: R.L. Nielsen, Purdue University, May 2019.
    """
    lowest = plant.leaves[0]
    return (
        int(plant.lost.argmax()) == 0 and lowest.tip is not None and lowest.rounded < POINTED_BELOW
    )


def _photo_trouble(parts: Parts) -> str | None:
    worst = _worst(parts)
    return worst if parts.usability[worst] >= REFUSE_AT else None


def _sentence(trouble: str, findings: Sequence[Finding]) -> str:
    measured = [f.sentence for f in findings if f.code == MEASURED.get(trouble)]
    return measured[0] if measured else SENTENCES[trouble]


def _worst(parts: Parts) -> str:
    return max((name for name in parts.usability if name != "ok"), key=parts.usability.__getitem__)


def _doubts(
    plant: Plant,
    belief: StageBelief,
    parts: Parts,
    values: dict[str, float],
    findings: Sequence[Finding],
) -> list[str]:
    """Say what makes the stage unsure, the weightiest first."""
    said: list[str] = []
    worst = _worst(parts)
    if SUSPECT_AT <= parts.usability[worst] < REFUSE_AT:
        said.append(_sentence(worst, findings))
    if values["lost_doubt"] > 0.25:
        said.append(
            "Not sure how many lower leaves are lost: split the stalk and count from the nodes."
        )
    whorl = [
        (out, leaf)
        for out, leaf in zip(belief.leaf_probabilities, plant.leaves, strict=True)
        if leaf.kind == "whorl"
    ]
    if values["contested"] > 0.15 and whorl:
        leaf = max(whorl, key=lambda pair: pair[0])[1]
        said.append(
            f"The collar of leaf {leaf.rank} may just be clearing: look there with your own eyes."
        )
    if values["hidden"]:
        said.append("A collar is hidden behind a blade: take one more photo from the other side.")
    if not values["second_agrees"]:
        other = int(belief.second_opinion.argmax())
        name = "VE" if other == 0 else f"V{other}"
        said.append(f"A second opinion reads {name}: count the collars by hand.")
    if values["small"] >= 1.0 and not any(f.code == "plant_small" for f in findings):
        said.append("The plant is small in the photo: come closer, so that collars can be seen.")
    if not said:
        low, high = np.sort(belief.probabilities.argsort()[-2:])
        said.append(f"Could be {_name(low)} or {_name(high)}: count the collars by hand.")
    return said


def _name(stage: int) -> str:
    return "VE" if stage == 0 else f"V{stage}"


def _unique(reasons: list[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(reasons))


def _logit(p: float) -> float:
    p = float(np.clip(p, 1e-3, 1 - 1e-3))
    return float(np.log(p / (1.0 - p)))
