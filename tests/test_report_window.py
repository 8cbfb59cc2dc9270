"""Report's strips of dates: never surer of a day, nor less sure, than the verdict of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from xml.etree import ElementTree

import pytest
from test_sincevisit import TO_SIX, TODAY, counted

from collarvision.decision import FieldAnswer, decide
from collarvision.fieldvisits import FieldVisit, FieldVisits
from collarvision.heat import DateSpan
from collarvision.limitsfile import Limits
from collarvision.outlook import look_ahead
from collarvision.report.windowplot import draw_window
from collarvision.seenplants import SeenPlant
from collarvision.temperatures import Day, Temperatures
from collarvision.units import Shown
from collarvision.window import Window

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


def surely_open(answer: FieldAnswer) -> bool:
    """Whether the day of the answer lies on the full part of the limit's strip."""
    root = ElementTree.fromstring(draw_window(answer, Shown("in")) or "")
    today = next(n for n in root.iter() if n.get("class") == "today")
    x = float((today.get("points") or "").split()[0].split(",")[0])
    full = [n for n in root.iter() if n.get("class") == "lane sure"]
    spans = [(float(n.get("x") or 0), float(n.get("width") or 0)) for n in full]
    return any(left <= x < left + wide - 0.01 for left, wide in spans)


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
