"""Report's strips of dates: never surer of a day, nor less sure, than the verdict of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest
from test_sincevisit import TO_SIX, TODAY, counted

from collarvision.decision import FieldAnswer, answer_record, decide
from collarvision.fieldtable import format_answer
from collarvision.fieldvisits import FieldVisit, FieldVisits
from collarvision.heat import DateSpan
from collarvision.limitsfile import Bound, Limit, Limits
from collarvision.outlook import look_ahead
from collarvision.report.windowplot import draw_window
from collarvision.seenplants import SeenPlant
from collarvision.temperatures import Day, Temperatures
from collarvision.units import Shown
from collarvision.window import NEVER_INSIDE, Window

LIMITS = Limits(TO_SIX.limits[:1])


def answered(seen: int, early: int, middle: int) -> FieldAnswer:
    """Twenty plants of V3 seen so many days ago, and the days on which heat closes the limit."""
    visit = TODAY - timedelta(days=seen)
    found = FieldVisit(visit, 0, tuple(SeenPlant(one) for one in counted([3] * 20, visit)))
    weather = Temperatures(
        tuple(Day(visit + timedelta(days=k), 55, 80) for k in range(90)),
    )
    outlook = look_ahead([(visit, found.evidence)], weather, LIMITS)
    assert outlook is not None
    days = [TODAY + timedelta(days=k) for k in (early, middle, middle + 9, 75)]
    window = Window("A", None, DateSpan(*days), None, opens_told="unset")
    outlook = replace(outlook, windows=(window,))
    return decide(FieldVisits("North", None, found, ()), TODAY, limits=LIMITS, outlook=outlook)


def lanes(answer: FieldAnswer, *kinds: str) -> tuple[float, list[tuple[float, float]]]:
    """Where the day of the answer is drawn, and left and right of each part of such a kind."""
    root = ElementTree.fromstring(draw_window(answer, Shown("in")) or "")
    today = next(n for n in root.iter() if n.get("class") == "today")
    x = float((today.get("points") or "").split()[0].split(",")[0])
    parts = [n for n in root.iter() if n.get("class") in kinds]
    spans = [(float(n.get("x") or 0), float(n.get("width") or 0)) for n in parts]
    return x, [(left, left + wide) for left, wide in spans]


def surely_open(answer: FieldAnswer) -> bool:
    """Whether the day of the answer lies on the full part of the limit's strip."""
    x, full = lanes(answer, "lane sure")
    return any(left <= x < right - 0.01 for left, right in full)


@pytest.mark.parametrize("seen", [0, 1, 2, 3])
@pytest.mark.parametrize("middle", [1, 2, 4, 9, 14])
def test_open_is_said_only_where_the_strip_is_full(seen: int, middle: int) -> None:
    words = set()
    for early in range(-min(seen, 2), middle + 1):
        answer = answered(seen, early, middle)
        word = answer.verdicts[0].word
        words.add(word)
        assert surely_open(answer) == (early > 0)
        if not surely_open(answer):
            assert word == "closing"
        if early > 1:
            assert word == "open"
    assert "closing" in words


# Days before harvest


def ending(limit: Limit, last_day: date) -> FieldAnswer:
    """Plants of V4 seen today in even weather, and a last day by harvest."""
    ends = replace(limit, days_before_harvest=60)
    limits = Limits((ends,), planned_harvest=last_day + timedelta(days=60))
    return seen_today([4] * 20, limits)


def seen_today(stages: list[int], limits: Limits) -> FieldAnswer:
    """Plants counted and measured today, in even weather."""
    tall = [
        replace(one, height_mm=50.0 + 40 * (one.hand_count or 0)) for one in counted(stages, TODAY)
    ]
    found = FieldVisit(TODAY, 0, tuple(SeenPlant(one) for one in tall))
    weather = Temperatures(tuple(Day(TODAY + timedelta(days=k), 55, 80) for k in range(40)))
    outlook = look_ahead([(TODAY, found.evidence)], weather, limits)
    return decide(FieldVisits("North", None, found, ()), TODAY, limits=limits, outlook=outlook)


