"""Since the visit: an earlier visit, and heat, make a verdict stricter and never laxer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from collarvision.damage import wait_after
from collarvision.decision import FieldAnswer, answer_record, decide
from collarvision.evidence import SAME_CROP_DAYS, PlantEvidence
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import FieldVisit, FieldVisits
from collarvision.heat import DateSpan
from collarvision.limits import CAUTION, judge_each
from collarvision.limitsfile import Limits, parse_limits
from collarvision.outlook import look_ahead
from collarvision.seenplants import SeenPlant
from collarvision.sincevisit import grown_on
from collarvision.temperatures import Day, Temperatures
from collarvision.units import Shown
from collarvision.window import Window

TODAY = date(2027, 6, 5)
TO_SIX = parse_limits(
    """
    [[limit]]
    name = "A"
    method = "broadcast"
    leaf = "collars"
    max_leaves = 6

    [[limit]]
    name = "B"
    method = "broadcast"
    leaf = "collars"
    max_leaves = 10

    [[tank_mix]]
    name = "A with B"
    limits = ["A", "B"]
    """
)


def counted(stages: Sequence[int], day: date) -> list[PlantEvidence]:
    return [PlantEvidence(f"p{k}", hand_count=s, taken_at=day) for k, s in enumerate(stages)]


def visited(*visits: tuple[date, Sequence[int]]) -> FieldVisits:
    found = [
        FieldVisit(day, k, tuple(SeenPlant(one) for one in counted(stages, day)))
        for k, (day, stages) in enumerate(visits)
    ]
    return FieldVisits("North", None, found[-1], tuple(found[:-1]))


def words(answer: FieldAnswer) -> list[str]:
    return [one.word for one in answer.verdicts]


# An earlier visit


def test_plants_past_on_an_earlier_visit_are_past_now() -> None:
    before = TODAY - timedelta(days=4)
    visits = visited((before, [7] * 3 + [4] * 17), (TODAY, [4] * 12))
    answer = decide(visits, TODAY, limits=TO_SIX)
    assert words(answer) == ["past", "open", "past"]
    first = answer.verdicts[0]
    assert first.deciding_plants == ("p0", "p1", "p2")
    assert "3 of 20 plants seen are past 6 collars: p0, p1, p2." in first.sentence
    assert f"That was on {before}, and plants don't go back. {CAUTION}" in first.sentence
    assert any("planted again" in reason for reason in first.reasons)
    # Hail holds back what isn't past, and this is.
    wait = wait_after("hail", TODAY - timedelta(days=1), TODAY, TODAY)
    assert words(decide(visits, TODAY, limits=TO_SIX, wait=wait)) == ["past", "can't tell", "past"]


def test_no_date_to_come_stands_beside_past() -> None:
    before = TODAY - timedelta(days=4)
    visits = visited((before, [7] * 3 + [3] * 17), (TODAY, [4] * 12))
    answer = looked_at(visits, low=55, high=75)
    assert words(answer) == ["past", "open", "past"]
    found = answer_record(answer)["verdicts"]
    assert [one["closes"] is None for one in found] == [True, False, True]


@pytest.mark.parametrize(
    ("day", "stages", "share", "word"),
    [
        (TODAY - timedelta(days=4), [6] * 12, 0.0, "open"),  # at the last one allowed
        (TODAY - timedelta(days=SAME_CROP_DAYS + 1), [9] * 12, 0.0, "open"),  # another crop
        (TODAY - timedelta(days=30), [9] * 12, 0.0, "past"),
        (TODAY - timedelta(days=4), [7] + [4] * 29, 0.1, "open"),  # as without it
        (TODAY - timedelta(days=4), [7] * 3, 0.1, "open"),  # too few to show a share
        (TODAY - timedelta(days=4), [7] * 12, 0.1, "past"),
    ],
)
def test_an_earlier_visit_counts_by_what_it_said_on_its_own_day(
    day: date, stages: list[int], share: float, word: str
) -> None:
    limits = Limits(tuple(replace(one, share_past=share) for one in TO_SIX.limits[:1]))
    answer = decide(visited((day, stages), (TODAY, [4] * 12)), TODAY, limits=limits)
    assert words(answer) == [word]


# Heat since the visit


def looked_at(
    visits: FieldVisits, *, low: float, high: float, today: date = TODAY, limits: Limits = TO_SIX
) -> FieldAnswer:
    begin = TODAY - timedelta(days=30)
    weather = Temperatures(tuple(Day(begin + timedelta(days=k), low, high) for k in range(90)))
    dated = [(one.day, one.evidence) for one in (*visits.earlier, visits.chosen) if one.day]
    outlook = look_ahead(dated, weather, limits)
    return decide(visits, today, limits=limits, outlook=outlook)


def test_a_field_that_heat_has_taken_past_since_the_visit_cannot_be_told() -> None:
    visits = visited((TODAY - timedelta(days=3), [6] * 20))
    answer = looked_at(visits, low=70, high=88)
    assert words(decide(visits, TODAY, limits=TO_SIX)) == ["closing", "open", "closing"]
    assert words(answer) == ["can't tell", "open", "can't tell"]
    first, _, mix = answer.verdicts
    assert "By heat it has probably passed its maximum since the visit of 2027-06-02" in (
        first.sentence
    )
    assert first.sentence.endswith(f"walk the field again. {CAUTION}")
    assert first.steps[0] in mix.reasons
    assert (first.probability, mix.decided_by) == (None, "A")
    text = format_answer(answer, Shown("in"), width=110)
    assert "No dates for what can't be told yet: A, A with B." in text
    assert "label is the law" in text


def test_a_close_that_falls_on_today_is_closing_and_said() -> None:
    visits = visited((TODAY - timedelta(days=1), [6] * 20))
    answer = looked_at(visits, low=80, high=95)
    window = answer.window_of("A")
    assert window is not None
    closes = window.closes
    assert closes is not None
    assert closes.middle == TODAY
    first = answer.verdicts[0]
    assert first.word == "closing"
    assert first.sentence.endswith(f"By heat it may be past already. {CAUTION}")


def test_what_is_seen_today_outranks_heat() -> None:
    """A close that heat puts days before today is news of a visit before it, not of today's."""
    visits = visited((TODAY, [6] * 20))
    assert words(looked_at(visits, low=75, high=95))[0] == "closing"
    seen = decide(visits, TODAY, limits=TO_SIX).verdicts[0]
    gone = DateSpan(*[TODAY - timedelta(days=2)] * 2, TODAY, TODAY + timedelta(days=9))
    window = Window("A", None, gone, None, opens_told="unset")
    assert seen.word == "closing"
    assert grown_on([seen], [window], TODAY, TODAY) == (seen,)
    (before,) = grown_on([seen], [window], TODAY - timedelta(days=3), TODAY)
    assert (before.word, before.decided_by) == ("can't tell", "heat")


