"""Together: what several photos of one plant say of it.

The collar that a blade hides from one side may show from the other. Each photo is read by itself;
here their answers become the plant's. It works on records, so that photos which a survey has read
long ago can be put together too.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from collarvision.answer import Outcome, Reading, stage_name
from collarvision.jointheight import joint_height
from collarvision.network import STAGE_COUNT

ALIKE: Final = 0.40
"""How far photos of one plant err alike: n of them count as n / (1 + (n - 1) ALIKE).

Fitted by log likelihood on 511 plants rendered from both sides (`training.bothsides`), where it is
flat from 0.2 to 0.7. More than two photos of a plant have not been measured."""

SURE: Final = (-0.15, 1.04)
"""Intercept and slope that make the pooled belief's log odds a confidence; fitted there too."""

ENOUGH: Final = 0.92
"""Confidence from which several photos settle a plant. On those plants 2 wrong in 100 ask for
0.911, as one photo's threshold is found; rounded up, since it is asked of the
plants that the two numbers above were fitted to."""

FLOOR: Final = 1e-3
"""No photo rules a stage out alone; records leave out what is less probable."""

FAR_APART: Final = 3
"""Photos whose stages differ by so many may show two plants. Our own choice: of 300 plants rendered
from both sides one was read so."""

_STAGES: Final = {stage_name(k): k for k in range(STAGE_COUNT)}


@dataclass(frozen=True)
class Together:
    """A plant's answer.

    Attributes
    ----------
    outcome : 'staged', 'hand-count' or 'rejected'
    stage : int or None
    probabilities : tuple of float
        Over VE, V1 ... V12; empty without a stage.
    confidence : float or None
        Calibrated probability that `stage` is right.
    reasons : tuple of str
        Why it isn't staged, each with what to do.
    height_mm, height_interval_mm : float, (float, float), or None
    lead : int
        The photo that shows the plant best: one of its stage, of those one that nothing overrules,
        of those the surest.
    height_from : int or None
        The photo whose rule and basis the height is told by, see `collarvision.jointheight`; None
        where `lead` alone says all.
    overruling : tuple of str
        Those of the reasons that are each enough alone, however sure the stage is.
    """

    outcome: Outcome
    stage: int | None
    probabilities: tuple[float, ...]
    confidence: float | None
    reasons: tuple[str, ...]
    height_mm: float | None
    height_interval_mm: tuple[float, float] | None
    lead: int
    height_from: int | None = None
    overruling: tuple[str, ...] = ()


def put_together(records: Sequence[Mapping[str, Any]]) -> Together:
    """Give one plant's answer from the records of its photos.

    Rejected photos say nothing, and the same picture twice says it once. A plant is staged when the
    pooled belief is sure enough (`ENOUGH`), a photo reads that stage itself, none that would be
    staged alone reads another, their heights don't contradict each other, and what overrules one
    photo is cleared by another of that stage.

    Parameters
    ----------
    records : sequence of dict
        At least one; see `collarvision.record`. Photos of sides, not from above.

    Raises
    ------
    ValueError
        When there is none.
    """
    if not records:
        raise ValueError("A plant needs a photo.")
    seen = _telling(records)
    if not seen:
        return _alone(records[0], 0)
    if len(seen) == 1:
        return _alone(records[seen[0]], seen[0])
    shown = [records[k] for k in seen]
    pooled = pool([belief_of(one) for one in shown])
    stage = int(pooled.argmax())
    confidence = _confidence(float(pooled[stage]))
    height = joint_height(records, seen)
    overruling = _overruling(shown, stage)
    if height is not None and height.contradiction is not None:
        overruling += (height.contradiction,)
    reasons = (*overruling, *_doubt(shown, pooled, confidence))
    return Together(
        outcome="hand-count" if reasons else "staged",
        stage=stage,
        probabilities=tuple(float(p) for p in pooled),
        confidence=confidence,
        reasons=reasons,
        height_mm=None if height is None else height.height_mm,
        height_interval_mm=None if height is None else height.interval_mm,
        lead=max(seen, key=lambda k: _shows(records[k], stage)),
        height_from=None if height is None else height.source,
        overruling=overruling,
    )


