"""Plants enough: whether the plants of a field tell its stage, or how many more do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from collarvision.answer import stage_name
from collarvision.evidence import PlantEvidence, decided_stages
from collarvision.field import FieldStage
from collarvision.sampling import Enough, SequentialTest, enough_plants


def enough_for_stage(
    plants: Sequence[PlantEvidence],
    stage: FieldStage,
    precision: float,
    test: SequentialTest | None = None,
) -> tuple[Enough, str]:
    """Whether plants are enough, for the share that needs the most of them, and which that is.

    Plants that wait for a hand count are in no share. While they could move the field's stage no
    number of others is enough: those that a reading can't settle are no chance sample.
    """
    if stage.stage is None:
        return enough_plants(0, 0, precision, test=test), "a share of the field"
    stages = decided_stages(plants)
    asked = [max(stage.stage, 1), stage.stage + 1]
    shares = {share.stage: share for share in stage.shares}
    found = [
        (
            enough_plants(
                sum(s >= k for s in stages),
                len(stages),
                precision,
                test=test,
                effect=shares[k].stop_effect.effect if k in shares else 1.0,
                known=shares[k].interval if k in shares else None,
            ),
            f"plants at or past {stage_name(k)}",
        )
        for k in asked
    ]
    enough, share = max(found, key=lambda pair: pair[0].more)
    if enough.enough and not stage.settled:
        low, high = (stage_name(k) for k in stage.stage_if_waiting or (stage.stage, stage.stage))
        many = f"the {stage.waiting} that wait" if stage.waiting > 1 else "the one that waits"
        first = f"Count {many} for a hand count first: the field may be at {low} to {high}."
        said = enough.sentence.removeprefix("Enough: ")
        enough = replace(enough, enough=False, sentence=f"{said} {first}")
    return enough, share
