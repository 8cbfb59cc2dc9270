"""Suspicions: a trouble that only the network guesses at is said as a guess, never as a fact."""

from __future__ import annotations

from dataclasses import replace

import pytest
from drawn_plants import draw

from collarvision.calibration import Calibration
from collarvision.confidence import MAYBE, MEASURED, REFUSE_AT, SENTENCES, Verdict, judge
from collarvision.plant import assemble
from collarvision.quality import Finding
from collarvision.stage import believe


def judged(
    trouble: str,
    p: float,
    finding: Finding | None = None,
    *,
    floor: float = 0.0,
    leaves: bool = True,
) -> Verdict:
    """A plant that isn't sure enough; the network gives `trouble` the probability `p`."""
    calibration = replace(Calibration(), threshold=1.0, usable_floor=floor)
    parts = draw(4).parts
    seen = dict.fromkeys(parts.usability, 0.0)
    parts = replace(parts, usability=seen | {"ok": 1 - p, trouble: p})
    if not leaves:
        parts = replace(parts, tips=(), collars=())
    plant = assemble(parts)
    belief = believe(plant, parts, calibration)
    return judge(parts, plant, belief, [finding] if finding else [], calibration)


@pytest.mark.parametrize("trouble", sorted(SENTENCES))
def test_a_trouble_under_a_half_may_be_there_and_from_a_half_is_there(trouble: str) -> None:
    for p, said, unsaid in (
        (0.2, MAYBE, SENTENCES),
        (REFUSE_AT - 0.01, MAYBE, SENTENCES),
        (REFUSE_AT, SENTENCES, MAYBE),
    ):
        verdict = judged(trouble, p)
        assert verdict.outcome != "staged"
        assert verdict.reasons[0] == said[trouble]
        assert unsaid[trouble] not in verdict.reasons
    assert " may " in MAYBE[trouble]


@pytest.mark.parametrize("trouble", sorted(MEASURED))
def test_a_suspected_trouble_that_is_measured_is_said_as_measured(trouble: str) -> None:
    measured = Finding(MEASURED[trouble], "Measured: take it again.", "warning")
    verdict = judged(trouble, 0.36, measured)
    assert verdict.reasons[0] == measured.sentence
    assert MAYBE[trouble] not in verdict.reasons


def test_a_photo_that_is_not_usable_enough_may_have_its_likeliest_trouble() -> None:
    assert judged("cut_off", 0.4, floor=0.7).overruling == (MAYBE["cut_off"],)


def test_a_plant_without_leaves_is_told_what_spoils_its_photo_as_surely_as_it_is_known() -> None:
    assert judged("dark", 0.6, leaves=False).reasons == (SENTENCES["dark"],)
    seen = judged("cut_off", 0.6, leaves=False)
    assert (seen.outcome, seen.reasons) == ("hand-count", (SENTENCES["cut_off"],))