def joint_reading(readings: Sequence[Reading]) -> Reading:
    """Give a plant's reading: that of the photo which shows it best, with the plant's answer."""
    records = [reading.record() for reading in readings]
    plant = put_together(records)
    lead = readings[plant.lead]
    measured = lead if plant.height_from is None else readings[plant.height_from]
    return replace(
        lead,
        outcome=plant.outcome,
        stage=plant.stage,
        stage_probabilities=plant.probabilities,
        confidence=plant.confidence,
        reasons=plant.reasons,
        overruling=plant.overruling,
        evidence=(*_said(records), *lead.evidence),
        height_mm=plant.height_mm,
        height_interval_mm=plant.height_interval_mm,
        height_basis=measured.height_basis,
        height_rule=measured.height_rule,
        photos=tuple(_alone_told(one) for one in records),
    )


def joint_record(
    records: Sequence[Mapping[str, Any]], plant: Together | None = None
) -> dict[str, Any]:
    """Give the record of a plant: that of the photo which shows it best, with the plant's answer.

    ``photos`` lists what each photo said alone. Points stay those of the one photo. `plant` is what
    `put_together` gave, where that is known already.
    """
    plant = plant or put_together(records)
    record = dict(records[plant.lead])
    measured = record if plant.height_from is None else records[plant.height_from]
    given = {stage_name(k): round(p, 4) for k, p in enumerate(plant.probabilities) if p >= FLOOR}
    return record | {
        "outcome": plant.outcome,
        "stage": plant.stage,
        "stage_probabilities": given,
        "confidence": None if plant.confidence is None else round(plant.confidence, 4),
        "reasons": list(plant.reasons),
        "evidence": [*_said(records), *record.get("evidence", [])],
        "height_basis": measured.get("height_basis"),
        "height_rule": measured.get("height_rule"),
        "overruling": list(plant.overruling),
        "height_mm": None if plant.height_mm is None else round(plant.height_mm, 1),
        "height_interval_mm": None
        if plant.height_interval_mm is None
        else [round(end, 1) for end in plant.height_interval_mm],
        "photos": [_alone_told(one) for one in records],
    }


