"""Limit plants: which plants a limit hears, and what they say before anything holds that back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

from collarvision.evidence import PlantEvidence
from collarvision.limitage import maximum_of, since, with_older, word_of_cases
from collarvision.limitpast import Earlier, past_earlier, seen_past
from collarvision.limitsfile import Limit
from collarvision.limitsteps import old_words
from collarvision.limitwords import VerdictWord, stricter
from collarvision.standing import PlantStanding, answers
from collarvision.tally import PastShare, cases, more_past, past_share


@dataclass(frozen=True)
class Heard:
    """The plants of a field as one limit hears them.

    Attributes
    ----------
    seen : tuple of PlantEvidence
        All up to the day of the answer.
    future : int
        So many are dated later and left out.
    oldest : date
        First day whose plants are new enough.
    known, fresh : tuple of PlantEvidence
        Those that answer the limit or wait for a hand count, and the new ones of them.
    apart : tuple of PlantEvidence
        Those of which only a height by hand is known, where the limit asks for leaves.
    tall, by_hand : tuple of PlantEvidence
        Those of `apart` that may be past the maximum, and of them those to judge with the others.
    bare : int
        So many are left out for want of a height.
    """

    seen: tuple[PlantEvidence, ...]
    future: int
    oldest: date
    known: tuple[PlantEvidence, ...]
    fresh: tuple[PlantEvidence, ...]
    apart: tuple[PlantEvidence, ...]
    tall: tuple[PlantEvidence, ...]
    by_hand: tuple[PlantEvidence, ...]
    bare: int

    @property
    def used(self) -> tuple[PlantEvidence, ...]:
        """The new plants that answer; where there are none, the old ones."""
        return self.fresh or self.known

    @property
    def judged(self) -> tuple[PlantEvidence, ...]:
        """All that are judged by themselves."""
        return (*self.used, *self.by_hand)


def hear(plants: Sequence[PlantEvidence], limit: Limit, today: date, visit_good_days: int) -> Heard:
    """Sort the plants of a field by what a limit can make of them on the day of the answer."""
    seen = [p for p in plants if p.taken_at is None or p.taken_at <= today]
    known = [p for p in seen if answers(p, limit)]
    apart = [p for p in seen if p.height_only and not answers(p, limit)]
    # A limit without a greatest height has no use for those, but to note them.
    tall = apart if limit.highest.height_mm is not None else []
    oldest = today - timedelta(days=visit_good_days)
    fresh = since(known, oldest)
    return Heard(
        seen=tuple(seen),
        future=len(plants) - len(seen),
        oldest=oldest,
        known=tuple(known),
        fresh=tuple(fresh),
        apart=tuple(apart),
        tall=tuple(tall),
        by_hand=tuple(since(tall, oldest) if fresh else tall),
        bare=sum((p.decided or p.waiting) and not answers(p, limit) for p in seen),
    )


Cases = Sequence[Sequence[PlantStanding]]
"""The plants as they may stand, once those that wait are counted (`collarvision.tally.cases`)."""


@dataclass(frozen=True)
class Found:
    """What the plants say by themselves, thin or not.

    Attributes
    ----------
    word : str
    differ : bool
        The cases make different words, so that it can't be told.
    standing : sequence of PlantStanding
        The case that is told.
    each, older : sequence of cases, sequence of those
        Of the plants judged, and of the old ones with them, a visit's day each.
    deciding : sequence of cases
        `each`, or one of the `older` where that is stricter.
    told : int
        Which of the cases is told: the first, or the last.
    for_good : bool
        Past, whatever is seen later: `standing` are the plants that say so.
    then : date or None
        Day of the other visit that these are of; None where they are of this one.
    """

    word: VerdictWord
    differ: bool
    standing: Sequence[PlantStanding]
    each: Cases
    older: Sequence[Cases]
    deciding: Cases
    told: Literal[0, -1]
    for_good: bool = False
    then: date | None = None

    @property
    def stricter_by_old(self) -> bool:
        """Whether old plants decide, where nothing is past for good."""
        return not self.for_good and self.deciding is not self.each

    def share(self, limit: Limit) -> PastShare | None:
        """Share of the field's plants past the maximum; old plants never make it smaller."""
        share = past_share(self.standing, limit)
        if not self.stricter_by_old:
            return share
        return more_past(share, past_share(self.each[self.told], limit))


def by_plants(heard: Heard, limit: Limit) -> Found:
    """The word by the plants judged, or by the old ones with them where that is stricter."""
    # Waiting plants that leave the word as it is, whatever they are, belong to the evidence.
    each = cases(heard.judged, limit)
    word, differ = word_of_cases(each, limit)
    deciding = each
    older = []
    if heard.fresh:
        every = with_older([*heard.known, *heard.tall], heard.oldest)
        older = [cases(some, limit) for some in every]
    for some in older:
        then_word, then_differ = word_of_cases(some, maximum_of(limit))
        if stricter(then_word, word):
            word, differ, deciding = then_word, then_differ, some
    # Who waits is told by the most that it may be; without a maximum by the least.
    by_most = word == "too early" or (limit.highest and word in ("open", "closing"))
    told: Literal[0, -1] = -1 if by_most else 0
    return Found(word, differ, deciding[told], each, older, deciding, told)


def past_for_good(
    found: Found, heard: Heard, earlier: Earlier, limit: Limit, today: date
) -> tuple[Found, list[str]]:
    """The same, or past where plants seen once surely were; and who may have been before."""
    then, doubts = None, list[str]()
    everyone = seen_past(heard.seen, limit)
    if everyone is None:
        then, everyone, doubts = past_earlier(earlier, limit, today)
    if everyone is None:
        return found, doubts
    return replace(found, word="past", standing=everyone, for_good=True, then=then), doubts


def said_of_old(found: Found, heard: Heard) -> list[str]:
    """Say how old plants count beside new ones; empty without either."""
    too = found.stricter_by_old
    old = len(heard.known) - len(heard.fresh)
    if too:
        old += len(heard.tall) - len(heard.by_hand)
    return [old_words(old, heard.oldest, too=too)] if heard.fresh and old else []
