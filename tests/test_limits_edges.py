"""Limits: how much it takes for one answer to become the next, held from both sides."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from test_limits import TO_EIGHT, TO_SIX, TODAY, counted, plants

from collarvision.evidence import PlantEvidence
from collarvision.limits import judge, judge_each, with_mixes
from collarvision.limitsfile import Bound, Limit, Limits, TankMix
from collarvision.sampling import FEWEST_PLANTS

BY_LEAVES = Limit("Product A", "broadcast", "collars", highest=Bound(6))


def aged(field: list[PlantEvidence], days: int) -> list[PlantEvidence]:
    return [replace(plant, taken_at=TODAY - timedelta(days=days)) for plant in field]


def without_date(plant: PlantEvidence) -> PlantEvidence:
    return replace(plant, name="loose", taken_at=None)


# Age


@pytest.mark.parametrize("good_days", [0, 3, 7])
def test_a_visit_is_good_for_as_many_days_as_are_said_and_no_longer(good_days: int) -> None:
    field = plants(3, 8.0)

    def word(days: int) -> str:
        return judge(aged(field, days), TO_SIX, TODAY, visit_good_days=good_days).word

    assert word(good_days) == "open"
    assert word(good_days + 1) == "can't tell"


def test_three_days_are_what_a_visit_is_good_for_unless_said_otherwise() -> None:
    assert judge(aged(plants(3, 8.0), 3), TO_SIX, TODAY).word == "open"
    assert judge(aged(plants(3, 8.0), 4), TO_SIX, TODAY).word == "can't tell"


def test_what_is_dated_after_today_says_nothing_of_an_earlier_visit() -> None:
    """A clock that runs ahead must not make the field past for good."""
    field, past = counted(4, 12, 10.0), counted(8)
    before, after = TODAY - timedelta(days=5), TODAY + timedelta(days=5)
    assert judge(field, TO_SIX, TODAY, earlier=[(before, aged(past, 5))]).word == "past"
    for day, taken in ((before, aged(past, -2)), (after, past)):
        assert judge(field, TO_SIX, TODAY, earlier=[(day, taken)]).word == "open"


def test_a_newer_visit_is_one_of_a_later_day_by_the_same_clock() -> None:
    field = aged(plants(3, 8.0), 2)  # in the folder of today, by a camera two days behind
    other = (TODAY - timedelta(days=1), aged(plants(3, 8.0), 3))
    for visit in (TODAY, None):
        assert judge(field, TO_SIX, TODAY, earlier=[other], visit=visit).word == "open"
    later = [(TODAY, aged(plants(3, 8.0), 1))]
    for visit in (other[0], None):
        assert judge(field, TO_SIX, TODAY, earlier=later, visit=visit).word == "can't tell"


# Doubt


@pytest.mark.parametrize(("sure", "word"), [(0.9, "closing"), (0.96, "open")])
def test_a_doubt_of_over_one_in_twenty_that_it_is_past_closes_it(sure: float, word: str) -> None:
    """The doubt is of V7 where six are allowed; no plant is likely to be at the sixth."""
    belief = (0.0,) * 4 + (sure, 0.0, 0.0, 1 - sure)
    odd = PlantEvidence("odd", belief, 4, "staged", sure, taken_at=TODAY)
    verdict = judge([*counted(4), odd], replace(TO_EIGHT, highest=Bound(6)), TODAY)
    assert verdict.word == word
    assert verdict.probability == pytest.approx(sure)


def test_a_count_from_nodes_at_the_last_leaf_allowed_may_be_past_it() -> None:
    """Such a count may be one leaf too low (Hicks & Peterson 1978)."""
    nodes = PlantEvidence("nodes", hand_count=6, one_more=0.2, taken_at=TODAY)
    verdict = judge([*counted(4), nodes], BY_LEAVES, TODAY)
    assert verdict.word == "closing"
    assert verdict.probability == pytest.approx(0.8)
    assert "nodes (V6), as read inside 6 collars, but it may be past it already" in verdict.sentence


# How many plants


def test_a_share_past_is_shown_by_ten_plants_and_not_by_nine() -> None:
    """Too old for any other answer, they can still say past: plants don't go back."""
    limit = replace(BY_LEAVES, share_past=0.3)
    old = aged(counted(8, FEWEST_PLANTS), 9)
    assert judge(old, limit, TODAY).word == "past"
    assert judge(old[:-1], limit, TODAY).word == "can't tell"


