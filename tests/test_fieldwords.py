"""Field words: sentences that the table and the report share."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from fields import LIMITS, VISIT, weather_csv
from flights import FLOWN, SLOPE, counted, zoned

from collarvision.answer import stage_name
from collarvision.decision import FieldAnswer, answer_record, decide
from collarvision.evidence import PlantEvidence
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import FieldVisit, FieldVisits
from collarvision.fieldwords import (
    common_reasons,
    enough_words,
    headline,
    headline_stage,
    span_words,
    sure_words,
    waiting_words,
)
from collarvision.heat import DateSpan
from collarvision.limitsfile import parse_limits
from collarvision.outlook import look_ahead, read_weather
from collarvision.report.page import report_page
from collarvision.report.plots import distribution
from collarvision.seenplants import SeenPlant
from collarvision.units import Shown
from collarvision.walk.correction import correct

TODAY = VISIT + timedelta(days=1)


def test_spans_in_words() -> None:
    day, horizon = date(2027, 6, 10), date(2027, 8, 1)
    later = date(2027, 6, 20)
    assert span_words(None, TODAY) == "–"
    assert span_words(DateSpan(day, day, later, horizon), TODAY) == "2027-06-10 to 2027-06-20"
    assert span_words(DateSpan(day, day, day, horizon), TODAY) == "2027-06-10"
    assert span_words(DateSpan(day, None, None, horizon), TODAY) == "2027-06-10 or later"
    assert span_words(DateSpan(None, None, None, horizon), TODAY) == "after 2027-08-01"
    assert span_words(DateSpan(VISIT, VISIT, VISIT, horizon), TODAY) == "by 2027-06-04"


def test_hardly_and_nearly_sure() -> None:
    assert [sure_words(p) for p in (0.0, 0.004, 0.5, 0.996, 1.0)] == [
        "under 1%",
        "under 1%",
        "50%",
        "over 99%",
        "over 99%",
    ]


# More plants of the part that is ahead than it has of the field's.
AHEAD = [(60.0, 190.0), (90.0, 180.0), (60.0, 150.0), (200.0, 190.0), (250.0, 45.0)]


def flown(each: int) -> FieldAnswer:
    flight, zones = zoned()
    ground = counted(SLOPE, AHEAD, each)
    plants = tuple(SeenPlant(one.evidence, gps=one.gps) for one in ground)
    visits = FieldVisits("Slope", None, FieldVisit(FLOWN, 1, plants))
    return decide(visits, FLOWN, above=correct(flight, zones, ground, visit=FLOWN))


def counted_by_hand(stages: list[int]) -> FieldVisits:
    plants = tuple(
        SeenPlant(PlantEvidence(f"p{k}", hand_count=stage, taken_at=VISIT))
        for k, stage in enumerate(stages)
    )
    return FieldVisits("North", None, FieldVisit(VISIT, 1, plants))


def test_zones_that_are_enough_are_said_beside_the_sample() -> None:
    answer = flown(4)
    assert answer.above is not None
    assert (answer.above.enough, answer.enough.enough) == (True, False)
    said = enough_words(answer)
    assert "By its zones the field has enough; without them about " in said
    assert f"about {answer.enough.more} plants would be missing." in said
    assert "more plant" not in said
    assert "more plants" in enough_words(replace(answer, above=None))
    short = replace(answer.above, enough=False)
    assert "more plants" in enough_words(replace(answer, above=short))


def test_the_sample_says_what_its_number_of_plants_is_for() -> None:
    few = counted_by_hand([4] * 4 + [5] * 4)
    said = enough_words(decide(few, TODAY))
    assert re.search(r"about \d+ more plants for ±15 in 100\.$", said)
    assert "for ±10 in 100" in enough_words(decide(few, TODAY, precision=0.1))
    assert enough_words(decide(counted_by_hand([]), TODAY)).endswith("seen for ±15 in 100.")
    assert "±" not in enough_words(decide(counted_by_hand([4] * 60), TODAY))


def test_what_several_limits_say_begins_with_what_to_do_and_keeps_its_order() -> None:
    answer = decide(counted_by_hand([4] * 12), TODAY, limits=parse_limits(LIMITS))
    first, second, mix = answer.verdicts
    does, asks = [f"Count {k}." for k in range(6)], [f"Know {k}." for k in range(6)]
    verdicts = (
        replace(first, reasons=tuple(asks), steps=()),
        replace(second, reasons=(*does, *asks), steps=tuple(does)),
        replace(mix, reasons=(*does, *asks), steps=tuple(does)),
    )
    assert common_reasons(replace(answer, verdicts=verdicts)) == [*does, *asks]


def test_the_stage_drawn_in_full_colour_is_the_headline_s() -> None:
    answer = flown(4)
    assert answer.above is not None
    assert headline_stage(answer) == answer.above.stage != answer.stage.stage
    assert headline(answer).startswith(f"By its zones {stage_name(answer.above.stage)} (")
    for one in (answer, replace(answer, above=None)):
        strong = re.findall(r'class="strong">(V\d+)<', distribution(one) or "")
        assert strong == [stage_name(headline_stage(one) or 0)]


def test_the_report_says_what_the_stage_at_its_top_rests_on() -> None:
    answer = flown(4)
    assert answer.above is not None
    alike = replace(answer, above=replace(answer.above, stage=answer.stage.stage or 0))
    by_ground = "Stage, shares and verdicts above rest on the plants of the ground alone."
    by_zones = "Shares and verdicts rest on the plants of the ground alone; the stage at the top "
    by_zones += "is the one by zones."
    for one, said, other in ((answer, by_zones, by_ground), (alike, by_ground, by_zones)):
        page = " ".join(report_page(one, Shown("in")).split())
        assert (page.count(said), page.count(other)) == (1, 0)


def test_dates_that_are_a_bound_are_said_as_one() -> None:
    day, later, horizon = date(2027, 6, 10), date(2027, 6, 20), date(2027, 8, 1)
    span = DateSpan(day, day, later, horizon)
    assert span_words(span, TODAY, "at the latest") == "2027-06-10 to 2027-06-20 at the latest"
    assert span_words(span, later, "at the latest") == "by 2027-06-20"
    assert span_words(span, TODAY, "not before") == "not before 2027-06-10"
    beyond = DateSpan(None, None, None, horizon)
    assert span_words(beyond, TODAY, "not before") == "after 2027-08-01"
    assert span_words(span, TODAY, "unknown") == "–"


def test_the_table_says_what_the_dates_leave_out(tmp_path: Path) -> None:
    plants = counted_by_hand([3] * 12)
    tall = tuple(
        replace(one, evidence=replace(one.evidence, height_mm=200.0))
        for one in plants.chosen.plants
    )
    visits = replace(plants, chosen=replace(plants.chosen, plants=tall))
    weather = read_weather(weather_csv(tmp_path / "t.csv"), None, TODAY)
    limits = parse_limits(LIMITS)
    ahead = look_ahead([(VISIT, visits.chosen.evidence)], weather, limits)
    answer = decide(visits, TODAY, limits=limits, outlook=ahead)
    for width in (60, 110):
        text = " ".join(format_answer(answer, Shown("in"), width=width).split())
        assert text.count("By height nothing is foretold: Height growth needs two visits") == 1
        assert text.count("the pace is the published range alone. A second narrows it.") == 1
        assert "at the latest" in text
        assert "label is the law" in text
    closes = answer_record(answer)["verdicts"][0]["closes"]
    assert closes["told"] == "at the latest"


def test_a_stage_that_waiting_plants_could_move_is_sure_only_without_them() -> None:
    sure = counted_by_hand([3] * 24)
    wait = tuple(
        SeenPlant(
            PlantEvidence(
                f"w{k}", (0, 0, 0, 0.1, 0.2, 0.4, 0.3), 5, "hand-count", 0.4, taken_at=VISIT
            )
        )
        for k in range(30)
    )
    visits = replace(sure, chosen=replace(sure.chosen, plants=(*sure.chosen.plants, *wait)))
    answer = decide(visits, TODAY)
    assert "sure without those that wait)" in headline(answer)
    assert "without those" not in headline(decide(sure, TODAY))
    assert not answer.enough.enough
    said = enough_words(answer)
    assert "Enough" not in said
    assert "Count the 30 that wait for a hand count first: the field may be at V2 to V7." in said
    assert decide(sure, TODAY).enough.enough


def test_one_plant_is_spoken_of_as_one() -> None:
    def said(*plants: PlantEvidence) -> str:
        seen = tuple(SeenPlant(one) for one in plants)
        answer = decide(FieldVisits("N", None, FieldVisit(VISIT, 1, seen)), VISIT)
        return f"{waiting_words(answer)} {enough_words(answer)}"

    counted = PlantEvidence("a.jpg", hand_count=3)
    waits = PlantEvidence("x.jpg", (0.0, 0.1, 0.4, 0.4, 0.1), 3, "hand-count", 0.4)
    one = said(counted, waits)
    assert "1 plant waiting for a hand count: x.jpg. It could move the field's stage" in one
    assert re.search(r"\b[01] of 1 plant at or past V\d \(", one)
    assert "1 plants" not in one
    two = said(counted, counted, waits, waits)
    assert "2 plants waiting for a hand count: x.jpg, x.jpg. They could move" in two
    assert " of 2 plants at or past V" in two
    many = said(*[counted] * 9, replace(waits, name="y.jpg"))
    assert "stays V3 whatever it turns out to be" in many


def with_waiting(counted: list[int], *waiting: PlantEvidence) -> FieldAnswer:
    visits = counted_by_hand(counted)
    seen = (*visits.chosen.plants, *(SeenPlant(one) for one in waiting))
    return decide(replace(visits, chosen=replace(visits.chosen, plants=seen)), TODAY)


SEEDLING = PlantEvidence("w.jpg", stage=0, outcome="hand-count", confidence=0.85, taken_at=VISIT)


def test_plants_that_move_the_stage_unless_they_are_none_don_t_leave_it_as_it_is() -> None:
    answer = with_waiting([4] * 24 + [5] * 24, *[SEEDLING] * 4)
    assert (answer.stage.stage, answer.stage.stage_if_waiting) == (5, (4, 5))
    assert "sure without those that wait)" in headline(answer)
    said = waiting_words(answer) or ""
    assert "stays" not in said
    assert said.endswith("They could move the field's stage to anything from V4 to V5.")
    sure = with_waiting([4] * 100 + [5] * 101, *[SEEDLING] * 4)
    assert (sure.stage.stage, sure.stage.stage_if_waiting) == (5, (4, 5))
    assert not sure.enough.enough
    assert enough_words(sure).endswith("hand count first: the field may be at V4 to V5.")
    settled = with_waiting([4] * 100 + [5] * 110, SEEDLING)
    assert settled.enough.enough
    assert "without those" not in headline(settled)


def test_what_waits_moves_the_stage_of_all_plants_and_not_that_by_zones() -> None:
    answer = flown(4)
    stage = answer.stage.stage
    assert stage is not None
    waits = replace(answer.stage, waiting=1, waiting_names=("w",), stage_if_waiting=(stage, stage))
    said = waiting_words(replace(answer, stage=waits)) or ""
    assert f" The stage of all plants together stays {stage_name(stage)} whatever" in said


def test_a_field_without_an_answer_says_what_became_of_its_photos() -> None:
    bad = PlantEvidence("b.jpg", outcome="rejected", taken_at=VISIT)
    assert headline(with_waiting([], SEEDLING, bad, bad)) == (
        "No stage yet: no plant has an answer; 1 waiting for a hand count, 2 photos not usable."
    )
    assert headline(with_waiting([], bad)).endswith("no plant has an answer; 1 photo not usable.")
    assert headline(with_waiting([])) == "No stage yet: no plant has an answer."
    said = waiting_words(with_waiting([], replace(SEEDLING, stage_probabilities=(1.0,)))) or ""
    assert "stays" not in said
