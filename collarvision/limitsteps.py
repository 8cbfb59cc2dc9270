"""Limit steps: what holds an answer back, and what to do about it, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Final, Literal

from collarvision.evidence import PlantEvidence, newest, plausible_stages
from collarvision.limitsfile import Limit
from collarvision.limitwords import VerdictWord, bound_words, names_of, plants_of, stage_words
from collarvision.sampling import FEWEST_PLANTS, STOPS_TO_ACRES
from collarvision.stageheights import may_be_stub, misfit
from collarvision.standing import PlantStanding, awaits_count, height_ends
from collarvision.tally import LIKELY, perhaps_reached, short_of, whole
from collarvision.units import Shown

# Photos cut off the tallest plants first: over this share of plants without a height nothing is
# told by it. Our own choice.
_MOST_UNMEASURED: Final = 0.25
_LAST_DAYS: Final = 7
_FEWEST_STOPS: Final = STOPS_TO_ACRES[0][1]  # published, for the smallest fields

BY_HARVEST: Final = "By harvest alone the last day is"
"""Beside an answer by plants a bare last day would read as leave to wait for it."""


def too_few_words(decided: int, waiting: int, fewest: int) -> str:
    """Say how to get the `fewest` plants with an answer that a verdict asks for.

    Those `waiting` for a hand count come before another walk.
    """
    said = f"Only {plants_of(decided)} with an answer" if decided else "No plant has an answer yet"
    missing = fewest - decided - waiting
    if not waiting:
        return f"{said}: photograph at least {missing} more."
    count = _count_them(waiting)
    if missing <= 0:
        return f"{said}: {count}."
    return f"{said}: first {count}, then photograph at least {missing} more."


def _count_them(waiting: int) -> str:
    return f"count the {waiting} that {'waits' if waiting == 1 else 'wait'} for a hand count"


def misfits(
    plants: Sequence[PlantEvidence], limit: Limit | None = None
) -> list[tuple[PlantEvidence, Literal["short", "tall"]]]:
    """Plants whose stage and height no plant has, and how, by their height.

    By leaves alone only those count that are measured far too tall by hand: their stage may be
    typed too low. What is far too short may be cut by hail, and its collars still hold; so do those
    of a plant whose height a card told wrongly. Without a limit all count.
    """
    found = [(p, how) for p in plants if (how := misfit(p)) is not None]
    if limit is None or limit.lowest.height_mm is not None or limit.highest.height_mm is not None:
        return found
    return [(p, how) for p, how in found if how == "tall" and p.height_interval_mm is None]


def misfit_words(plants: Sequence[PlantEvidence], limit: Limit | None = None) -> list[str]:
    """Name the plants whose stage and height no plant has (see `misfits`); empty without any.

    One of the two is a slip, and nobody knows which: neither may carry an answer.
    """
    found = misfits(plants, limit)
    if not found:
        return []
    its, it = ("its", "it") if len(found) == 1 else ("their", "them")
    named = names_of(
        [f"{p.name} ({stage_words(p, waits=p.waiting)}, far too {how})" for p, how in found]
    )
    said = f"{named} can't have both {its} stage and {its} height: count and measure {it} again."
    if any(
        may_be_stub(p.best_stage or 0, p.height_mm or 0.0) for p, how in found if how == "short"
    ):
        said += f" If hail cut {it}, only a limit in leaves can judge {it}."
    return [said]


def without_height(
    plants: Sequence[PlantEvidence], limit: Limit, today: date
) -> list[PlantEvidence]:
    """Plants of the visit without a height, where a height by itself may take one past.

    So may one of a limit by height alone, which can't judge them, whatever bound it has. Old ones
    are no shorter today.
    """
    if not (limit.by_height_alone or height_ends(limit)):
        return []
    return [
        p
        for p in plants
        if p.height_mm is None
        and (p.decided or p.waiting)
        and (p.taken_at is None or p.taken_at <= today)
    ]


def unmeasured_words(
    unmeasured: Sequence[PlantEvidence], measured: Sequence[PlantEvidence], limit: Limit
) -> list[str]:
    """Say why plants without a height hold an answer by height back; empty where they don't.

    `measured` are the plants judged: those of them without a height say nothing here.
    """
    count = len(unmeasured)
    measured = [p for p in measured if p.height_mm is not None]
    how = "not judged" if limit.by_height_alone else "judged by leaves alone"
    said = f"{plants_of(count)} without a height {'is' if count == 1 else 'are'} {how}"
    # The most collars measured, not those of the tallest: a plant with fewer is as tall at times.
    # What a rejected photo was read as is no knowledge; no plant stands behind no collars known.
    # Nor is what one was read as that waits for a count.
    known = [
        p.best_stage
        for p in measured
        if p.best_stage is not None and not (p.height_only or awaits_count(p, limit))
    ]
    most = max(known, default=-1)
    ahead = [
        p.name
        for p in unmeasured
        if (plausible_stages(p)[1] if p.best_stage is None else p.best_stage) > most
    ]
    if limit.highest and ahead:
        why = f"by {'its' if len(ahead) == 1 else 'their'} collars"
        why = why if known else "as no measured one's collars are known"
        of_them = "it" if count == 1 else f"{len(ahead)} of them"
        may = f"{of_them} may be taller than any measured one, {why}"
        return [f"{said}, and {may}: measure {names_of(ahead)}."]
    # Elsewhere their leaves are judged, and the share that may be past rests on the measured ones.
    if limit.by_height_alone and count > _MOST_UNMEASURED * (count + len(measured)):
        names = names_of([p.name for p in unmeasured])
        return [f"{said}, too many to answer by the others: measure {names}."]
    return []


def low_words(
    standing: Sequence[PlantStanding], limit: Limit, shown: Shown | None = None
) -> list[str]:
    """Say that heights nobody knows may take a field to the minimum; empty where they can't.

    Heights are in the units `shown`, else in those that the limit was typed in.
    """
    if short_of(perhaps_reached(standing), limit) > LIKELY:
        return []
    asked = [s for s in whole(standing, limit) if s.reached < 0.5 <= s.reached_at_most]
    if not asked:
        return []
    low = bound_words(limit.lowest, limit.leaf, limit.lowest_when, shown)
    have = "has" if len(asked) == 1 else "have"
    return [
        f"{plants_of(len(asked))} {have} no height, and the minimum of {low} may be reached by "
        f"height: measure {names_of([s.plant.name for s in asked])}."
    ]


def small_share_words(standing: Sequence[PlantStanding], limit: Limit) -> str | None:
    """Say that the plants seen are too few for the share allowed; None where doubts are small."""
    likely = sum(s.past > LIKELY for s in standing)
    if not likely:
        return None
    are = "is" if likely == 1 else "are"
    return (
        f"{likely} of {plants_of(len(standing))} seen {are} likely past the maximum, and so few "
        f"plants can't show whether more than {limit.share_past * 100:g} in 100 of the field's "
        "are: see more."
    )


def old_words(count: int, oldest: date, *, too: bool = False) -> str:
    """Say that plants from before the day `oldest`, or without one, count only if that is stricter.

    With `too` it is.
    """
    one = count == 1
    it, makes = ("it", "makes") if one else ("they", "make")
    counts = f"{'counts' if one else 'count'} only where {it} {makes} the answer stricter"
    if too:
        counts = f"{'counts' if one else 'count'} as well: plants don't go back"
    return f"{plants_of(count)} without a date, or from before {oldest}, {counts}."


def too_thin(
    known: Sequence[PlantEvidence],
    fresh: Sequence[PlantEvidence],
    future: int,
    limit: Limit,
    today: date,
    bare: int = 0,
) -> list[str]:
    """Say why the plants can't carry an answer other than past; empty when they can.

    `known` answer the limit or wait for a hand count, `fresh` are the new ones of them, `future`
    plants are left out, dated after `today`, and so are `bare` ones for want of a height.
    """
    found: list[str] = []
    if future:
        found.append(
            f"{plants_of(future)} dated after {today}: check the phone's clock. Not counted."
        )
    if bare and not known:
        none = "The only plant has no height: measure it or put the scale card beside it."
        if bare > 1:
            none = f"None of the {bare} plants has a height: measure them or put the scale card "
            none += "beside them."
        return [*found, none]
    if not known:
        return [*found, "There is no plant to judge by: photograph or count some."]
    last = newest(known)
    if last is None:
        return [*found, "No plant has a date, so their age isn't known."]
    if not fresh:
        days = (today - last).days
        old = "The last visit is 1 day old"
        if days > 1:  # a camera's clock some days behind makes no visit old: say whose day it is
            photos = all(p.stage is not None for p in known if p.taken_at == last)
            by = ", by camera or folder" if photos else ""
            old = f"The last plants are dated {last}{by}, so {days} days old"
        return [*found, f"{old}: walk the field again before you act."]
    # What waits, perhaps no plant at all, is neither a second stop nor a height, but may be once it
    # is counted: that comes before another walk.
    sure = [p for p in fresh if not awaits_count(p, limit)]
    waiting = len(fresh) - len(sure)
    answered = " with an answer" if waiting else ""
    count = f"first {_count_them(waiting)}."
    if bare and len(fresh) < FEWEST_PLANTS:
        found.append(_too_few_heights(len(fresh), bare))
    elif len(sure) < FEWEST_PLANTS:
        found.append(too_few_words(len(sure), waiting, FEWEST_PLANTS))
    elif None not in (at := {p.stop for p in sure}) and len(at) == 1:
        # Plants beside each other are alike: all of them tell hardly more than one.
        step = count
        if {p.stop for p in fresh} <= {None, *at}:
            step = f"see plants at {_FEWEST_STOPS - 1} more stops at least."
        found.append(
            f"All {plants_of(len(sure))}{answered} are from one stop, and tell little of the "
            f"field: {step}"
        )
    wants_height = limit.highest.height_mm is not None or (
        limit.lowest.height_mm is not None
        and (limit.lowest.leaves is None or limit.lowest_when == "both")
    )
    heights, all_heights = (sum(p.height_mm is not None for p in some) for some in (sure, fresh))
    if wants_height and heights < min(FEWEST_PLANTS, len(sure)):
        enough = all_heights >= min(FEWEST_PLANTS, len(fresh))
        found.append(
            f"The limit asks for heights and {plants_of(heights)} of {len(sure)}{answered} have "
            f"one: {count if enough else 'put the scale card beside the plants.'}"
        )
    return found


def _too_few_heights(measured: int, bare: int) -> str:
    """Say that plants are there to be measured: more photos of their kind would be no help."""
    missing = FEWEST_PLANTS - measured
    have = "has" if measured == 1 else "have"
    said = f"Only {plants_of(measured)} {have} a height: measure "
    if missing <= bare:
        return f"{said}{missing} of the {bare} without one."
    return f"{said}the {bare} without one, and {missing - bare} more."


def days_left(
    limit: Limit, planned_harvest: date | None, today: date, visit: date | None = None
) -> tuple[VerdictWord | None, str]:
    """Say what the days before harvest leave: the verdict by them alone, None without them.

    `visit` is the day of the newest plants seen, None without one.
    """
    if limit.days_before_harvest is None:
        return None, ""
    if planned_harvest is None:
        return "can't tell", (
            f"The limit ends {limit.days_before_harvest} days before harvest: add planned_harvest "
            "to your limits file."
        )
    if visit is not None and planned_harvest < visit:
        # Corn that still stands wasn't harvested: a slip, such as last year's day.
        return "can't tell", (
            f"The planned harvest, {planned_harvest}, is before the visit of {visit}: check it."
        )
    last = planned_harvest - timedelta(days=limit.days_before_harvest)
    said = f"{limit.days_before_harvest} days before the harvest planned for {planned_harvest}"
    if today > last:
        return "past", f"The last day was {last}, {said}."
    near = (last - today).days <= _LAST_DAYS
    begin = BY_HARVEST if limit.lowest or limit.highest else "The last day is"
    return ("closing" if near else "open"), f"{begin} {last}, {said}."


def mix_reasons(
    reasons: Sequence[str],
    word: VerdictWord,
    members: Sequence[Limit],
    planned_harvest: date | None,
) -> tuple[str, ...]:
    """Give a tank mix the reasons of its strictest member, with the mix's own last day by harvest.

    It ends with whichever member ends first, that with the most days: it need not be the strictest.
    """
    ending = [one for one in members if one.days_before_harvest is not None]
    if planned_harvest is None or not ending or word in ("past", "can't tell"):
        return tuple(reasons)
    first = max(ending, key=lambda one: one.days_before_harvest or 0)
    days = first.days_before_harvest or 0
    last = (
        f"{BY_HARVEST} {planned_harvest - timedelta(days=days)}, by {first.name}: {days} days "
        f"before the harvest planned for {planned_harvest}."
    )
    return (last, *(one for one in reasons if not one.startswith(BY_HARVEST)))


def doubtful_heights(
    standing: Sequence[PlantStanding], limit: Limit, word: VerdictWord
) -> list[str]:
    """Say that an answer rests on heights in doubt; empty where it doesn't.

    That is where they alone take the field to the minimum, or most heights are in doubt. Of a plant
    past by such a height, the sentence says that it may be.
    """
    by_height = limit.lowest.height_mm is not None or limit.highest.height_mm is not None
    tall = [s.plant for s in standing if s.plant.height_mm is not None]
    doubtful = [plant.name for plant in tall if plant.height_in_doubt]
    if not (by_height and doubtful) or word not in ("open", "closing", "too early"):
        return []
    sound = [replace(s, reached=s.reached_soundly) for s in standing]
    carried = word != "too early" and short_of(sound, limit) > LIKELY
    if not carried and 2 * len(doubtful) <= len(tall):
        return []
    which = "The only height" if len(tall) == 1 else f"{len(doubtful)} of the {len(tall)} heights"
    plants = "that plant" if len(doubtful) == 1 else "those plants"
    return [f"{which} may be off by half: measure {plants} ({names_of(doubtful)})."]
