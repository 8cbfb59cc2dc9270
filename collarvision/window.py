"""Window: the dates between which a limit opens and closes for a field."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from statistics import median_low
from typing import Final, Literal

from collarvision.clusters import stop_effect
from collarvision.evidence import PlantEvidence, decided_stages, plausible_stages
from collarvision.field import summarise
from collarvision.heat import (
    Clamp,
    DateSpan,
    HeatError,
    LeafPace,
    Visit,
    leaf_pace,
)
from collarvision.heatdates import height_reached, leaves_reached
from collarvision.leafwords import LeafMeaning, collars_from_leaves, leaves_at_least
from collarvision.limits import CAUTION
from collarvision.limitsfile import Limit
from collarvision.temperatures import Temperatures

# A single plant's mean has no spread to tell its error from: one leaf, our own choice.
_LONE_ERROR: Final = 1.0

Told = Literal["unset", "told", "at the latest", "not before", "unknown"]
"""How far a date is known: where one of two sides can't be foretold, the other is a bound only."""

AS_FAR_ON: Final = (
    "The close takes a plant that waits for a hand count to be as far on as it may be: count it "
    "to know better."
)
"""Reason of a window whose close rests on such a plant."""

NEVER_INSIDE: Final = (
    "By the likeliest dates {name} closes before it opens: there may be no day on which this field "
    "is inside."
)


@dataclass(frozen=True)
class Window:
    """When a limit opens and closes.

    Attributes
    ----------
    name : str
    opens, closes : DateSpan or None
        None without such a bound, or when it can't be told; `reasons` says which.
    last_harvest_day : date or None
        Last day that leaves the days before the planned harvest.
    reasons : tuple of str
    caution : str
    opens_told, closes_told : str
        ``told``; ``not before`` or ``at the latest`` where the dates are a bound only; ``unset``
        without such a bound in the limit; ``unknown``, where dates may be there to hold an answer
        back by, and are never shown.
    """

    name: str
    opens: DateSpan | None
    closes: DateSpan | None
    last_harvest_day: date | None
    reasons: tuple[str, ...] = ()
    caution: str = CAUTION
    opens_told: Told = "told"
    closes_told: Told = "told"

    def opening_after(self, day: date) -> Window:
        """The same for a field seen too early: no opening that would be reached on that day."""
        if self.opens is None:
            return self
        first, last = day + timedelta(days=1), self.opens.horizon

        def later(end: date | None) -> date | None:
            return None if end is None or max(end, first) > last else max(end, first)

        span = self.opens
        ends = DateSpan(later(span.early), later(span.middle), later(span.late), last)
        return replace(self, opens=ends)


def heard_on(
    plants: Sequence[PlantEvidence], visit: date, today: date, good_days: int
) -> tuple[date, list[PlantEvidence]]:
    """Day that a visit's plants are of, and those of them that speak on the day of the answer.

    A camera may date photos before their folder: since then they have grown. The day is the one
    that half of the plants a verdict hears, of all where it hears none, are of or older.
    """
    told = [p for p in plants if p.tells]
    oldest = today - timedelta(days=good_days)
    heard = [p for p in told if oldest <= (p.taken_at or visit) <= today] or told
    return median_low([p.taken_at or visit for p in heard] or [visit]), heard


def visit_of(plants: Sequence[PlantEvidence], day: date) -> Visit:
    """Sum up one visit's plants for the pace of leaves and the growth in height.

    Raises
    ------
    HeatError
        When no plant has an answer.
    """
    stages = decided_stages(plants)
    if not stages:
        raise HeatError(f"No plant of {day} has an answer yet.")
    # Plants of one stop are alike, in height as in leaves: so many tell less of the field.
    effect = stop_effect(plants).effect
    mean = sum(stages) / len(stages)
    error = _LONE_ERROR
    if len(stages) > 1:
        variance = sum((s - mean) ** 2 for s in stages) / (len(stages) - 1)
        error = math.sqrt(effect * variance / len(stages))
    heights = summarise(plants).heights
    if heights is None:
        return Visit(day, mean, error)
    # A single height has no spread to tell its error from: a tenth of it, our own choice.
    error_mm = heights.mean_mm * 0.1
    if heights.standard_error_mm:
        error_mm = heights.standard_error_mm * math.sqrt(effect)
    # The tallest tenth is fewer plants than all: its error is larger by about the root of ten.
    tallest_error_mm = error_mm * math.sqrt(10)
    return Visit(
        day, mean, error, heights.mean_mm, error_mm, heights.tallest_tenth_mm, tallest_error_mm
    )


