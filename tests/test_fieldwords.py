"""Field words: sentences that the table and the report share."""

from __future__ import annotations

from datetime import date, timedelta

from fields import VISIT

from collarvision.fieldwords import span_words, sure_words
from collarvision.heat import DateSpan

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
