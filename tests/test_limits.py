"""Limits: verdicts from plants.

All products are invented. The windows of the common-practice checks are typed in as a user would.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.evidence import PlantEvidence
from collarvision.limits import CAUTION, STRICTNESS, judge, judge_each, with_mixes
from collarvision.limitsfile import Bound, Limit, parse_limits
from collarvision.standing import stand
from collarvision.units import Shown

TODAY = date(2026, 6, 4)
INCH = 25.4

TO_SIX = Limit(
    "Product A",
    "broadcast",
    "collars",
    Bound(2, 4 * INCH, "4 in"),
    Bound(6, 20 * INCH, "20 in"),
)
TO_EIGHT = Limit("Product B", "broadcast", "collars", highest=Bound(8))


def plants(
    stage: int,
    inches: float | None = None,
    count: int = 12,
    confidence: float = 0.999,
    **more: object,
) -> list[PlantEvidence]:
    return [
        PlantEvidence(
            f"IMG_{stage}{k:02}",
            stage=stage,
            confidence=confidence,
            height_mm=None if inches is None else inches * INCH,
            height_interval_mm=None
            if inches is None
            else (inches * INCH * 0.96, inches * INCH * 1.04),
            taken_at=TODAY,
            **more,  # type: ignore[arg-type]
        )
        for k in range(count)
    ]


def counted(stage: int, count: int = 12, inches: float | None = None) -> list[PlantEvidence]:
    return [replace(p, hand_count=stage) for p in plants(stage, inches, count)]


# Common practice: no source in print, from the trade.


@pytest.mark.parametrize("inches", [7.0, 8.0])
def test_three_collar_plants_are_inside(inches: float) -> None:
    # common practice: 7-8 in, three collars, "4 in or two collars" to "20 in or six collars"
    verdict = judge(plants(3, inches), TO_SIX, TODAY)
    assert verdict.word == "open"
    assert verdict.probability is not None
    assert verdict.probability > 0.95


def test_a_five_collar_field_of_17_in_is_inside_and_close() -> None:
    # common practice
    verdict = judge(plants(5, 17.0), TO_SIX, TODAY)
    assert verdict.word == "closing"
    assert "17.0 in" in verdict.sentence


def test_seven_collars_are_past_six_and_inside_eight() -> None:
    # common practice
    field = plants(7, 19.0)
    past = judge(field, TO_SIX, TODAY)
    assert past.word == "past"
    assert past.decided_by == "leaves"
    assert judge(field, TO_EIGHT, TODAY).word in ("open", "closing")


def test_whichever_comes_first() -> None:
    # "V8 or 30 in, whichever is reached first" is a shape labels take (Univ. of Delaware).
    limit = Limit("Product C", "broadcast", "collars", highest=Bound(8, 30 * INCH, "30 in"))
    tall = judge(plants(6, 33.0), limit, TODAY)
    assert (tall.word, tall.decided_by) == ("past", "height")
    both = replace(limit, highest_when="both")
    assert judge(plants(6, 33.0), both, TODAY).word != "past"
    assert judge(plants(9, 33.0), both, TODAY).word == "past"


def test_a_minimum_of_either_and_of_both() -> None:
    # "4 in or two collars" is a shape labels take.
    short_two_collars = plants(2, 3.0)
    assert judge(short_two_collars, TO_SIX, TODAY).word == "open"
    strict = replace(TO_SIX, lowest_when="both")
    verdict = judge(short_two_collars, strict, TODAY)
    assert (verdict.word, verdict.decided_by) == ("too early", "height")
    assert judge(plants(1, 3.0), TO_SIX, TODAY).word == "too early"


def test_half_of_the_plants_at_the_minimum_are_enough() -> None:
    # the half rule: Ohio State Univ. Extension, AGF-127
    limit = Limit("Product D", "broadcast", "collars", Bound(3), Bound(8))
    assert judge(counted(3, 6) + counted(2, 6), limit, TODAY).word == "open"
    assert judge(counted(3, 5) + counted(2, 7), limit, TODAY).word == "too early"
    strict = replace(limit, share_short=0.0)
    assert judge(counted(3, 11) + counted(2, 1), strict, TODAY).word == "too early"


def test_one_plant_past_closes_a_strict_limit_and_is_named() -> None:
    field = counted(4, 20, 12.0) + [replace(counted(7, 1, 19.0)[0], name="far corner")]
    verdict = judge(field, TO_SIX, TODAY)
    assert verdict.word == "past"
    assert verdict.deciding_plants == ("far corner",)
    assert "1 of 21 plants seen is past" in verdict.sentence
    lenient = replace(TO_SIX, share_past=0.3)
    assert judge(field, lenient, TODAY).word != "past"
    assert any("names no share" in reason for reason in verdict.reasons)


def test_the_unseen_share_is_told() -> None:
    # The rule of three, 3/n (from memory): none of 43 past leaves up to about 7 in 100. An interval
    # of two sides takes half as much doubt at that end: -ln(0.025) / n.
    verdict = judge(counted(4, 43, 10.0), TO_SIX, TODAY)
    assert verdict.share_past is not None
    assert verdict.share_past[1] == pytest.approx(3.69 / 43, abs=0.01)
    assert "up to 7 in 100" in verdict.sentence


def test_small_doubts_that_add_up_ask_for_a_hand_count() -> None:
    field = plants(6, 15.0, 40, confidence=0.9)  # each 5 in 100 a V7
    verdict = judge(field, TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert "check collars and height of IMG_600" in verdict.sentence
    assert judge(counted(6, 40, 15.0), TO_SIX, TODAY).word == "closing"


# What a leaf is on the label


def test_a_label_that_counts_tips() -> None:
    # V4 shows 6-7 tips (Ohio State AGF-127; ARVALIS), so "7 leaves" by tips isn't seven collars.
    limit = Limit("Product E", "broadcast", "visible tips", highest=Bound(7))
    four = stand(counted(4, 1)[0], limit)
    assert four.past == 0
    five = stand(counted(5, 1)[0], limit)
    assert five.past == pytest.approx(0.5)  # 7 or 8 tips
    assert stand(counted(7, 1)[0], limit).past == 1
    verdict = judge(counted(7), limit, TODAY)
    assert any("visible tips" in reason for reason in verdict.reasons)


def test_height_only() -> None:
    # "12 in" alone is a shape labels take.
    limit = Limit("Product F", "directed", highest=Bound(None, 12 * INCH, "12 in"))
    assert judge(plants(9, 8.0), limit, TODAY).word == "open"
    assert judge(plants(2, 14.0), limit, TODAY).word == "past"
    bare = judge(plants(2), limit, TODAY)
    assert bare.word == "can't tell"


# Can't tell


def test_thin_evidence() -> None:
    one = judge(plants(3, 8.0, 1), TO_SIX, TODAY)
    assert one.word == "can't tell"
    assert "at least 9 more" in one.sentence
    none = judge([], TO_SIX, TODAY)
    assert (none.word, none.probability, none.deciding_plants) == ("can't tell", None, ())
    # one sure plant past a strict limit is enough for past
    assert judge(counted(8, 1, 25.0), TO_SIX, TODAY).word == "past"
    lenient = replace(TO_SIX, share_past=0.2)
    assert judge(counted(8, 1, 25.0), lenient, TODAY).word == "can't tell"


@pytest.mark.parametrize(
    ("decided", "waiting", "said"),
    [
        (8, 4, "Only 8 plants with an answer: count the 4 that wait for a hand count."),
        (9, 1, "Only 9 plants with an answer: count the 1 that waits for a hand count."),
        (
            3,
            3,
            "Only 3 plants with an answer: first count the 3 that wait for a hand count, then "
            "photograph at least 4 more.",
        ),
        (1, 0, "Only 1 plant with an answer: photograph at least 9 more."),
        (0, 10, "No plant has an answer yet: count the 10 that wait for a hand count."),
    ],
)
def test_plants_that_wait_are_to_be_counted_before_another_walk(
    decided: int, waiting: int, said: str
) -> None:
    waits = plants(3, 8.0, waiting, 0.5, outcome="hand-count")
    verdict = judge([*counted(3, decided, 8.0), *waits], TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert said in verdict.sentence
    assert said in verdict.steps
    assert set(verdict.steps) < set(verdict.reasons)


def test_the_most_advanced_plant_is_named_not_one_with_a_trace_of_doubt() -> None:
    """A V5 plant of 13.4 in is past 20 in with some millionths; a V6 plant is still ahead of it."""
    tall = [replace(p, height_interval_mm=(250.0, 430.0)) for p in counted(5, 10, 13.4)]
    field = [*tall, replace(counted(6, 1, 12.0)[0], name="ahead")]
    verdict = judge(field, TO_SIX, TODAY)
    assert verdict.word == "closing"
    assert "the most advanced is ahead (V6" in verdict.sentence
    assert verdict.decided_by == "leaves"


def test_a_plant_that_may_be_past_is_named_beside_the_most_advanced() -> None:
    odd = replace(counted(5, 1, 17.0)[0], name="odd", height_interval_mm=(310.0, 554.0))
    verdict = judge([*counted(6, 11, 15.0), odd], TO_SIX, TODAY)
    assert verdict.word == "closing"
    # 76 mm under 20 in with a sigma of 74 mm: about 15 in 100 (any table of the normal), and 28 in
    # 100 of the 2 in 100 that stray by three tenths of the height.
    assert "odd may be past it by its height (16%): look at it again" in verdict.sentence
    assert "(V6" in verdict.sentence


def test_the_most_advanced_plant_may_itself_be_past_already() -> None:
    first = replace(counted(6, 1, 19.0)[0], name="first", height_interval_mm=(349.0, 616.0))
    verdict = judge([*counted(4, 11, 12.0), first], TO_SIX, TODAY)
    assert verdict.word == "closing"
    # 25 mm under 20 in with a sigma of 81 mm: about 38 in 100 (any table of the normal).
    assert (
        "the most advanced is first (V6, 19.0 in), as read inside 6 collars or 20 in, but it may "
        "be past it already by its height (38%): look at it again." in verdict.sentence
    )
    assert "What isn't past yet may be past within days" in verdict.sentence
    sure = replace(first, height_mm=17.0 * INCH, height_interval_mm=None)
    said = judge([*counted(4, 11, 12.0), sure], TO_SIX, TODAY).sentence
    assert "(V6, 17.0 in), inside 6 collars or 20 in." in said
    assert "already" not in said
    assert "It may be past within days" in said


def test_heights_in_the_units_shown_with_the_labels_own_words_beside() -> None:
    field = counted(5, 12, 17.0)
    assert "(V5, 17.0 in), inside 6 collars or 20 in." in judge(field, TO_SIX, TODAY).sentence
    cm = judge(field, TO_SIX, TODAY, shown=Shown("cm")).sentence
    assert "(V5, 43.2 cm), inside 6 collars or 50.8 cm (20 in on the label)." in cm
    typed = replace(TO_SIX, highest=Bound(6, 500.0, "50cm"))
    assert "inside 6 collars or 50cm." in judge(field, typed, TODAY, shown=Shown("cm")).sentence
    inch = judge(field, typed, TODAY, shown=Shown("in")).sentence
    assert "(V5, 17.0 in), inside 6 collars or 19.7 in (50cm on the label)." in inch
    early = judge(counted(1, 12, 2.0), TO_SIX, TODAY, shown=Shown("cm")).sentence
    assert "short of 2 collars or 10.2 cm (4 in on the label)" in early


def test_few_plants_that_all_have_a_height_are_not_told_to_measure() -> None:
    verdict = judge(plants(3, 8.0)[:4], TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert not any("scale card" in reason for reason in verdict.reasons)


def test_an_old_visit() -> None:
    later = TODAY + timedelta(days=6)
    verdict = judge(plants(3, 8.0), TO_SIX, later)
    assert verdict.word == "can't tell"
    assert "6 days old" in verdict.sentence
    assert f"dated {TODAY}, by camera or folder" in verdict.sentence  # a clock may be behind
    assert judge(plants(3, 8.0), TO_SIX, later, visit_good_days=7).word == "open"
    assert judge(plants(7, 22.0), TO_SIX, later).word == "past"  # plants don't go back


def test_a_date_in_the_future_and_no_date() -> None:
    verdict = judge(plants(3, 8.0), TO_SIX, TODAY - timedelta(days=1))
    assert verdict.word == "can't tell"
    assert "clock" in verdict.sentence
    undated = [replace(p, taken_at=None) for p in plants(3, 8.0)]
    assert "age" in judge(undated, TO_SIX, TODAY).sentence


def test_old_plants_beside_fresh_ones_count_only_when_past() -> None:
    old = [replace(p, taken_at=TODAY - timedelta(days=9)) for p in counted(2, 30, 3.0)]
    verdict = judge(old + plants(4, 11.0), TO_SIX, TODAY)
    assert verdict.word == "open"
    assert any("30 plants" in reason for reason in verdict.reasons)
    old_past = [replace(p, taken_at=TODAY - timedelta(days=9)) for p in counted(7, 1, 21.0)]
    assert judge(old_past + plants(4, 11.0), TO_SIX, TODAY).word == "past"


def test_waiting_plants_that_could_change_the_answer() -> None:
    waiting = PlantEvidence(
        "IMG_77", (0, 0, 0, 0, 0, 0.1, 0.6, 0.3), 6, "hand-count", 0.5, taken_at=TODAY
    )
    verdict = judge([*plants(4, 11.0), waiting], TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert "IMG_77" in verdict.sentence
    harmless = replace(waiting, stage_probabilities=(0, 0.1, 0.8, 0.1), stage=2)  # V0 to V4
    assert judge([*plants(4, 11.0), harmless], TO_SIX, TODAY).word == "open"
    near = replace(waiting, stage_probabilities=(0, 0, 0.1, 0.8, 0.1), stage=3)  # V1 to V5
    assert judge([*plants(4, 11.0), near], TO_SIX, TODAY).word == "closing"
    # counted by hand, it is evidence like any other
    assert judge(
        [*plants(4, 11.0), replace(waiting, hand_count=5, height_mm=12 * INCH)], TO_SIX, TODAY
    ).word == ("closing")


def test_plants_without_a_date_that_could_change_the_answer() -> None:
    undated = [replace(p, name=f"loose {k}", taken_at=None) for k, p in enumerate(counted(8, 12))]
    field = counted(4, 12, 11.0)
    assert judge(field, TO_SIX, TODAY).word == "open"
    verdict = judge(field, TO_SIX, TODAY, undated=undated)
    assert verdict.word == "can't tell"
    assert "12 plants of this field have no date and are left out" in verdict.sentence
    assert "say the day of loose 0, loose 1, loose 2 and 9 more" in verdict.sentence
    # One that waits may turn out to be past; one that is as the others are changes nothing.
    waiting = replace(undated[0], hand_count=None, outcome="hand-count", stage=6)
    assert judge(field, TO_SIX, TODAY, undated=[waiting]).word == "can't tell"
    alike = [replace(field[0], name="loose", taken_at=None)]
    harmless = judge(field, TO_SIX, TODAY, undated=alike)
    assert (harmless.word, harmless.share_past) == ("open", judge(field, TO_SIX, TODAY).share_past)
    assert any("1 plant of this field has no date" in reason for reason in harmless.reasons)
    # What is past stays past, and days before harvest go on by themselves.
    assert judge(counted(8, 12, 11.0), TO_SIX, TODAY, undated=alike).word == "past"
    ended = replace(TO_SIX, days_before_harvest=45)
    assert judge(field, ended, TODAY, planned_harvest=TODAY, undated=undated).word == "past"


def test_a_waiting_plant_too_tall_is_past_whatever_its_count() -> None:
    waiting = PlantEvidence("IMG_78", outcome="hand-count", height_mm=26 * INCH, taken_at=TODAY)
    verdict = judge([*plants(4, 11.0), waiting], TO_SIX, TODAY)
    assert (verdict.word, verdict.deciding_plants) == ("past", ("IMG_78",))


def test_a_limit_with_a_height_and_plants_without_one() -> None:
    verdict = judge(plants(3), TO_SIX, TODAY)
    assert verdict.word == "can't tell"
    assert "scale card" in verdict.sentence
    assert judge(plants(8), TO_SIX, TODAY).word == "past"
    mixed = judge(plants(3, 8.0) + plants(3), TO_SIX, TODAY)
    assert mixed.word == "open"
    assert any("12 plants without a height" in reason for reason in mixed.reasons)


def test_one_plant_and_one_day_are_said_as_one() -> None:
    field = counted(4, 12, 11.0)
    old = replace(field[0], name="old", taken_at=TODAY - timedelta(days=9))
    (said, *_) = judge([*field, old], TO_SIX, TODAY).reasons
    assert said == (
        "1 plant without a date, or from before 2026-06-01, counts only where it makes the "
        "answer stricter."
    )
    (said, *_) = judge([*field, old, replace(old, name="o2")], TO_SIX, TODAY).reasons
    assert said.startswith("2 plants without a date, or from before 2026-06-01, count only where ")
    tomorrow = judge(field, TO_SIX, TODAY + timedelta(days=1), visit_good_days=0)
    assert tomorrow.steps == ("The last visit is 1 day old: walk the field again before you act.",)


# Harvest, tank mix, caution


def test_days_before_harvest() -> None:
    limit = replace(TO_SIX, days_before_harvest=45)
    field = plants(3, 8.0)

    def word(harvest: date | None) -> tuple[str, str | None]:
        verdict = judge(field, limit, TODAY, planned_harvest=harvest)
        return verdict.word, verdict.decided_by

    assert word(TODAY + timedelta(days=100)) == ("open", "leaves")
    assert word(TODAY + timedelta(days=45)) == ("closing", "days before harvest")
    assert word(TODAY + timedelta(days=44)) == ("past", "days before harvest")
    assert word(None) == ("can't tell", "days before harvest")
    only = Limit("Product G", "broadcast", days_before_harvest=45)
    assert judge([], only, TODAY, planned_harvest=TODAY + timedelta(days=99)).word == "open"


def test_a_last_day_is_never_leave_to_wait_until_then() -> None:
    limit = replace(TO_SIX, days_before_harvest=45)

    def reasons(field: list[PlantEvidence]) -> str:
        harvest = TODAY + timedelta(days=99)
        return " ".join(judge(field, limit, TODAY, planned_harvest=harvest).reasons)

    assert "By harvest alone the last day is 2026-07-28" in reasons(counted(3, 1, 8.0))
    assert "last day" not in reasons(counted(8, 12, 25.0))
    no_day = judge(counted(3, 12, 8.0), limit, TODAY)
    assert no_day.steps == (no_day.reasons[0],)
    assert "add planned_harvest" in no_day.steps[0]


def test_a_tank_mix_takes_the_most_restrictive() -> None:
    limits = parse_limits(
        """
        [[limit]]
        name = "Product A"
        method = "broadcast"
        leaf = "collars"
        max_leaves = 6

        [[limit]]
        name = "Product B"
        method = "broadcast"
        leaf = "collars"
        max_leaves = 8

        [[tank_mix]]
        name = "A with B"
        limits = ["Product B", "Product A"]
        """
    )
    a, b, mix = with_mixes(judge_each(counted(7), limits, TODAY), limits)
    assert (a.word, b.word) == ("past", "closing")
    assert (mix.name, mix.word, mix.decided_by) == ("A with B", "past", "Product A")
    assert CAUTION in mix.sentence


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(0, 10), max_size=14),
    st.floats(0.4, 1.0),
    st.sampled_from([TO_SIX, TO_EIGHT, replace(TO_SIX, share_past=0.2)]),
    st.booleans(),
)
def test_moving_every_plant_up_a_stage_never_turns_past_into_open(
    stages: list[int], confidence: float, limit: Limit, some_wait: bool
) -> None:
    def field(more: int) -> list[PlantEvidence]:
        return [
            replace(
                plants(stage + more, 5.0 + stage + more, 1, confidence)[0],
                name=f"p{k}",
                outcome="hand-count" if some_wait and k % 3 == 0 else "staged",
            )
            for k, stage in enumerate(stages)
        ]

    before, after = judge(field(0), limit, TODAY), judge(field(1), limit, TODAY)
    if before.word == "past":
        assert after.word == "past"
    for verdict in (before, after):
        assert CAUTION in verdict.sentence
        assert verdict.caution == CAUTION
        assert verdict.word in STRICTNESS
        assert verdict.probability is None or 0 <= verdict.probability <= 1


def test_too_early_says_who_is_close_to_the_maximum() -> None:
    limit = Limit("Product H", "broadcast", "collars", Bound(2), Bound(6))
    ahead = [replace(p, name=f"ahead{k}") for k, p in enumerate(counted(6, 9))]
    verdict = judge([*counted(1, 11), *ahead], limit, TODAY)
    assert verdict.word == "too early"
    assert "But 9 plants are close to the maximum of 6 collars" in verdict.sentence
    assert "The field may never be inside as a whole" in verdict.sentence
    odd = replace(plants(6, None, 1, 0.55)[0], stage_probabilities=(0,) * 6 + (0.55, 0.45))
    doubt = judge([*counted(1, 11), *counted(4, 8), odd], limit, TODAY)
    assert "may be past it already by its leaves (45%)" in doubt.sentence
    assert doubt.sentence.count(odd.name) == 1  # one plant is told of once
    assert "look at it again. The field may never be inside as a whole." in doubt.sentence
    assert doubt.probability == pytest.approx(0.55 * (verdict.probability or 0), abs=0.01)
    assert "maximum" not in judge(counted(1), limit, TODAY).sentence
