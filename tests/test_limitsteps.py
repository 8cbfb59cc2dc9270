"""Limit steps: heights in doubt that carry an answer, and the day by which a tank mix ends."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limits import Verdict, judge, judge_each, with_mixes
from collarvision.limitsfile import Bound, Limit, parse_limits

TODAY = date(2026, 6, 4)
MINIMUM = Limit("Product A", "broadcast", "collars", Bound(None, 250.0, "25 cm"), Bound(8))
MAXIMUM = Limit("Product B", "broadcast", "collars", highest=Bound(8, 900.0, "90 cm"))


def plants(count: int, *, doubtful: int, mm: float = 350.0, **more: object) -> list[PlantEvidence]:
    return [
        PlantEvidence(
            f"p{k}",
            stage=4,
            confidence=0.999,
            height_mm=mm,
            height_interval_mm=(mm * 0.97, mm * 1.03),
            height_basis="free-standing" if k < doubtful else "arch",
            taken_at=TODAY,
            **more,  # type: ignore[arg-type]
        )
        for k in range(count)
    ]


def off_by_half(verdict: Verdict) -> list[str]:
    return [one for one in verdict.reasons if "off by half" in one]


# Heights in doubt


def test_a_minimum_that_heights_in_doubt_alone_reach_says_so() -> None:
    verdict = judge(plants(12, doubtful=12), MINIMUM, TODAY)
    assert verdict.word == "open"
    assert off_by_half(verdict) == [
        "12 of the 12 heights may be off by half: measure those plants (p0, p1, p2 and 9 more)."
    ]
    # Six of twelve short plants are half of them, so that six in doubt carry nothing; seven do.
    strict = replace(MINIMUM, share_short=0.3)
    assert not off_by_half(judge(plants(12, doubtful=1), strict, TODAY))
    assert off_by_half(judge(plants(12, doubtful=5), strict, TODAY)) == [
        "5 of the 12 heights may be off by half: measure those plants (p0, p1, p2 and 2 more)."
    ]


def test_a_minimum_that_leaves_reach_as_well_isnt_carried_by_heights() -> None:
    either = replace(MINIMUM, lowest=Bound(2, 250.0, "25 cm"), share_short=0.3)
    assert not off_by_half(judge(plants(12, doubtful=5), either, TODAY))
    assert off_by_half(judge(plants(12, doubtful=5), replace(either, lowest_when="both"), TODAY))


@pytest.mark.parametrize(("doubtful", "said"), [(0, False), (6, False), (7, True), (12, True)])
def test_a_limit_by_height_says_that_most_heights_are_in_doubt(doubtful: int, said: bool) -> None:
    field = plants(12, doubtful=doubtful)
    verdict = judge(field, MAXIMUM, TODAY)
    assert verdict.word == "open"
    assert bool(off_by_half(verdict)) == said
    # A limit that asks for no height, and heights by hand, have no such doubt.
    assert not off_by_half(judge(field, replace(MAXIMUM, highest=Bound(8)), TODAY))
    taped = [replace(plant, height_interval_mm=None) for plant in field]
    assert not off_by_half(judge(taped, MAXIMUM, TODAY))


def test_one_height_in_doubt_is_said_as_one() -> None:
    bare = plants(12, doubtful=0)
    bare = [replace(p, height_mm=None, height_interval_mm=None, hand_count=2) for p in bare]
    lowest = replace(MINIMUM, lowest=Bound(2, 300.0), highest=Bound(8))
    (one,) = plants(1, doubtful=1)
    tall = [*bare[1:], one, replace(one, name="q", height_basis="arch")]
    assert not off_by_half(judge(tall, lowest, TODAY))
    said = judge([*bare[1:], one], lowest, TODAY)
    assert said.word == "open"
    assert off_by_half(said) == ["The only height may be off by half: measure that plant (p0)."]


def test_what_cannot_be_told_or_is_past_asks_for_no_height_more() -> None:
    assert not off_by_half(judge(plants(3, doubtful=3), MAXIMUM, TODAY))
    assert not off_by_half(judge(plants(12, doubtful=12, hand_count=9), MAXIMUM, TODAY))


# Plants that wait


def test_plants_that_wait_at_other_stops_are_counted_before_another_walk() -> None:
    limit = replace(MAXIMUM, highest=Bound(8))
    field = plants(10, doubtful=0, hand_count=4, stop="1")
    waiting = plants(15, doubtful=0, outcome="hand-count")
    said = "All 10 plants with an answer are from one stop, and tell little of the field"
    elsewhere = [replace(p, stop=str(2 + k % 5)) for k, p in enumerate(waiting)]
    (step,) = judge([*field, *elsewhere], limit, TODAY).steps
    assert step == f"{said}: first count the 15 that wait for a hand count."
    for stop in ("1", None):  # no second stop
        there = [replace(p, stop=stop) for p in waiting]
        (step,) = judge([*field, *there], limit, TODAY).steps
        assert step == f"{said}: see plants at 2 more stops at least."


def test_plants_that_wait_with_a_height_are_counted_before_more_are_measured() -> None:
    field = [
        replace(p, height_mm=None, height_interval_mm=None)
        for p in plants(10, doubtful=0, hand_count=4)
    ]
    waiting = plants(12, doubtful=0, outcome="hand-count")
    said = "The limit asks for heights and 0 plants of 10 with an answer have one"
    steps = judge([*field, *waiting], MAXIMUM, TODAY).steps
    assert steps[0] == f"{said}: first count the 12 that wait for a hand count."
    steps = judge([*field, *waiting[:9]], MAXIMUM, TODAY).steps
    assert steps[0] == f"{said}: put the scale card beside the plants."


# Plants of an old visit


def test_only_photos_are_said_to_be_dated_by_camera_or_folder() -> None:
    later = date(2026, 6, 10)
    read = plants(12, doubtful=0)
    (step,) = judge(read, MAXIMUM, later).steps
    assert step.startswith(f"The last plants are dated {TODAY}, by camera or folder, so 6 days old")
    at_stops = [replace(p, stage=None, confidence=None, hand_count=4) for p in read]
    (step,) = judge(at_stops, MAXIMUM, later).steps
    assert step.startswith(f"The last plants are dated {TODAY}, so 6 days old: walk the field")


# The last day of a tank mix


LIMITS = """
planned_harvest = 2026-10-10

