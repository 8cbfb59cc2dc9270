"""Limit past: what the plants seen say by themselves, and whether that makes a field past for good.

Plants don't go back: what was surely past on another visit up to the day of the answer is past.
Nothing else lasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Final

from collarvision.evidence import PlantEvidence, newest
from collarvision.limitsfile import Limit
from collarvision.limitwords import SURELY, VerdictWord, doubtful_before
from collarvision.sampling import FEWEST_PLANTS
from collarvision.standing import PlantStanding, answers
from collarvision.tally import LIKELY, beyond, counting, short_of, shown_past, standings

Earlier = Sequence[tuple[date, Sequence[PlantEvidence]]]
"""Days and plants of the crop's other visits: those up to the day of an answer are heard."""

_DOUBT: Final = 0.05


def word_by_plants(standing: Sequence[PlantStanding], limit: Limit) -> VerdictWord:
    """The verdict by plants alone, thin or not."""
    past, near = beyond(standing, limit, near=False), beyond(standing, limit, near=True)
    if past > LIKELY:
        return "past" if shown_past(standing, limit) else "can't tell"
    if short_of(standing, limit) > LIKELY:
        return "too early"
    return "closing" if near > LIKELY or past > _DOUBT else "open"


def seen_past(seen: Sequence[PlantEvidence], limit: Limit) -> list[PlantStanding] | None:
    """The plants seen, old ones too, where they are enough for past; None where they aren't."""
    by_height = limit.highest.height_mm is not None
    heard = [p for p in seen if answers(p, limit)]
    heard += [p for p in seen if by_height and p.height_only and not answers(p, limit)]
    everyone = standings(heard, limit, 0)
    enough = limit.share_past == 0 or len(counting(everyone, limit)) >= FEWEST_PLANTS
    return everyone if word_by_plants(everyone, limit) == "past" and enough else None


def past_earlier(
    earlier: Earlier, limit: Limit, today: date
) -> tuple[date | None, list[PlantStanding] | None, list[str]]:
    """The last other visit that was surely past the maximum, its plants, else who may have been.

    A photo in doubt can be looked at again: it must not make the field past for good.
    """
    doubts: list[str] = []
    for day, plants in sorted(earlier, key=lambda one: one[0], reverse=True):
        seen = [p for p in plants if day <= today and (p.taken_at or day) <= today]
        found = seen_past(seen, limit)
        if found is None:
            continue
        surely = [replace(s, past=p, past_soundly=p) for s in found for p in [_surely(s)]]
        if word_by_plants(surely, limit) == "past":
            return day, surely, []
        doubts = doubts or [doubtful_before(day, found)]
    return None, None, doubts


def seen_again(
    earlier: Earlier, seen: Sequence[PlantEvidence], limit: Limit, today: date
) -> list[str]:
    """Say that a newer visit than that of the plants `seen` tells what holds; empty without one."""
    last = newest(seen)
    days = [
        day
        for day, plants in earlier
        if last is not None and last < day <= today and any(answers(p, limit) for p in plants)
    ]
    if not days:
        return []
    return [
        f"The field was visited again on {max(days)}, and that tells what holds on {today}: leave "
        f"--visit out, or say --day {last} for what held on that day."
    ]


def _surely(s: PlantStanding) -> float:
    """Its chance to be past where that is told as a fact, else 0; by tape an even chance does."""
    taped = s.past_by == "height" and s.plant.height_interval_mm is None and s.past_soundly > 0.5
    sound = max(s.past_soundly, SURELY) if taped else s.past_soundly
    return sound if sound >= SURELY else 0.0
