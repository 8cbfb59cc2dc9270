"""Confidence: how safe a reading is alone, and what a scout should do when it isn't.

Confidence is the calibrated probability that the stage is exactly right. A reading is ``staged``
when it reaches the threshold that was set for a stated risk; otherwise a person counts by hand, or
there is nothing to count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from collarvision.answer import Outcome, stage_name
from collarvision.calibration import Calibration, load_calibration
from collarvision.lost import ROUND_FROM
from collarvision.network import BLADE, STALK
from collarvision.parts import Parts
from collarvision.plant import Leaf, Plant
from collarvision.stage import COUNTS_FROM, StageBelief, lowest_numbered

if TYPE_CHECKING:
    from collarvision.quality import Finding

REFUSE_AT = 0.5
"""From this probability a trouble with the photo is taken as certain."""

REJECT_AT = 0.8
"""From this probability there is held to be nothing to count; below it a person looks."""

OK_FROM = 0.5
"""From this probability that the photo is sound it is held to show a plant, leaves found or not."""

NOTHING_FROM = 0.5
"""From this probability that no maize is there a photo without leaves shows none."""

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
MAYBE = {
    "no_plant": "There may be no corn plant in view: see that one plant fills half of the frame.",
    "several": "There may be more than one plant in view: if so, put the board behind one alone.",
    "not_maize": "This may not be corn: check the plant.",
    "cut_off": (
        "The frame may cut the plant off: see that all of it, down to soil or roots, is in the "
        "photo."
    ),
    "blurred": "The photo may not be sharp: if so, hold still and take it again.",
    "dark": "The photo may be too dark: if so, take it again in more light.",
}
"""Said of a trouble under `REFUSE_AT` that nothing measured: a guess is no fact."""

REJECTING = ("no_plant", "several", "not_maize")

POINTED_BELOW = 0.35
"""P(rounded) under which the lowest tip is seen to be pointed."""

POINTED_LOWEST = (
    "The lowest leaf found is pointed, and leaf 1 is round: look for leaf 1 or its scar, or split "
    "the stalk and count from the nodes."
)

ROUND_UNSEEN = (
    "The lowest leaf found doesn't surely end round, as leaf 1 does: look for leaf 1 or its scar."
)

SHOWN_TIP = 0.3
"""Least score of a tip that is seen: under it no record lists it, and no rule rests on it."""

SMALL = "plant_small"
SMALL_TO_STAGE = 1
"""Up to this stage few pixels alone send no plant to a person: a seedling that is just out is small
in every photo. Of 8,448 own photos 143 of VE and V1 under `quality.SMALL_STOP_PX` were sure enough,
1 wrong; of V2 and more none was right."""

LEAVES_UNSEEN = (
    "There is a plant, but none of its leaves could be told apart: come closer, or count by hand."
)

MEASURED = {
    "cut_off": "plant_cut",
    "several": "several_plants",
    "blurred": "blurred",
    "dark": "dark",
}
"""Codes of the findings that measure what the network only suspects: their sentence says more."""

LEAFLESS_AT_MOST = 0.85
"""Confidence where no leaf could be told apart. Nearly all such plants are VE and so called, but
with no leaf to go by nothing in the photo tells the others: of own photos 59 of 67 are right."""

NO_FOOT = "The plant's foot wasn't found: show all of it, down to soil or roots, or count by hand."
"""Without it nobody knows which way is up, nor whether the lowest leaf seen is the lowest."""

LOST_DOUBT = 0.25
"""From this doubt about the number of lost leaves on a person counts. Of 1,087 own photos that
would be staged otherwise it keeps four back, all right."""

LOST_UNSURE = "Not sure how many lower leaves are lost: split the stalk and count from the nodes."

LOST_UNSEEN = (
    "A lower leaf is taken as lost, but the lowest one isn't seen to be pointed: split the stalk "
    "and count from the nodes."
)
"""A stage that says what can't be seen needs a sign that can. Beside the other rules it keeps none
of 1,043 own photos back: it is for plants of another kind."""

UNCOUNTED = (
    "A collar was found that isn't among those counted: look at each of them with your own eyes."
)
"""Of 1,043 own photos that would be staged otherwise it keeps two back, both right."""

HIDDEN = "A collar is hidden behind a blade: take one more photo from the other side."

UNCLEAR = 0.7
"""From this probability, by the look of its tip, that a leaf's collar is out although none is seen,
a person looks there. Our own choice: it costs one accepted photo in thirty, and of own photos sure
otherwise it keeps one wrong stage in eight from being told."""


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
    overruling : tuple of str
        Those of them that are each enough alone, however sure the stage is.
    """

    confidence: float
    outcome: Outcome
    reasons: tuple[str, ...]
    overruling: tuple[str, ...] = ()