@pytest.mark.parametrize(
    "limit",
    [
        Limit("A", "b", "collars", Bound(2), Bound(8)),
        Limit("A", "b", "collars", Bound(2)),
        Limit("A", "b", "collars", Bound(2), Bound(8, 500.0, "50 cm")),  # no growth known
    ],
)
def test_no_day_after_the_last_one_by_harvest_is_drawn_open(limit: Limit) -> None:
    last_day = TODAY + timedelta(days=3)
    answer, after = ending(limit, last_day), last_day + timedelta(days=1)
    end, drawn = lanes(replace(answer, today=after), "lane sure", "lane may")
    assert max(right for _, right in drawn) == pytest.approx(end, abs=0.2)
    (record,) = answer_record(answer)["verdicts"]
    assert record["verdict"] == "closing"
    assert record["last_day_before_harvest"] == last_day.isoformat()
    if record["closes"] is not None:
        ends = [record["closes"][end] for end in ("early", "middle", "late")]
        assert ends == [after.isoformat()] * 3


def closing(answer: FieldAnswer) -> DateSpan:
    window = answer.window_of("A")
    assert window is not None
    assert window.closes is not None
    return window.closes


def test_a_last_day_by_harvest_makes_no_close_later_or_surer() -> None:
    limit = Limit("A", "b", "collars", Bound(2), Bound(8))
    alone = closing(ending(limit, TODAY + timedelta(days=300)))
    # After the temperatures, the close by leaves may come first.
    assert closing(ending(limit, TODAY + timedelta(days=60))) == alone
    assert alone.early is not None
    after = alone.early + timedelta(days=1)
    told = closing(ending(limit, after - timedelta(days=1)))
    assert (told.early, told.middle, told.late) == (alone.early, after, after)


def test_a_limit_that_harvest_ends_before_it_opens_says_so() -> None:
    limit = Limit("A", "b", "collars", Bound(6), Bound(9))
    never = NEVER_INSIDE.format(name="A")
    for last_day, said in ((TODAY + timedelta(days=3), True), (TODAY + timedelta(days=90), False)):
        answer = ending(limit, last_day)
        (record,) = answer_record(answer)["verdicts"]
        assert record["verdict"] == "too early"
        assert (never in record["reasons"]) == said
        told = " ".join(format_answer(answer, Shown("in"), width=110).split())
        assert (never in told) == said


# Past


@pytest.mark.parametrize(
    "limit",
    [
        Limit("A", "b", "collars", highest=Bound(6)),  # the one of seven collars by heat in days
        Limit("A", "b", "collars", Bound(5), Bound(6)),
        Limit("A", "b", "collars", Bound(2), Bound(6, 500.0, "50 cm")),  # no growth known
        Limit("A", "b", "collars", Bound(5), days_before_harvest=60),
    ],
)
def test_past_has_no_date_to_come_and_no_green_from_today_on(limit: Limit) -> None:
    harvest = TODAY + timedelta(days=59)  # a day too few
    answer = seen_today([2, 3, 4, 5, 6, 7] * 2, Limits((limit,), planned_harvest=harvest))
    (record,) = answer_record(answer)["verdicts"]
    assert record["verdict"] == "past"
    for span in (record["opens"], record["closes"]):
        assert span is None or (span["late"] or "later") <= TODAY.isoformat()
    assert "to 2027-" not in format_answer(answer, Shown("in"), width=110)
    x, drawn = lanes(answer, "lane sure", "lane may")
    assert all(right <= x + 0.1 for _, right in drawn)


def test_past_by_harvest_alone_says_when_that_was() -> None:
    last_day = TODAY - timedelta(days=1)
    answer = ending(Limit("A", "b", "collars", Bound(2), Bound(8)), last_day)
    assert answer.verdicts[0].word == "past"
    assert closing(answer).late == TODAY
    assert f"by {TODAY}" in format_answer(answer, Shown("in"), width=110)