[[limit]]
name = "A"
method = "broadcast"
leaf = "collars"
max_leaves = 6
days_before_harvest = 30

[[limit]]
name = "B"
method = "broadcast"
leaf = "collars"
max_leaves = 8
days_before_harvest = 45

[[tank_mix]]
name = "A with B"
limits = ["A", "B"]
"""


def mixed(stage: int, typed: str = LIMITS) -> tuple[Verdict, ...]:
    limits = parse_limits(typed)
    field = [replace(p, hand_count=stage) for p in plants(12, doubtful=0)]
    return with_mixes(judge_each(field, limits, TODAY), limits)


@pytest.mark.parametrize(
    ("typed", "stage", "word"),
    [
        (LIMITS, 4, "open"),
        (LIMITS, 6, "closing"),  # as A is, which ends later
        (LIMITS.replace("days_before_harvest = 30\n", ""), 6, "closing"),
        (LIMITS.replace("= 6", "= 10"), 6, "open"),  # as both are
        (LIMITS.replace("= 6", "= 10"), 8, "closing"),  # as B is
    ],
)
def test_a_tank_mix_says_the_day_by_which_its_first_member_ends(
    typed: str, stage: int, word: str
) -> None:
    """45 days before 10 October is 26 August, 30 days 10 September: the earlier counts."""
    *_, mix = mixed(stage, typed)
    assert mix.word == word
    assert [one for one in mix.reasons if "last day" in one] == [
        "By harvest alone the last day is 2026-08-26, by B: 45 days before the harvest planned for "
        "2026-10-10."
    ]


def test_a_tank_mix_that_is_past_or_cannot_be_told_has_no_last_day_of_its_own() -> None:
    *_, past = mixed(7)
    assert past.word == "past"
    assert not [one for one in past.reasons if "last day" in one]
    unplanned = mixed(4, LIMITS.replace("planned_harvest = 2026-10-10", ""))
    assert unplanned[-1].word == "can't tell"
    assert not [one for one in unplanned[-1].reasons if "last day" in one]


def test_a_harvest_planned_for_before_the_visit_is_a_slip_and_no_last_day() -> None:
    typed = LIMITS.replace("2026-10-10", "2026-01-20")
    one, _, mix = mixed(4, typed)
    for verdict in (one, mix):
        assert verdict.word == "can't tell"
        assert "The planned harvest, 2026-01-20, is before the visit of 2026-06-04: check it." in (
            verdict.sentence
        )
        assert "last day" not in " ".join([verdict.sentence, *verdict.reasons])
    assert one.steps
    # Past by its plants it stays; after the harvest, an old visit's last day is still told.
    assert mixed(7, typed)[0].word == "past"
    (limit, *_) = parse_limits(LIMITS.replace("2026-10-10", "2026-06-05")).limits
    late = judge(plants(12, doubtful=0), limit, date(2026, 6, 6), planned_harvest=date(2026, 6, 5))
    assert late.word == "past"
