"""Field words: sentences that the table and the report share."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, timedelta

from fields import VISIT
from flights import FLOWN, SLOPE, counted, zoned

from collarvision.answer import stage_name
from collarvision.decision import FieldAnswer, decide
from collarvision.fieldvisits import FieldVisit, FieldVisits, SeenPlant
from collarvision.fieldwords import (
    enough_words,
    headline,
    headline_stage,
    span_words,
    sure_words,
)
from collarvision.heat import DateSpan
from collarvision.report.plots import distribution
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


def test_the_stage_drawn_in_full_colour_is_the_headline_s() -> None:
    answer = flown(4)
    assert answer.above is not None
    assert headline_stage(answer) == answer.above.stage != answer.stage.stage
    assert headline(answer).startswith(f"By its zones {stage_name(answer.above.stage)} (")
    for one in (answer, replace(answer, above=None)):
        strong = re.findall(r'class="strong">(V\d+)<', distribution(one) or "")
        assert strong == [stage_name(headline_stage(one) or 0)]