def window(
    limit: Limit,
    plants: Sequence[PlantEvidence],
    visits: Sequence[Visit],
    temperatures: Temperatures,
    *,
    newest: date | None = None,
    planned_harvest: date | None = None,
    clamp: Clamp = "each",
) -> Window:
    """Tell when a limit opens for enough of a field, and closes for its most advanced plants.

    Parameters
    ----------
    plants : sequence of PlantEvidence
        Of the last visit: they tell how far the most advanced are ahead of the mean, and the least
        advanced behind it. One that waits for a hand count may be either.
    visits : sequence of Visit
        Made with `visit_of`, the last one of these plants.
    temperatures : Temperatures
        From the first visit to well beyond the last.
    newest : date, optional
        Day of the newest plant, if later than the last visit's: openings are reckoned from it.
    """
    reasons: list[str] = []
    try:
        pace = leaf_pace(visits, temperatures, clamp)
    except HeatError as error:
        ends: list[Told] = ["unknown" if b else "unset" for b in (limit.lowest, limit.highest)]
        return Window(limit.name, None, None, None, (str(error),), CAUTION, *ends)
    if pace.visits == 1:
        reasons.append("One visit: the pace is the published range alone. A second narrows it.")
    later = [*visits[:-1], replace(visits[-1], day=newest or visits[-1].day)]
    try:
        begin = leaf_pace(later, temperatures, clamp)
    except HeatError:  # no weather so far: the newest plants alone
        begin = leaf_pace(later[-1:])
    last_leaves = None if limit.highest.leaves is None else limit.highest.leaves + 1
    lowest, highest = limit.lowest, limit.highest
    behind, ahead = _lead(plants, limit.share_short, False), _lead(plants, limit.share_past, True)
    low, tall = (
        _height_lead(plants, visits, limit.share_short, False),
        _height_lead(plants, visits, limit.share_past, True),
    )
    sides = (
        _by_leaves(
            begin, lowest.leaves, limit.leaf, temperatures, behind, clamp, reasons, opening=True
        ),
        _by_height(later, lowest.height_mm, False, low, temperatures, clamp, reasons),
    )
    opens, opens_told = _joined(sides, first=limit.lowest_when == "either", opening=True)
    sides = (
        _by_leaves(pace, last_leaves, limit.leaf, temperatures, ahead, clamp, reasons),
        _by_height(visits, highest.height_mm, True, tall, temperatures, clamp, reasons),
    )
    closes, closes_told = _joined(
        sides, first=limit.highest_when == "whichever first", opening=False
    )
    (by_leaves, _), _ = sides
    counted = [p for p in plants if not p.waiting]
    if (
        by_leaves is not None
        and closes is not None
        and by_leaves.middle == closes.middle
        and ahead > _lead(counted, limit.share_past, True)
    ):
        reasons.append(AS_FAR_ON)
    if never_inside(opens, closes, later[-1].day):
        reasons.append(NEVER_INSIDE.format(name=limit.name))
    harvest = None
    # A harvest planned for before the visit is a slip, and the verdict says so.
    if (
        planned_harvest is not None
        and planned_harvest >= visits[-1].day
        and limit.days_before_harvest is not None
    ):
        harvest = planned_harvest - timedelta(days=limit.days_before_harvest)
    return Window(
        limit.name,
        opens,
        closes,
        harvest,
        tuple(dict.fromkeys(reasons)),
        opens_told=opens_told,
        closes_told=closes_told,
    )


def never_inside(opens: DateSpan | None, closes: DateSpan | None, visit: date | None) -> bool:
    """Whether by the likeliest dates it closes before it opens, or on that day.

    What was open by the visit, and past by it, may have been inside before: nobody saw.
    """
    if opens is None or closes is None or closes.middle is None:
        return False
    if opens.middle is None or visit is None:
        return opens.middle is None or opens.middle > closes.middle
    return opens.middle > visit and opens.middle >= closes.middle


def _lead(plants: Sequence[PlantEvidence], share: float, closing: bool) -> float:
    """Leaves by which the plant that closes the limit, or opens it, is ahead of the mean.

    A plant that waits for a hand count has no say in the mean, and is as far on, or behind, as a
    person may find it: so the verdict counts it too.
    """
    known = decided_stages(plants)
    if not known:
        return 0.0
    waiting = [plausible_stages(p)[closing] for p in plants if p.waiting]
    return _beyond([*known, *waiting], share, closing) - sum(known) / len(known)


def _height_lead(
    plants: Sequence[PlantEvidence], visits: Sequence[Visit], share: float, closing: bool
) -> float:
    """Height of the plant that closes the limit, or opens it, by the mean that growth is told of.

    1 where no plant of the last visit has a height: nothing is known of one then.
    """
    heard = [p for p in plants if p.tells]
    heights = [p.height_mm for p in heard if p.height_mm is not None]
    mean = visits[-1].tallest_mm if closing else visits[-1].height_mm
    if not heights or not mean:
        return 1.0
    return max(_beyond(heights, share, closing), 1.0) / mean  # of 0 mm nothing is in proportion


