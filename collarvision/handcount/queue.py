"""Queue: which plants to count, the one most worth a minute first."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from dataclasses import field as field_of
from datetime import date
from functools import cached_property
from pathlib import Path

from collarvision.agreement import disputed
from collarvision.fieldvisits import FieldVisitsError, visits_of
from collarvision.handcount.worth import Worth, worth_of_waiting
from collarvision.limitsfile import Limits
from collarvision.plantphotos import waiting_plants
from collarvision.survey import SurveyReader, Waiting


@dataclass(frozen=True)
class Entry:
    """A plant to count.

    Attributes
    ----------
    waiting : Waiting
    confidence : float or None
    worth : Worth
        Nothing for a plant of an earlier visit, or of no field: it moves no answer of today.
    """

    waiting: Waiting
    confidence: float | None
    worth: Worth


@dataclass(frozen=True)
class Disputed:
    """A plant that people count differently: each person's stage."""

    sha256: str
    photo: str
    field: str | None
    stages: dict[str, int]


@dataclass(frozen=True)
class Queue:
    """All that wait, the most worth first, and all that people differ on.

    Attributes
    ----------
    entries : tuple of Entry
    disputed : tuple of Disputed
    left : mapping of str to tuple of str
        Photos of plants that have left the queue: the order of all when they still stood in it.
    passed : mapping of str to set of str
        Photos of plants that people went on to: which others they had passed over by then.
    """

    entries: tuple[Entry, ...]
    disputed: tuple[Disputed, ...]
    left: Mapping[str, tuple[str, ...]] = field_of(default_factory=dict)
    passed: Mapping[str, frozenset[str]] = field_of(default_factory=dict)

    def of_field(self, field: str | None) -> tuple[Entry, ...]:
        """Those of a field; all for None."""
        return tuple(e for e in self.entries if field is None or e.waiting.field == field)

    def after(self, sha256: str, field: str | None = None) -> str | None:
        """The next plant to count once this one is done or passed over; None at the end.

        It is the first that nobody passed over on the way here: the order may have changed since.
        """
        passed = self._passed_by(sha256)
        hashes = (entry.waiting.sha256 for entry in self.of_field(field))
        return next((one for one in hashes if one not in passed), None)

    def gone_on(self, sha256: str, found: str | None) -> Queue:
        """The same queue, which knows that somebody went on from a plant to the one after it."""
        passed = self._passed_by(sha256)
        if found is not None:
            return replace(self, passed={**self.passed, found: passed})
        # At the end: who begins once more may be asked for all of them again.
        rest = {one: been for one, been in self.passed.items() if one not in passed}
        return replace(self, passed=rest)

    def followed_by(self, newer: Queue) -> Queue:
        """The newer queue, which knows how those stood that are in this one alone."""
        gone = dict.fromkeys(set(self._order).difference(newer._order), self._order)
        return replace(newer, left={**self.left, **gone}, passed=self.passed)

    @cached_property
    def _order(self) -> tuple[str, ...]:
        return tuple(entry.waiting.sha256 for entry in self.entries)

    def _passed_by(self, sha256: str) -> frozenset[str]:
        """Plants passed over by who goes on from this one; it too, while it waits.

        Where nobody went on to it, all that stood before it; none where it was never in the queue.
        """
        waits = sha256 in self._order
        passed = self.passed.get(sha256)
        if passed is None:
            order = self._order if waits else self.left.get(sha256, (sha256,))
            passed = frozenset(order[: order.index(sha256)])
        return passed | {sha256} if waits else passed


Weighed = dict[str, tuple[tuple[int, ...], tuple[Entry, ...]]]
"""By field: its state when its plants were weighed, and its entries then."""


def make_queue(
    survey: SurveyReader, limits: Limits | None = None, weighed: Weighed | None = None
) -> Queue:
    """Ask a survey for its queue; fields that are as they were when `weighed` keep entries."""
    weighed = {} if weighed is None else weighed
    entries = list(_entries(survey, survey.waiting(unfiled=True), {}))
    # The states come first: what a batch beside adds after them makes its field be asked anew.
    for field, now in survey.field_states().items():
        known = weighed.get(field)
        if known is None or known[0] != now:
            worth = _worth(survey, field, limits)
            known = now, tuple(_entries(survey, waiting_plants(survey, field), worth))
            weighed[field] = known
        entries += known[1]
    entries.sort(key=_order)
    counts = list(survey.counts(several=True))
    names = {count.sha256: (count.photo, count.field) for count in counts}
    apart = tuple(
        Disputed(sha256, *names[sha256], stages) for sha256, stages in disputed(counts).items()
    )
    return Queue(tuple(entries), apart)


def _entries(
    survey: SurveyReader, waiting: Iterable[Waiting], worth: Mapping[str, Worth]
) -> Iterator[Entry]:
    plants = list(waiting)
    sure = survey.confidences([plant.sha256 for plant in plants])
    for plant in plants:
        yield Entry(plant, sure.get(plant.sha256), worth.get(plant.sha256, Worth(0.0, "")))


def _worth(survey: SurveyReader, field: str, limits: Limits | None) -> dict[str, Worth]:
    """By the photo's hash, of the plants of the field's last visit."""
    try:
        visit = visits_of(survey, field, today=date.today()).chosen
    except FieldVisitsError:
        return {}
    by_name = worth_of_waiting(visit.evidence, limits)
    return {
        plant.sha256: by_name[plant.evidence.name]
        for plant in visit.plants
        if plant.sha256 is not None and plant.evidence.name in by_name
    }


def _order(entry: Entry) -> tuple[float, float, str, str]:
    sure = 0.0 if entry.confidence is None else entry.confidence
    # To a hundredth: differences below that are noise, and uncertainty should tell then.
    return (-round(entry.worth.moves, 2), sure, entry.waiting.field or "", entry.waiting.photo)


class QueueKeeper:
    """The queue of a survey file, made anew only when the survey has changed."""

    def __init__(self, path: Path, limits: Limits | None = None) -> None:
        self._path, self._limits = path, limits
        self._lock = threading.RLock()
        self._state: Sequence[int] | None = None
        self._queue = Queue((), ())
        self._weighed: Weighed = {}

    def now(self) -> Queue:
        """The queue as of this moment."""
        with self._lock, SurveyReader(self._path) as survey:
            state = survey.state()
            if state != self._state:
                newer = make_queue(survey, self._limits, self._weighed)
                self._queue = self._queue.followed_by(newer)
                self._state = state
            return self._queue

    def go_on(self, sha256: str, field: str | None = None) -> str | None:
        """`Queue.after` of this moment, which is kept in mind: whoever is passed over stays so."""
        with self._lock:
            queue = self.now()
            found = queue.after(sha256, field)
            self._queue = queue.gone_on(sha256, found)
            return found
