"""Since the visit: what heat says of a verdict, as plants grow on after they were seen.

Heat only ever makes an answer stricter: nothing is open because a forecast says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Final

from collarvision.limits import CAUTION, Verdict, cannot_tell
from collarvision.limitwords import VerdictWord
from collarvision.window import AS_FAR_ON, Window

# A day for the pass itself, and for a day's heat that comes early. Our own choice.
_SOON: Final = timedelta(days=1)

# Plants seen today outrank the early end of a loose date that is still to come, such as a height's
# from two visits: it closes nothing, and is told. From so long before its middle on it counts. Our
# own choice.
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
    if window is None or closes is None or verdict.word in ("past", "can't tell"):
        return verdict
    # What was seen today outranks what heat makes of it.
    seen_before = visit is not None and visit < today
    # A close that falls on today is as likely still to come: that is closing, and said.
    if seen_before and closes.middle is not None and closes.middle < today:
        by_waiting = AS_FAR_ON in window.reasons
        which = "a plant that waits for a hand count may have" if by_waiting else "it has probably"
        step = (
            f"By heat {which} passed its maximum since the visit of {visit} (by {closes.middle}): "
            f"{'count it, or ' if by_waiting else ''}walk the field again."
        )
        return cannot_tell(verdict, "heat", step)
    if closes.early is None or closes.early > today + _SOON:
        return verdict
    if verdict.word != "open" and not (verdict.word == "closing" and seen_before):
        return verdict
    reached = closes.early <= today
    said = f"By heat it may be past {'already' if seen_before and reached else 'within a day'}"
    # A verdict that was closing has told to look again.
    said += ": look again right before you act." if verdict.word == "open" else "."
    tight = closes.middle is not None and closes.middle <= today + _TIGHT
    # From its early end on the report's strip is pale: no verdict may be surer than it.
    closing = verdict.word == "closing" or seen_before or reached or tight
    start = f"{verdict.name} ({verdict.method}): {verdict.word}. "
    told = verdict.sentence.removeprefix(start).removesuffix(CAUTION).strip()
    word: VerdictWord = "closing" if closing else verdict.word
    return replace(verdict, word=word, sentence=_sentence(verdict, word, f"{told} {said}"))


def _sentence(verdict: Verdict, word: VerdictWord, said: str) -> str:
    return f"{verdict.name} ({verdict.method}): {word}. {said} {CAUTION}"