def test_open_is_closing_where_heat_may_take_it_past_by_tomorrow() -> None:
    visits = visited((TODAY - timedelta(days=3), [4] * 20))
    assert words(decide(visits, TODAY, limits=TO_SIX))[0] == "open"
    answer = looked_at(visits, low=72, high=90)
    first = answer.verdicts[0]
    assert first.word == "closing"
    assert first.sentence.startswith("A (broadcast): closing. Of 20 plants seen")
    assert "By heat it may be past within a day: look again right before you act." in (
        first.sentence
    )
    assert words(looked_at(visits, low=50, high=60))[0] == "open"


def test_the_early_end_of_a_loose_date_closes_nothing() -> None:
    """Heights of two visits tell the tallest plants' day to a week or two only."""
    days = (TODAY - timedelta(days=8), TODAY - timedelta(days=1))
    seen = []
    for k, (day, stage, mm) in enumerate(zip(days, (2, 3), (150.0, 240.0), strict=True)):
        plants = [
            replace(one, height_mm=mm + 8 * n) for n, one in enumerate(counted([stage] * 12, day))
        ]
        seen.append(FieldVisit(day, k, tuple(SeenPlant(one) for one in plants)))
    by_height = parse_limits(
        """
        [[limit]]
        name = "A"
        method = "broadcast"
        leaf = "collars"
        max_leaves = 6
        max_height = "20 in"
        """
    )
    visits = FieldVisits("North", None, seen[-1], tuple(seen[:-1]))
    answer = looked_at(visits, low=60, high=80, limits=by_height)
    assert words(answer) == ["open"]