def judge(
    parts: Parts,
    plant: Plant,
    belief: StageBelief,
    findings: Sequence[Finding] = (),
    calibration: Calibration | None = None,
    *,
    careful: bool = False,
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
    careful : bool
        Whether the parts come from a closer look, whose beliefs have a calibration of their own.
    """
    calibration = calibration or load_calibration()
    confidence = confidence_of(belief, calibration, careful=careful)
    trouble = _photo_trouble(parts)
    nothing = next((kind for kind in REJECTING if parts.usability[kind] >= REJECT_AT), None)
    if nothing is None and not plant.leaves:
        if parts.usability["no_plant"] + parts.usability["not_maize"] < NOTHING_FROM:
            # A seedling whose leaves are too small or blurred to be told apart is a plant still.
            low = min(confidence, LEAFLESS_AT_MOST)
            why = LEAVES_UNSEEN
            outcome: Outcome = "hand-count"
            if parts.usability["ok"] < OK_FROM:
                worst = _worst(parts)
                why = _sentence(parts, findings)
                outcome = "rejected" if _spoilt(worst, findings) else outcome
            if outcome == "rejected" or _any_plant(parts):
                return Verdict(low, outcome, (why,), (why,))
        nothing = "no_plant"
    if nothing is not None:
        return Verdict(min(confidence, 0.05), "rejected", (SENTENCES[nothing],))
    if belief.stage <= SMALL_TO_STAGE:
        findings = [replace(f, severity="warning") if f.code == SMALL else f for f in findings]
    stops = [finding.sentence for finding in findings if finding.severity == "stop"]
    lost = belief.numbers.below
    rounded = _lowest_rounded(plant, belief)
    if plant.base is None or parts.base is None:  # the stalk's end alone is no foot
        stops.append(NO_FOOT)
    if belief.stage > 0 and lost == 0:
        stops += _no_leaf_1(rounded)
    unclear = _unclear_collar(plant, belief.stage)
    if unclear is not None:
        stops.append(
            f"The collar of leaf {unclear.rank} may just be clearing: look there with your own "
            "eyes."
        )
    if 1.0 - plant.lost.max() > LOST_DOUBT:
        stops.append(LOST_UNSURE)
    if _hidden(plant, belief):
        stops.append(HIDDEN)
    if lost > 0 and (rounded is None or rounded >= POINTED_BELOW):
        stops.append(LOST_UNSEEN)
    # Nobody could stand behind a stage that the collars marked in the photo don't show. Of 1,043
    # own photos that would be staged otherwise this keeps ten back, nine of them right.
    added_up = sum(belief.counted) + lost
    if added_up != belief.stage:
        stops.append(
            f"The collars found{' and the leaves taken as lost' if lost else ''} add up to "
            f"{stage_name(added_up)}, not {stage_name(belief.stage)}: count them by hand."
        )
    elif len(_out(plant, belief)) > sum(belief.counted):
        stops.append(UNCOUNTED)
    usable = parts.usability["ok"] >= calibration.usable_floor
    sure = confidence >= calibration.threshold
    if trouble is None and usable and sure and not stops:
        return Verdict(confidence, "staged", ())
    reasons = [*([_sentence(parts, findings)] if trouble else []), *stops]
    if not reasons and not usable:
        reasons.append(_sentence(parts, findings))
    overruling = _unique(reasons)
    if not sure:
        reasons += _doubts(plant, belief, parts, findings, told=added_up != belief.stage)
        reasons += [f.sentence for f in findings if f.severity == "warning"]
    if _spoilt(trouble, findings) and confidence < 0.3:
        return Verdict(confidence, "rejected", _unique(reasons), overruling)
    return Verdict(confidence, "hand-count", _unique(reasons), overruling)


def confidence_of(belief: StageBelief, calibration: Calibration, *, careful: bool = False) -> float:
    """P(stage exactly right): the pooled belief in the stage, made true by two fitted numbers.

    The belief already weighs everything that was seen. More features than it (sizes, counts of
    oddities, the light) fit a set of photos better and hold worse on photos of another kind.
    """
    intercept, slope = calibration.careful_sure if careful else calibration.sure
    z = intercept + slope * top_logit(belief)
    return float(1.0 / (1.0 + np.exp(-np.clip(z, -30.0, 30.0))))


def top_logit(belief: StageBelief) -> float:
    """Log odds of the believed stage."""
    p = float(np.clip(belief.probabilities[belief.stage], 1e-3, 1 - 1e-3))
    return float(np.log(p / (1.0 - p)))


def look_closer_at(verdict: Verdict, calibration: Calibration) -> bool:
    """Whether a closer look is worth its time: the stage is sure, or might become so.

    A sure stage as well: a top collar that has just cleared melts with the one below into a single
    clean peak, so that the first looks are sure of one collar less and nothing in them says so.
    """
    return verdict.outcome != "rejected" and calibration.closer_from <= verdict.confidence


def _any_plant(parts: Parts) -> bool:
    """Whether any cell or any foot is a plant's: how sound a photo looks says nothing of that."""
    return parts.base is not None or bool(np.isin(parts.classes, (BLADE, STALK)).any())


def _lowest_rounded(plant: Plant, belief: StageBelief) -> float | None:
    """P(rounded) of the lowest leaf that has a number; None where its tip isn't seen."""
    at = lowest_numbered(belief.numbers)
    if at is None:
        return None
    lowest = plant.leaves[at]
    return lowest.rounded if lowest.tip is not None and lowest.tip.score >= SHOWN_TIP else None


def _no_leaf_1(rounded: float | None) -> list[str]:
    """What speaks against the lowest leaf, taken as leaf 1, by P(rounded) of its tip.

    Another leaf taken as leaf 1 makes the count of what is left read low, and that is the error
    that costs a crop; so no confidence outweighs it. The first true leaf is the rounded one: R.L.
    Nielsen, Purdue University, May 2019. Of 23 own photos read as V1, sure, whose lowest tip isn't
    seen 5 were wrong, each one leaf too low.
    """
    if rounded is not None and rounded < POINTED_BELOW:
        return [POINTED_LOWEST]
    return [ROUND_UNSEEN] if rounded is None or rounded < ROUND_FROM else []


def _unclear_collar(plant: Plant, stage: int) -> Leaf | None:
    """The next leaf to clear, if it looks as if its collar were out.

    Leaves clear in order: the look of one further up, or of one that is counted already, says
    nothing.
    """
    whorl = [leaf for leaf in plant.leaves if leaf.kind == "whorl" and leaf.rank == stage + 1]
    youngest = max(whorl, key=lambda leaf: leaf.tip_collared, default=None)
    return youngest if youngest is not None and youngest.tip_collared >= UNCLEAR else None


def _hidden(plant: Plant, belief: StageBelief) -> bool:
    """Whether a collar that counts isn't seen: only a guess says that it is out."""
    return any(leaf.kind == "hidden" for leaf in _out(plant, belief))


def _out(plant: Plant, belief: StageBelief) -> list[Leaf]:
    """Leaves whose collar is more likely out than not, bottom up, counted in the stage or not."""
    chances = zip(plant.leaves, belief.leaf_probabilities, strict=True)
    return [leaf for leaf, p in chances if p >= COUNTS_FROM]


def _photo_trouble(parts: Parts) -> str | None:
    worst = _worst(parts)
    return worst if parts.usability[worst] >= REFUSE_AT else None


def _sentence(parts: Parts, findings: Sequence[Finding]) -> str:
    """What is said of the likeliest trouble: as measured, as certain, or as what may be."""
    trouble = _worst(parts)
    measured = (f.sentence for f in findings if f.code == MEASURED.get(trouble))
    said = (SENTENCES if _photo_trouble(parts) else MAYBE)[trouble]
    return _few_pixels(trouble, findings) or next(measured, said)


def _few_pixels(trouble: str | None, findings: Sequence[Finding]) -> str | None:
    """What to do where few pixels look like blur: come closer, since focusing won't help."""
    small = (f.sentence for f in findings if f.code == SMALL and trouble == "blurred")
    return next(small, None)


def _spoilt(trouble: str | None, findings: Sequence[Finding]) -> bool:
    """Whether the photo itself is past reading, so that a guess at the stage would mislead."""
    return trouble in ("blurred", "dark") and _few_pixels(trouble, findings) is None


def _worst(parts: Parts) -> str:
    return max((name for name in parts.usability if name != "ok"), key=parts.usability.__getitem__)


def _doubts(
    plant: Plant, belief: StageBelief, parts: Parts, findings: Sequence[Finding], *, told: bool
) -> list[str]:
    """Say what makes the stage unsure, the weightiest first; `told`: which stages, is said."""
    said: list[str] = []
    if SUSPECT_AT <= parts.usability[_worst(parts)] < REFUSE_AT:
        said.append(_sentence(parts, findings))
    twin = next((leaf for leaf in reversed(plant.leaves) if leaf.kind == "twin"), None)
    if twin is not None:
        said.append(
            f"Two collars may stand close together at collar {twin.rank}: look there with your own "
            "eyes."
        )
    if any(leaf.kind == "hidden" for leaf in plant.leaves):
        said.append(HIDDEN)
    other = int(belief.second_opinion.argmax())
    if other != belief.stage:
        said.append(f"A second opinion reads {stage_name(other)}: count the collars by hand.")
    if _small(plant, parts) and not any(f.code == SMALL for f in findings):
        said.append("The plant is small in the photo: come closer, so that collars can be seen.")
    if not said and not told:
        low, high = np.sort(belief.probabilities.argsort()[-2:])
        said.append(f"Could be {stage_name(low)} or {stage_name(high)}: count the collars by hand.")
    return said


def _small(plant: Plant, parts: Parts) -> bool:
    """Whether the crop was enlarged twofold, or the plant fills little of it."""
    return parts.px_per_map_px <= 2.0 or plant.length_px < 60.0 * parts.px_per_map_px


def _unique(reasons: list[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(reasons))
