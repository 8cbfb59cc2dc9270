"""Limit past: what the plants seen say by themselves, and whether that makes a field past for good.

Plants don't go back: what was surely past on another visit up to the day of the answer is past.
Nothing else lasts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Final, Literal

from collarvision.evidence import PlantEvidence, newest
from collarvision.limitsfile import Limit
from collarvision.limitsteps import misfit_words, misfits
from collarvision.limitwords import SURELY, VerdictWord, doubtful_before
from collarvision.sampling import FEWEST_PLANTS
from collarvision.standing import PlantStanding, answers
from collarvision.tally import LIKELY, beyond, cases, counting, short_of, shown_past

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
    everyone, *others = cases(heard, limit)
    if limit.share_past == 0:  # one that is past at the lowest that it may be is enough
        others = []
    elif len(counting(everyone, limit)) < FEWEST_PLANTS:
        return None
    past = all(word_by_plants(case, limit) == "past" for case in (everyone, *others))
    return everyone if past else None


def past_earlier(
    earlier: Earlier, limit: Limit, today: date
) -> tuple[date | None, list[PlantStanding] | None, list[str]]:
    """The last other visit that was surely past the maximum, its plants, else who may have been.

    A photo in doubt can be looked at again: it must not make the field past for good. Nor must a
    plant of an impossible stage and height, by the one of the two that may be the slip.
    """
    doubts: list[str] = []
    for day, plants in sorted(earlier, key=lambda one: one[0], reverse=True):
        seen = [p for p in plants if day <= today and (p.taken_at or day) <= today]
        found = seen_past(seen, limit)
        if found is None:
            continue
        odd = {plant.name: how for plant, how in misfits(seen, limit)}
        surely = [
            replace(s, past=p, past_soundly=p)
            for s in found
            for p in [0.0 if _by_a_slip(s, odd.get(s.plant.name), limit) else _surely(s)]
        ]
        if word_by_plants(surely, limit) == "past":
            return day, surely, []
        rests_on = [p for p in seen if p.name in {s.plant.name for s in found if s.past > _DOUBT}]
        said = (doubtful_before(day, found), *misfit_words(rests_on, limit))
        doubts = doubts or [" ".join(said)]
    return None, None, doubts


def seen_again(
    earlier: Earlier,
    seen: Sequence[PlantEvidence],
    limit: Limit,
    today: date,
    visit: date | None = None,
) -> list[str]:
    """Say that a newer visit than that of the plants `seen` tells what holds; empty without one.

    Days of visits are compared with each other: a camera may be days behind. Without the day
    `visit` of the plants seen, the days of photos are compared instead.
    """
    last = newest(seen) if visit is None else visit
    days = [
        day
        for day, plants in earlier
        for compared in [day if visit is not None else min(day, newest(plants) or day)]
        if last is not None and last < compared and day <= today
        if any(answers(p, limit) for p in plants)
    ]
    if not days:
        return []
    return [
        f"The field was visited again on {max(days)}, and that tells what holds on {today}: leave "
        f"--visit out, or say --day {last} for what held on that day."
    ]


def _by_a_slip(s: PlantStanding, how: Literal["short", "tall"] | None, limit: Limit) -> bool:
    """Whether a plant far too short or tall for its stage may be past by a slip alone.

    One too tall is measured too tall or counted too low: past by its leaves, it is so either way.
    """
    if how is None:
        return False
    other = s.past_leaves if how == "tall" else s.past_height
    return limit.highest_when == "both" or other is None or other < SURELY


def _surely(s: PlantStanding) -> float:
    """Its chance to be past where that is told as a fact, else 0; by tape an even chance does."""
    taped = s.past_by == "height" and s.plant.height_interval_mm is None and s.past_soundly > 0.5
    sound = max(s.past_soundly, SURELY) if taped else s.past_soundly
    return sound if sound >= SURELY else 0.0