@pytest.mark.parametrize(
    ("seen", "early", "middle", "word", "said"),
    [
        (-2, -1, 4, "closing", "By heat it may be past already: look again right before you act."),
        (-2, 0, 9, "closing", "By heat it may be past already: look again right before you act."),
        (-1, 1, 9, "closing", "By heat it may be past within a day: look again"),
        (-1, 1, None, "closing", "By heat it may be past within a day: look again"),
        (0, 0, 9, "closing", "By heat it may be past within a day: look again"),
        (0, 1, 9, "open", "By heat it may be past within a day: look again"),
        (0, 2, 9, "open", None),
        (-2, 2, 9, "open", None),
    ],
)
def test_once_its_early_end_is_near_no_limit_is_open_without_a_word(
    seen: int, early: int, middle: int | None, word: str, said: str | None
) -> None:
    """Days are from the day of the answer; a field seen that day outranks a loose date to come."""
    visit = TODAY + timedelta(days=seen)
    (verdict,) = judge_each(counted([3] * 20, visit), Limits(TO_SIX.limits[:1]), TODAY)
    assert verdict.word == "open"
    day = [None if k is None else TODAY + timedelta(days=k) for k in (early, middle)]
    window = Window("A", None, DateSpan(*day, None, TODAY + timedelta(days=75)), None)
    (found,) = grown_on([verdict], [window], visit, TODAY)
    assert found.word == word
    assert found.sentence.startswith(f"A (broadcast): {word}. Of 20 plants seen")
    assert found.sentence.endswith(CAUTION)
    assert ("By heat" in found.sentence) == (said is not None)
    assert said is None or said in found.sentence


def test_the_same_plants_say_the_same_whatever_their_folder_is_called() -> None:
    """By the camera they were seen three days ago; heat counts from there, as the verdict does."""
    taken = TODAY - timedelta(days=3)
    copied = visited((taken, [6] * 20))
    copied = replace(copied, chosen=replace(copied.chosen, day=TODAY))
    weather = Temperatures(tuple(Day(taken + timedelta(days=k), 70, 88) for k in range(60)))
    outlook = look_ahead([(TODAY, copied.chosen.evidence)], weather, TO_SIX, today=TODAY)
    found = decide(copied, TODAY, limits=TO_SIX, outlook=outlook)
    assert words(found) == ["can't tell", "open", "can't tell"]
    assert "since the visit of 2027-06-02" in found.verdicts[0].sentence
    assert [one.sentence for one in found.verdicts] == [
        one.sentence for one in looked_at(visited((taken, [6] * 20)), low=70, high=88).verdicts
    ]


def test_one_early_photo_makes_no_visit_of_its_day() -> None:
    """Twelve plants counted today speak for today, whatever one photo's camera says."""
    early = TODAY - timedelta(days=2)
    slow = PlantEvidence("slow", stage=5, outcome="staged", confidence=0.97, taken_at=early)
    visits = visited((TODAY, [6] * 12))
    plants = (*visits.chosen.plants, SeenPlant(slow))
    visits = replace(visits, chosen=replace(visits.chosen, plants=plants))
    answer = looked_at(visits, low=70, high=88)
    assert answer.outlook is not None
    assert answer.outlook.visits[-1].day == TODAY
    assert words(answer)[0] == "closing"
    assert not any(str(early) in one.sentence for one in answer.verdicts)


def test_a_plant_that_waits_may_have_passed_since_the_visit() -> None:
    visit = TODAY - timedelta(days=3)
    waits = PlantEvidence("w", (0, 0, 0, 0.015, 0.97, 0.015), 4, "hand-count", 0.97, taken_at=visit)
    visits = visited((visit, [3] * 12))
    plants = (*visits.chosen.plants, SeenPlant(waits))
    visits = replace(visits, chosen=replace(visits.chosen, plants=plants))
    assert words(decide(visits, TODAY, limits=TO_SIX))[0] == "closing"
    first = looked_at(visits, low=62, high=86).verdicts[0]
    assert first.word == "can't tell"
    assert "By heat a plant that waits for a hand count may have passed its maximum" in (
        first.sentence
    )
    assert first.sentence.endswith(f": count it, or walk the field again. {CAUTION}")
