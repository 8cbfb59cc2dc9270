"""Window told: which of a limit's dates may stand beside its verdict, and none that reads as leave.

The table, the JSON form and the report's strips take their dates from here.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

from collarvision.heat import DateSpan
from collarvision.limitwords import VerdictWord
from collarvision.window import NEVER_INSIDE, Window, never_inside


def told_beside(word: VerdictWord, window: Window, today: date) -> Window | None:
    """Give what of a window stands beside a verdict; None where no date may.

    Parameters
    ----------
    word : str
        The verdict's.
    window : Window
        By heat alone.
    today : date
        Day that the answer is for.

    Returns
    -------
    Window or None
        One that closes no later than its days before harvest begin. Dates beside an answer that
        can't be given would be taken for one, and any still to come beside "past" for leave: it
        may be past by an earlier visit, or by a plant that the mean knows nothing of. Beside "too
        early" it opens tomorrow at the earliest; where it closes before, its reasons say so.
    """
    if word == "can't tell":
        return None
    told = _ended_by_harvest(window)
    if word == "too early":
        return _saying_never_inside(told.opening_after(today), today)
    return None if word == "past" and not _over(told, today) else told


def closed_by_harvest(window: Window) -> date | None:
    """First day that doesn't leave the days before harvest any more; None without those."""
    last = window.last_harvest_day
    return None if last is None else last + timedelta(days=1)


def _ended_by_harvest(window: Window) -> Window:
    end, closes = closed_by_harvest(window), window.closes
    # An end after the last temperature is that still: which of the two comes first, nobody knows.
    if end is None or closes is None or end > closes.horizon:
        return window
    dates = (closes.early, closes.middle, closes.late)
    early, middle, late = (min(day or end, end) for day in dates)
    return replace(window, closes=DateSpan(early, middle, late, closes.horizon))


def _saying_never_inside(window: Window, today: date) -> Window:
    said = NEVER_INSIDE.format(name=window.name)
    if said in window.reasons or not never_inside(window.opens, window.closes, today):
        return window
    return replace(window, reasons=(*window.reasons, said))


def _over(window: Window, today: date) -> bool:
    """Whether every date of a window was reached by that day; a close not known wasn't."""
    spans = [span for span in (window.opens, window.closes) if span is not None]
    unknown = window.closes is None and window.closes_told != "unset"
    return not unknown and all(span.late is not None and span.late <= today for span in spans)
