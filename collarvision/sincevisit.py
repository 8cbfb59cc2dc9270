"""Since the visit: what heat says of a verdict, as plants grow on after they were seen.

Heat only ever makes an answer stricter: nothing is open because a forecast says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Final

from collarvision.limits import CAUTION, Verdict, cannot_tell
from collarvision.window import Window

# A day for the pass itself, and for a day's heat that comes early. Our own choice.
_SOON: Final = timedelta(days=1)

# From so long before its middle on the early end of a date counts. Our own choice.
_TIGHT: Final = timedelta(days=3)


def grown_on(
    verdicts: Sequence[Verdict], windows: Sequence[Window], visit: date | None, today: date
) -> tuple[Verdict, ...]:
    """Verdicts of single limits, held back or hurried where heat says so.

    Parameters
    ----------
    verdicts : sequence of Verdict
        Tank mixes left out: they follow their members.
    windows : sequence of Window
        By the same names; a limit without one stays as it is.
    visit, today : date
        Day of the plants, and the day that the answer is for.
    """
    by_name = {one.name: one for one in windows}
    return tuple(_grown_on(one, by_name.get(one.name), visit, today) for one in verdicts)


def _grown_on(verdict: Verdict, window: Window | None, visit: date | None, today: date) -> Verdict:
    closes = None if window is None else window.closes
    if closes is None or verdict.word in ("past", "can't tell"):
        return verdict
    # What was seen today outranks what heat makes of it.
    seen_before = visit is not None and visit < today
    # A close that falls on today is as likely still to come: that is closing, and said.
    if seen_before and closes.middle is not None and closes.middle < today:
        step = (
            f"By heat it has probably passed its maximum since the visit of {visit} (by "
            f"{closes.middle}): walk the field again."
        )
        return cannot_tell(verdict, "heat", step)
    # The early end of a loose date, such as a height's from two visits, says little by itself.
    soon = closes.early is not None and closes.early <= today + _SOON
    if not soon or closes.middle is None or closes.middle > today + _TIGHT:
        return verdict
    if verdict.word == "open" or (verdict.word == "closing" and seen_before):
        may_be = seen_before and closes.early is not None and closes.early <= today
        when = "already" if may_be else "within a day"
        said = f"By heat it may be past {when}"
        # A verdict that was closing has told to look again.
        said += ": look again right before you act." if verdict.word == "open" else "."
        start = f"{verdict.name} ({verdict.method}): {verdict.word}. "
        told = verdict.sentence.removeprefix(start).removesuffix(CAUTION).strip()
        return replace(
            verdict, word="closing", sentence=_sentence(verdict, "closing", f"{told} {said}")
        )
    return verdict


def _sentence(verdict: Verdict, word: str, said: str) -> str:
    return f"{verdict.name} ({verdict.method}): {word}. {said} {CAUTION}"