def test_heights_are_asked_of_ten_plants() -> None:
    tall = plants(3, 8.0, FEWEST_PLANTS)
    assert judge(tall + plants(3, None, 2), TO_SIX, TODAY).word == "open"
    verdict = judge(tall[:-1] + plants(3, None, 3), TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert f"9 plants of {FEWEST_PLANTS + 2} have one: put the scale card" in verdict.sentence


def test_a_minimum_of_both_asks_for_heights() -> None:
    """Without them its plants would all pass for short of it."""
    limit = Limit("P", "broadcast", "collars", Bound(2, 100.0, "10 cm"), Bound(8))
    both = judge(plants(4), replace(limit, lowest_when="both"), TODAY)
    assert both.word == "can't tell"
    assert "The limit asks for heights and 0 plants of 12 have one" in both.sentence
    assert judge(plants(4), limit, TODAY).word == "open"  # either: leaves are enough


# Harvest, plants without a date


@pytest.mark.parametrize(("days", "word"), [(7, "closing"), (8, "open")])
def test_the_last_week_before_the_days_before_harvest_is_closing(days: int, word: str) -> None:
    harvest = TODAY + timedelta(days=45 + days)
    limit = replace(TO_SIX, days_before_harvest=45)
    assert judge(plants(3, 8.0), limit, TODAY, planned_harvest=harvest).word == word


def test_plants_without_a_date_hold_back_a_field_that_is_closing_too() -> None:
    field = plants(6)
    assert judge(field, BY_LEAVES, TODAY).word == "closing"
    verdict = judge(field, BY_LEAVES, TODAY, undated=[without_date(counted(8, 1)[0])])
    assert verdict.word == "can't tell"
    assert "could change the answer: say the day of loose" in verdict.sentence
    alike = [without_date(field[0])]
    assert judge(field, BY_LEAVES, TODAY, undated=alike).word == "closing"


# Plants of one stop


def at(stops: str | None, field: list[PlantEvidence]) -> list[PlantEvidence]:
    """A field with its plants at these stops by turns."""
    return [
        replace(plant, stop=None if stops is None else stops[k % len(stops)])
        for k, plant in enumerate(field)
    ]


def test_plants_of_one_stop_carry_no_more_than_one_plant_does() -> None:
    field = counted(3, 12, 8.0)
    verdict = judge(at("a", field), TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert verdict.steps == (
        "All 12 plants are from one stop, and tell little of the field: see plants at 2 more stops "
        "at least.",
    )
    # Where none is named, or one plant's isn't, they may be from anywhere.
    for some in (at("ab", field), at(None, field), [*at("a", field[1:]), field[0]]):
        assert judge(some, TO_SIX, TODAY).word == "open"
    assert judge(at("a", [*field, *counted(7, 1, 19.0)]), TO_SIX, TODAY).word == "past"
    few = judge(at("a", field[:9]), TO_SIX, TODAY)
    assert "Only 9 plants with an answer" in few.sentence
    assert not any("one stop" in step for step in few.steps)


# Tank mixes of members with one word


@pytest.mark.parametrize("order", [("A", "B"), ("B", "A")])
def test_of_two_members_with_one_word_the_less_sure_open_decides(order: tuple[str, str]) -> None:
    members = {
        "A": Limit("A", "b", "collars", highest=Bound(9)),
        "B": Limit("B", "b", "collars", Bound(4), Bound(9)),
    }
    limits = Limits(tuple(members[name] for name in order), (TankMix("mix", order),))
    single = judge_each([*counted(3, 10), *counted(4, 11)], limits, TODAY)
    assert {one.word for one in single} == {"open"}
    *_, mix = with_mixes(single, limits)
    assert (mix.word, mix.decided_by) == ("open", "B")
    assert mix.probability == min(one.probability or 0 for one in single) < 0.6


@pytest.mark.parametrize("order", [("A", "B"), ("B", "A")])
def test_of_two_members_that_are_past_the_surer_decides(order: tuple[str, str]) -> None:
    nodes = replace(counted(6, 1)[0], one_more=0.6)
    members = {
        "A": Limit("A", "b", "collars", highest=Bound(6)),
        "B": Limit("B", "b", "collars", highest=Bound(5)),
    }
    limits = Limits(tuple(members[name] for name in order), (TankMix("mix", order),))
    *_, mix = with_mixes(judge_each([nodes], limits, TODAY), limits)
    assert (mix.word, mix.decided_by, mix.probability) == ("past", "B", 1.0)


# Plants that wait


def waits(*belief: float, stage: int) -> PlantEvidence:
    return PlantEvidence("W", belief, stage, "hand-count", max(belief), taken_at=TODAY)


def test_who_waits_is_told_as_read_and_reckoned_by_the_most_it_may_be() -> None:
    field = [*counted(3, 12), waits(0, 0, 0, 0.015, 0.97, 0.015, stage=4)]  # V2 to V6
    verdict = judge(field, BY_LEAVES, TODAY)
    assert (verdict.word, verdict.deciding_plants) == ("closing", ("W",))
    assert "the most advanced is W (V4?), inside 6 collars." in verdict.sentence
    # The same where it is inside, whatever it is.
    verdict = judge(field, replace(BY_LEAVES, highest=Bound(9)), TODAY)
    assert verdict.word == "open"
    assert "the most advanced is W (V4?), inside 9 collars." in verdict.sentence
    # Once counted it is no question any more.
    field[-1] = replace(field[-1], hand_count=6)
    assert "the most advanced is W (V6), inside" in judge(field, BY_LEAVES, TODAY).sentence
