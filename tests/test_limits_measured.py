"""Limits and missing heights: nothing is told of a height that nobody measured."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from collarvision.evidence import PlantEvidence
from collarvision.limits import judge
from collarvision.limitsfile import Bound, Limit

TODAY = date(2026, 6, 4)
INCH = 25.4

TO_EIGHT = Limit("Product A", "broadcast", "collars", highest=Bound(8, 20 * INCH, "20 in"))
BY_HEIGHT = Limit("Product B", "broadcast", highest=Bound(None, 20 * INCH, "20 in"))
EITHER = Limit("Product C", "broadcast", "collars", Bound(6, 4 * INCH, "4 in"))
BOTH = Limit(
    "Product D",
    "broadcast",
    "collars",
    highest=Bound(6, 20 * INCH, "20 in"),
    highest_when="both",
)


def plants(
    name: str, count: int, stage: int, inches: float | None = None, **more: object
) -> list[PlantEvidence]:
    return [
        PlantEvidence(
            f"{name}{k}",
            hand_count=stage,
            height_mm=None if inches is None else inches * INCH,
            taken_at=TODAY,
            **more,  # type: ignore[arg-type]
        )
        for k in range(count)
    ]


SHORT = plants("short", 11, 3, 8.0)


# The maximum


def test_the_heights_of_smaller_plants_say_nothing_of_the_most_advanced() -> None:
    verdict = judge([*SHORT, *plants("tall", 20, 6)], TO_EIGHT, TODAY)
    assert verdict.word == "can't tell"
    assert (
        "20 plants without a height are judged by leaves alone, and 20 of them may be taller than "
        "any measured one, by their collars: measure tall0, tall1, tall2 and 17 more."
        in verdict.sentence
    )
    assert sum("without a height" in reason for reason in verdict.reasons) == 1  # said once
    one = judge([*SHORT, *plants("tall", 1, 6)], TO_EIGHT, TODAY)
    assert (
        "1 plant without a height is judged by leaves alone, and it may be taller" in one.sentence
    )
    assert judge([*SHORT, *plants("tall", 1, 6, 12.0)], TO_EIGHT, TODAY).word == "open"
    # Past by its leaves it is past; a plant with no more collars is spoken for.
    assert judge([*SHORT, *plants("tall", 1, 9)], TO_EIGHT, TODAY).word == "past"
    alike = judge([*SHORT, *plants("alike", 20, 3)], TO_EIGHT, TODAY)
    assert alike.word == "open"
    assert "is short0 (V3, 8.0 in), inside 8 collars or 20 in." in alike.sentence


def test_a_field_too_early_waits_for_the_heights_of_plants_far_ahead() -> None:
    limit = replace(TO_EIGHT, lowest=Bound(4))
    assert judge([*SHORT, *plants("small", 9, 2)], limit, TODAY).word == "too early"
    verdict = judge([*SHORT, *plants("ahead", 3, 7)], limit, TODAY)
    assert verdict.word == "can't tell"
    assert "3 of them may be taller" in verdict.sentence


def test_a_plant_without_a_height_is_never_told_to_be_inside_one() -> None:
    """Where both must be passed, leaves alone show that it is inside; its height stays unknown."""
    verdict = judge([*SHORT, *plants("bare", 2, 5)], BOTH, TODAY)
    assert "(V5), inside 6 collars, its height not known." in verdict.sentence
    # And "both" of a height alone is that height: who has none isn't past by it.
    alone = Limit("P", "b", "collars", Bound(2), replace(BY_HEIGHT.highest), highest_when="both")
    assert judge([*SHORT, *plants("bare", 2, 3)], alone, TODAY).word == "open"
    assert judge([*SHORT, *plants("bare", 2, 5)], alone, TODAY).word == "can't tell"


def test_past_of_both_is_no_fact_without_the_height() -> None:
    verdict = judge(plants("bare", 11, 7), BOTH, TODAY)
    assert verdict.word == "past"
    assert "11 plants may be past 6 collars and 20 in: bare0" in verdict.sentence


def test_the_part_that_lags_decides_where_both_must_be_passed() -> None:
    field = [
        replace(p, height_mm=(15 + 4 * k / 9) * INCH) for k, p in enumerate(plants("p", 10, 7, 15))
    ]
    verdict = judge(field, BOTH, TODAY)
    assert (verdict.word, verdict.decided_by) == ("closing", "height")
    # 25 mm under 20 in with an error of 24 mm: about 15 in 100 (any table of the normal).
    assert (
        "the most advanced is p9 (V7, 19.0 in), past 6 collars, still under 20 in, but it may be "
        "past both already by its height (15%): measure it again." in verdict.sentence
    )
    tall = judge(plants("p", 10, 6, 23.0), BOTH, TODAY)
    assert (tall.word, tall.decided_by) == ("closing", "leaves")
    assert "(V6, 23.0 in), over 20 in, still inside 6 collars." in tall.sentence
    level = judge([*plants("p", 9, 5, 12.0), *plants("q", 1, 7, 20.0)], BOTH, TODAY)
    assert "q0 (V7, 20.0 in)" in level.sentence
    assert "inside 6 collars and" not in level.sentence


# The minimum


@pytest.mark.parametrize(
    ("limit", "low"),
    [
        (EITHER, "6 collars or 4 in"),
        (replace(EITHER, lowest=Bound(None, 4 * INCH, "4 in"), highest=Bound(8)), "4 in"),
        (replace(EITHER, lowest=Bound(5, 4 * INCH, "4 in"), lowest_when="both"), "5 collars and"),
    ],
)
def test_a_minimum_that_heights_may_reach_asks_for_them(limit: Limit, low: str) -> None:
    field = [*plants("tall", 10, 5, 8.0), *plants("bare", 12, 5)]
    verdict = judge(field, limit, TODAY)
    assert verdict.word == "can't tell"
    assert f"12 plants have no height, and the minimum of {low}" in verdict.sentence
    assert "may be reached by height: measure bare0, bare1, bare2 and 9 more." in verdict.sentence
    measured = [replace(p, height_mm=9 * INCH) for p in field]
    assert judge(measured, limit, TODAY).word == "open"
    small = [replace(p, height_mm=3 * INCH) for p in field]
    assert judge(small, limit, TODAY).word == "too early"


def test_no_height_at_all_is_not_too_early_where_either_is_enough() -> None:
    assert judge(plants("bare", 11, 5), EITHER, TODAY).word == "can't tell"
    assert judge(plants("bare", 11, 6), EITHER, TODAY).word == "open"
    # Too many are short whatever the few unknown heights are.
    field = [*plants("small", 11, 2, 2.0), *plants("bare", 2, 2)]
    assert judge(field, EITHER, TODAY).word == "too early"


# A limit by height alone


def test_plants_without_a_height_are_to_be_measured_not_looked_for() -> None:
    (step,) = judge(plants("bare", 11, 5), BY_HEIGHT, TODAY).steps
    assert step == (
        "None of the 11 plants has a height: measure them or put the scale card beside them."
    )
    (one,) = judge(plants("bare", 1, 5), BY_HEIGHT, TODAY).steps
    assert one == "The only plant has no height: measure it or put the scale card beside it."
    assert "There is no plant" in judge([], BY_HEIGHT, TODAY).sentence


@pytest.mark.parametrize(
    ("measured", "bare", "said"),
    [
        (3, 20, "Only 3 plants have a height: measure 7 of the 20 without one."),
        (1, 4, "Only 1 plant has a height: measure the 4 without one, and 5 more."),
    ],
)
def test_few_heights_ask_for_those_of_the_plants_there(measured: int, bare: int, said: str) -> None:
    field = [*plants("tall", measured, 5, 9.0), *plants("bare", bare, 5)]
    assert judge(field, BY_HEIGHT, TODAY).steps == (said,)
