"""Visit days: which days a visit that a hand count would begin may be of."""

from __future__ import annotations

from collections.abc import Iterable

from collarvision.answer import day_in
from collarvision.evidence import SAME_CROP_DAYS


def of_no_season(field: str, date: str, now: str, visits: Iterable[str | None]) -> str | None:
    """A sentence on a day that is far from every visit of a field and from today; else None.

    Such a day is mostly a slip in the year. It would begin a visit of its own without a word, and
    its plants would be missing from the visit that was meant.

    Parameters
    ----------
    field : str
    date, now : str
        The day of the visit to be begun, and today's, ISO 8601.
    visits : iterable of str or None
        Days of the field's visits; None of one without a date.
    """
    day, today = day_in(date), day_in(now)
    known = [one for one in map(day_in, visits) if one is not None]
    if day is None or today is None:
        return None
    if any(abs((day - one).days) <= SAME_CROP_DAYS for one in (*known, today)):
        return None
    last = f" (its last one is of {max(known)})" if known else ""
    return (
        f"--visit {date} is more than {SAME_CROP_DAYS} days from today and from every visit of "
        f"{field}{last}: check the year. If another season is meant, run `collarvision batch` on a "
        f"folder named {date} with a photo of it first: that makes the visit."
    )