def _said(records: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """The evidence of the plant's own: what the photos said, if more than one said something."""
    told = _told(records)
    shown = [records[first] for first, _ in told]
    repeats = tuple(
        f"{records[k]['photo']} is the same picture as {records[first]['photo']}: it counts once."
        for first, them in told
        for k in them
        if k != first
    )
    if len(shown) < 2:
        return repeats
    said = ", ".join(f"{one['photo']} {stage_name(one['stage'])}" for one in shown)
    return (f"{len(shown)} photos of this plant: {said}.", *repeats)


def _telling(records: Sequence[Mapping[str, Any]]) -> list[int]:
    """Photos that have a say: they tell a stage, and each picture has one whatever its name."""
    return [first for first, _ in _told(records)]


def _told(records: Sequence[Mapping[str, Any]]) -> list[tuple[int, list[int]]]:
    """For each picture, the photo that has the say, and all that hold it and tell a stage.

    A copy that was encoded anew may be read otherwise: the least sure of its stage has the say.
    """

    def boldness(k: int) -> tuple[bool, bool, float]:
        one = records[k]
        return one["outcome"] == "staged", not overruled(one), one["confidence"] or 0.0

    pictures = ([k for k in them if _tells(records[k])] for them in pictures_of(records))
    return [(min(them, key=boldness), them) for them in pictures if them]


def pictures_of(records: Sequence[Mapping[str, Any]]) -> list[list[int]]:
    """Group photos by the picture that they hold, each picture as its records' positions in order.

    A copy of a phone's photo and the file it was sent from need share nothing but a third: what
    it is the same picture as, they both are.
    """
    found: list[list[int]] = []
    for k, one in enumerate(records):
        twins = [them for them in found if any(same_picture(records[at], one) for at in them)]
        found = [them for them in found if them not in twins]
        found.append(sorted([k, *(at for them in twins for at in them)]))
    return sorted(found)


def same_picture(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Say whether two records are of the same picture, whatever notes stand in its files.

    Records of surveys know the picture by a hash of its pixels, or of those that a phone sent where
    the survey keeps a copy. Without that, points that lie and weigh alike to the last digit are of
    the same pixels: no two photos of a plant do that.
    """
    if one["sha256"] is not None and one["sha256"] == other["sha256"]:
        return True
    pixels = [
        {record.get(name) for name in ("pixels_sha256", "sent_pixels_sha256")} - {None}
        for record in (one, other)
    ]
    if all(pixels):
        return not pixels[0].isdisjoint(pixels[1])
    points = [one.get("collars"), one.get("tips")]
    return any(points) and all(
        one.get(key) == other.get(key) for key in ("photo_size", "collars", "tips", "soil_line")
    )


def _alone_told(record: Mapping[str, Any]) -> dict[str, Any]:
    return {key: record.get(key) for key in ("photo", "sha256", "outcome", "stage", "confidence")}


def _tells(record: Mapping[str, Any]) -> bool:
    """Whether a photo tells a stage, sure or not."""
    return record["outcome"] != "rejected" and record["stage"] is not None


def _alone(record: Mapping[str, Any], lead: int) -> Together:
    interval = record["height_interval_mm"]
    belief = () if record["stage"] is None else tuple(float(p) for p in belief_of(record))
    return Together(
        record["outcome"],
        record["stage"],
        belief,
        record["confidence"],
        tuple(record["reasons"]),
        record["height_mm"],
        None if interval is None else (interval[0], interval[1]),
        lead,
        overruling=tuple(record.get("overruling", ())),
    )


def belief_of(record: Mapping[str, Any]) -> np.ndarray:
    """Probabilities (13,) of a record; what it leaves out is shared by the stages it leaves out."""
    belief = np.full(STAGE_COUNT, np.nan)
    for name, p in record["stage_probabilities"].items():
        if name in _STAGES:  # another version may know more of them
            belief[_STAGES[name]] = p
    out = np.isnan(belief)
    belief[out] = max(1.0 - belief[~out].sum(), 0.0) / max(int(out.sum()), 1)
    return belief / belief.sum()


def pool(beliefs: Sequence[np.ndarray], alike: float = ALIKE) -> np.ndarray:
    """Multiply beliefs (13,) each, as far as their errors are their own."""
    weight = 1.0 / (1.0 + (len(beliefs) - 1) * alike)
    logs = weight * np.log(np.clip(beliefs, FLOOR, 1.0)).sum(0)
    pooled: np.ndarray = np.exp(logs - logs.max())
    return pooled / pooled.sum()


def _confidence(p: float) -> float:
    p = min(max(p, FLOOR), 1.0 - FLOOR)
    return 1.0 / (1.0 + math.exp(-SURE[0] - SURE[1] * math.log(p / (1.0 - p))))


def overruled(record: Mapping[str, Any]) -> bool:
    """Whether something in a photo asks for a person however sure its stage is.

    Records of earlier versions don't say: there only a staged photo is known to hold nothing.
    """
    said = record.get("overruling")
    return record["outcome"] != "staged" if said is None else bool(said)


def _shows(record: Mapping[str, Any], stage: int) -> tuple[bool, bool, float]:
    return record["stage"] == stage, not overruled(record), record["confidence"] or 0.0


def _overruling(records: Sequence[Mapping[str, Any]], stage: int) -> tuple[str, ...]:
    """Why several photos leave a plant to a person however sure the pooled `stage` is."""
    said: list[str] = []
    # A photo that reads another stage saw other collars: it can't answer for what this one shows.
    if not any(one["stage"] == stage and not overruled(one) for one in records):
        for one in filter(overruled, records):
            said += one.get("overruling") or one["reasons"]
    stages = sorted({int(one["stage"]) for one in records})
    if stages[-1] - stages[0] >= FAR_APART:
        names = f"{stage_name(stages[0])} and {stage_name(stages[-1])}"
        said.append(f"The photos read {names}: see that they show the same plant.")
    if stage not in stages:
        names = " and ".join(map(stage_name, stages))
        said.append(
            f"The photos read {names}; none reads {stage_name(stage)}, the likeliest from all of "
            "them: count the collars by hand."
        )
    # More photos outvote one that is sure, and they may be of another plant.
    said += [
        f"One photo alone is sure of {stage_name(sure)}, and all together say "
        f"{stage_name(stage)}: see that they show the same plant."
        for sure in sorted({int(one["stage"]) for one in records if one["outcome"] == "staged"})
        if sure != stage
    ]
    return tuple(dict.fromkeys(said))


def _doubt(
    records: Sequence[Mapping[str, Any]], pooled: np.ndarray, confidence: float
) -> tuple[str, ...]:
    """Which stages several photos leave open; empty if they are sure enough."""
    if confidence >= ENOUGH:
        return ()
    low, high = sorted(int(k) for k in pooled.argsort()[-2:])
    return (
        f"{len(records)} photos together leave {stage_name(low)} or {stage_name(high)}: count "
        "the collars by hand.",
    )