def _beyond(values: Sequence[float], share: float, closing: bool) -> float:
    """The highest value, or the lowest, once so large a share of them is passed over."""
    ordered = sorted(values, reverse=closing)
    return ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def _by_leaves(
    pace: LeafPace,
    leaves: int | None,
    meaning: LeafMeaning | None,
    temperatures: Temperatures,
    lead: float,
    clamp: Clamp,
    reasons: list[str],
    *,
    opening: bool = False,
) -> tuple[DateSpan | None, Told]:
    """Dates of a leaf count by the label's meaning, and what they are."""
    if leaves is None:
        return None, "unset"
    meaning = meaning or "collars"
    collars = collars_from_leaves(leaves, meaning)
    # Where leaves aren't collars, either end of the conversion may be true. The safe middle of a
    # close is that of the low end; an opening's is that of the verdict, and none before it.
    likely = collars.low
    if opening:
        there = (n for n in collars.counts if leaves_at_least(leaves, n, meaning) >= 0.5 - 1e-9)
        likely = next(there, collars.high)
    try:
        reached = {  # mostly one: where leaves are collars all three are the same
            target: leaves_reached(pace, target, temperatures, lead=lead, clamp=clamp)
            for target in {collars.low, likely, collars.high}
        }
    except HeatError as error:
        reasons.append(str(error))
        return None, "unknown"
    first, last = reached[collars.low], reached[collars.high]
    return replace(first, middle=reached[likely].middle, late=last.late), "told"


def _by_height(
    visits: Sequence[Visit],
    height_mm: float | None,
    tallest: bool,
    lead: float,
    temperatures: Temperatures,
    clamp: Clamp,
    reasons: list[str],
) -> tuple[DateSpan | None, Told]:
    if height_mm is None:
        return None, "unset"
    try:
        span = height_reached(
            visits, height_mm, temperatures, tallest=tallest, lead=lead, clamp=clamp
        )
    except HeatError as error:
        reasons.append(f"By height nothing is foretold: {error}")
        return None, "unknown"
    return span, "told"


def mix_window(name: str, members: Sequence[Window]) -> Window:
    """Window of a tank mix: it opens with its last member and closes with its first.

    What can't be told of a member can't be told of the mix: its reasons come along.
    """
    harvest = None
    reasons: list[str] = []
    for member in members:
        reasons += [f"{member.name}: {reason}" for reason in member.reasons]
        if member.closes_told in ("unknown", "at the latest"):
            reasons.append(f"{name} may close earlier than its other members say.")
        last = member.last_harvest_day
        harvest = last if harvest is None or (last is not None and last < harvest) else harvest
    opens, opens_told = _joined(
        [(one.opens, one.opens_told) for one in members], first=False, opening=True
    )
    closes, closes_told = _joined(
        [(one.closes, one.closes_told) for one in members], first=True, opening=False
    )
    if never_inside(opens, closes, None):
        reasons.append(NEVER_INSIDE.format(name=name))
    return Window(
        name,
        opens,
        closes,
        harvest,
        tuple(dict.fromkeys(reasons)),
        opens_told=opens_told,
        closes_told=closes_told,
    )


def _joined(
    sides: Iterable[tuple[DateSpan | None, Told]], *, first: bool, opening: bool
) -> tuple[DateSpan | None, Told]:
    """The first of some spans, or the last, and how far that is known.

    A side that the limit doesn't set says nothing. One that it sets and nobody can foretell may
    come first, or last: then the others are a bound only, and where they are too late to be one
    they aren't told. An opening that may be earlier than told, or a close that may be later, is the
    safe answer as it stands.
    """
    wanted = [side for side in sides if side[1] != "unset"]
    spans = [span for span, _ in wanted if span is not None]
    if not wanted:
        return None, "unset"
    if not spans:
        return None, "unknown"
    span = spans[0]
    for other in spans[1:]:
        span = _span(span, other, first=first)
    bounded = any(told != "told" for _, told in wanted)
    if bounded and first and not opening:
        # "At the latest" a day that isn't known is no date.
        return span, "unknown" if span.late is None else "at the latest"
    if bounded and opening and not first:
        return span, "not before"
    return span, "told"


def _span(a: DateSpan, b: DateSpan, *, first: bool) -> DateSpan:
    """The earlier of two spans, or the later."""
    choose: Callable[..., date] = min if first else max

    def one(x: date | None, y: date | None) -> date | None:
        chosen = choose(x or date.max, y or date.max)
        return None if chosen == date.max else chosen

    return DateSpan(
        one(a.early, b.early),
        one(a.middle, b.middle),
        one(a.late, b.late),
        min(a.horizon, b.horizon),
    )
