"""Tally: many plants against one limit, as chances for the field that they stand for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from collarvision.clusters import share_effect
from collarvision.evidence import PlantEvidence, plausible_stages
from collarvision.field import ShareBelief, share_belief
from collarvision.limitsfile import Limit
from collarvision.sampling import FEWEST_PLANTS
from collarvision.standing import PlantStanding, answers, awaits_count, height_ends, stand

LIKELY: Final = 0.5 + 1e-6
"""Likelier than not. Exactly half of the plants are "at least half": a level answer is not past,
nor too early."""


def standings(
    plants: Sequence[PlantEvidence], limit: Limit, end: Literal[0, 1]
) -> list[PlantStanding]:
    """Plants held against a limit, those with an answer before those that wait for one.

    Waiting ones stand as if a person had counted the lowest, or highest, plausible stage. Where
    the limit is by height alone no count is needed: they stand as they are.
    """
    wait = [p for p in plants if awaits_count(p, limit)]
    rest = [p for p in plants if not awaits_count(p, limit)]
    as_counted = [replace(p, hand_count=plausible_stages(p)[end]) for p in wait]
    return [stand(p, limit) for p in rest] + [
        replace(stand(p, limit), waits=True) for p in as_counted
    ]


def cases(plants: Sequence[PlantEvidence], limit: Limit) -> list[list[PlantStanding]]:
    """The plants as they may stand, once those that wait for a hand count are counted.

    The first has each of these at the lowest that it may be, the last at the highest. Nobody knows
    whether what waits is a plant at all, so between them come the others by themselves, with those
    only that may be past, or near it, and with those only that may be short of the minimum. So few
    that no verdict may rest on them are no case. One case alone where no plant waits.
    """
    low = standings(plants, limit, 0)
    sure = [s for s in low if not s.waits]
    if len(sure) == len(low):
        return [low]
    high = standings(plants, limit, 1)
    past = [s for s in high if s.waits and s.past >= 0.5]
    near = [s for s in high if s.waits and s.near >= 0.5]
    short = [s for s in low if s.waits and s.reached < 0.5]
    found: list[list[PlantStanding]] = []
    for some in ([*sure, *those] for those in ([], past, near, short)):
        if some not in found and len(counting(some, limit)) >= FEWEST_PLANTS:
            found.append(some)
    return [low, *found, high]


def whole(standing: Sequence[PlantStanding], limit: Limit) -> list[PlantStanding]:
    """Those that answer all of a limit, so none known by its height only where leaves count."""
    return [s for s in standing if answers(s.plant, limit)]


def counting(
    standing: Sequence[PlantStanding], limit: Limit, *, near: bool = False
) -> list[PlantStanding]:
    """Those that a share is of: a plant known by its height only where that takes it past, or near.

    Counted while it is inside, with leaves unknown, it would make the share past look smaller.
    """
    return [s for s in standing if _chance(s, near) >= 0.5 or answers(s.plant, limit)]


def beyond(standing: Sequence[PlantStanding], limit: Limit, *, near: bool) -> float:
    """Probability that more plants than allowed are past the maximum, or near it.

    With and without the plants known by their height only, and with those only that it takes
    there, whichever is more: they never lower it.
    Nor do plants without a height, where it alone takes a plant past.
    """
    if not limit.highest:
        return 0.0
    return max(_beyond(some, limit, near=near) for some in _groups(standing, limit, near=near))


def shown_past(standing: Sequence[PlantStanding], limit: Limit) -> bool:
    """Whether the plants likely past are a larger share of those seen than may be past.

    Many small doubts, or few plants for a small share, make past likely and show it of nobody.
    """
    for some in _groups(standing, limit, near=False):
        likely = [s.past for s in some if s.past > LIKELY]
        if _beyond(some, limit, near=False) > LIKELY and sum(likely) > limit.share_past * len(some):
            return True
    return False


def _groups(
    standing: Sequence[PlantStanding], limit: Limit, *, near: bool
) -> list[Sequence[PlantStanding]]:
    """All plants, and those groups of them that may tell of more plants past."""
    counted = counting(standing, limit, near=near)
    # So many as a verdict asks for, and one of them there: a few show no share by themselves.
    tall = [
        some
        for some in (_measured(standing, limit), _measured(counted, limit))
        if len(some) >= FEWEST_PLANTS and any(_chance(s, near) >= 0.5 for s in some)
    ]
    groups: list[Sequence[PlantStanding]] = []
    for some in (list(standing), whole(standing, limit), counted, *tall):
        if some not in groups:  # mostly they are the same
            groups.append(some)
    return groups


def _chance(standing: PlantStanding, near: bool) -> float:
    return standing.near if near else standing.past


def _beyond(standing: Sequence[PlantStanding], limit: Limit, *, near: bool) -> float:
    return _more_than(limit.share_past, standing, [_chance(s, near) for s in standing])


@dataclass(frozen=True)
class PastShare:
    """Share of the field's plants past the maximum, as far as the plants seen tell it.

    Attributes
    ----------
    interval : (float, float)
        Holds it, 95 in 100.
    most : float
        What 5 in 100 such samples would still allow.
    measured : int or None
        Plants with a height, where these are what `most` rests on.
    without : int
        Plants that wait for a hand count, where `most` rests on the others.
    newer : bool
        Whether `most` rests on the plants that aren't too old for a verdict.
    """

    interval: tuple[float, float]
    most: float
    measured: int | None = None
    without: int = 0
    newer: bool = False


def more_past(every: PastShare | None, newer: PastShare | None) -> PastShare | None:
    """The share of all plants, or of the newer ones where those leave more open."""
    if every is None or newer is None or newer.most <= every.most:
        return every
    return replace(newer, newer=True)


def past_share(standing: Sequence[PlantStanding], limit: Limit) -> PastShare | None:
    """Share past the maximum; None without a plant.

    Where height alone takes a plant past, those without one say nothing of it: the plants with a
    height then tell how much isn't known, if that is more than all together say. So do plants
    without those that wait for a hand count.
    """
    sure = [s for s in standing if not s.waits]
    there = [s for s in standing if not s.waits or s.past >= 0.5]
    few = [some for some in (sure, there) if len(counting(some, limit)) >= FEWEST_PLANTS]
    found = [
        replace(share, without=len(standing) - len(some))
        for some in (standing, *few)
        if (share := _past_share(some, limit)) is not None
    ]
    if not found:
        return None
    lows, highs = zip(*(share.interval for share in found), strict=True)
    worst = max(found, key=lambda share: share.most)
    return replace(worst, interval=(min(lows), max(highs)))


def _past_share(standing: Sequence[PlantStanding], limit: Limit) -> PastShare | None:
    every = counting(standing, limit)
    if not every:
        return None
    share = _share(every, [s.past for s in every])
    (low, high), most = share.interval(), share.interval(0.9)[1]
    tall = _measured(every, limit)
    if tall and len(tall) < len(every):
        by_height = _share(tall, [s.past for s in tall])
        high = max(high, by_height.interval()[1])
        if (worse := by_height.interval(0.9)[1]) > most:
            return PastShare((low, high), worse, len(tall))
    return PastShare((low, high), most)


def _measured(standing: Sequence[PlantStanding], limit: Limit) -> list[PlantStanding]:
    """Those with a height, where a greatest height limits whatever the leaves say."""
    if not height_ends(limit):
        return []
    return [s for s in standing if s.plant.height_mm is not None]


def short_of(standing: Sequence[PlantStanding], limit: Limit) -> float:
    """Probability that more plants than allowed are short of the minimum."""
    if not limit.lowest:
        return 0.0
    some = whole(standing, limit)
    return _more_than(limit.share_short, some, [1 - s.reached for s in some])


def perhaps_reached(standing: Sequence[PlantStanding]) -> list[PlantStanding]:
    """The plants as they stand if every height that nobody knows were over the minimum."""
    return [replace(s, reached=s.reached_at_most) for s in standing]


def _share(standing: Sequence[PlantStanding], probabilities: Sequence[float]) -> ShareBelief:
    """Belief over the field's share, plants of one stop being alike."""
    belongs = [p >= 0.5 for p in probabilities]
    effect = share_effect(belongs, [s.plant.stop for s in standing]).effect
    return share_belief(probabilities, effect)


def _more_than(
    allowed: float, standing: Sequence[PlantStanding], probabilities: Sequence[float]
) -> float:
    """Probability that more plants than allowed belong: any seen for 0, else the field's share.

    Never more than that any plant seen belongs: of few plants that don't, the belief over the share
    says by itself that over 1 in 100 of the field may, and leave for some would be less than for
    none.
    """
    if not probabilities:
        return 0.0
    any_seen = 1 - math.prod(1 - p for p in probabilities)
    if allowed == 0:
        return any_seen
    return min(any_seen, _share(standing, probabilities).above(allowed))
