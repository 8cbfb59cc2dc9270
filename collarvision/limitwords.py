"""Limit words: a verdict in sentences that can be told to a grower."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Final, Literal

from collarvision.answer import count_of, stage_name
from collarvision.evidence import PlantEvidence
from collarvision.leafwords import LeafMeaning
from collarvision.limitsfile import Bound, Limit
from collarvision.splitstalk import SQUEEZED_NODES
from collarvision.standing import PlantStanding, advance, answers
from collarvision.tally import LIKELY, PastShare
from collarvision.units import Shown, unit_of_length

CAUTION: Final = "The label is the law; local rules and licensed practice decide."

_WORTH_SAYING: Final = 0.05
SURELY: Final = 0.9  # said to be past from there, under it that it may be; our own choice

VerdictWord = Literal["too early", "open", "closing", "past", "can't tell"]

# From the most to the least restrictive: what a tank mix takes from its members.
STRICTNESS: Final[tuple[VerdictWord, ...]] = ("past", "can't tell", "too early", "closing", "open")


def stricter(one: VerdictWord, other: VerdictWord) -> bool:
    """Whether the one word restricts more than the other."""
    return STRICTNESS.index(one) < STRICTNESS.index(other)


def notes(
    standing: Sequence[PlantStanding],
    limit: Limit,
    height_only: Sequence[PlantEvidence] = (),
    shown: Shown | None = None,
    unmeasured: int | None = 0,
) -> list[str]:
    """Say what else to know.

    `height_only` are the plants that don't answer all of the limit, for want of a leaf count;
    `unmeasured` so many have no height that a limit by height alone could judge, None where that
    was said already.
    Heights are in the units `shown`, else in those that the limit was typed in.
    """
    found: list[str] = []
    if height_only and (limit.highest or limit.lowest):
        # The tallest first: three names are all that is printed.
        tallest = sorted(height_only, key=lambda p: -(p.height_mm or 0.0))
        names = names_of([f"{p.name} ({_height(p, limit, shown)})" for p in tallest])
        has = "has a height by hand" if len(tallest) == 1 else "have a height by hand"
        said = "it counts" if len(tallest) == 1 else "they count"
        how = f"{said} by height alone, and only towards the maximum"
        if limit.highest.height_mm is None:
            how = f"{said} for nothing here, since this limit has no greatest height"
        found.append(f"{plants_of(len(tallest))} {has} and no leaf count, so {how}: {names}.")
    if unmeasured and limit.by_height_alone:
        is_are = "is" if unmeasured == 1 else "are"
        found.append(f"{plants_of(unmeasured)} without a height {is_are} not judged.")
    unknown = sum(s.height_unknown for s in standing)
    if unknown and unmeasured is not None:
        is_are = "is" if unknown == 1 else "are"
        found.append(f"{plants_of(unknown)} without a height {is_are} judged by leaves alone.")
    if limit.leaf not in (None, "collars") and standing:
        found.append(
            f"This label counts {limit.leaf}; the plants were read by collars, and one tells the "
            "other only to a leaf or two. Count a few on the plants themselves."
        )
    if limit.highest and limit.share_past == 0:
        found.append(
            "No plant may be past the maximum: a label limits the crop's stage and names no share. "
            "Set share_past only where your adviser agrees."
        )
    return found


def sentence(
    limit: Limit,
    word: VerdictWord,
    standing: Sequence[PlantStanding],
    chosen: Sequence[PlantStanding],
    blocking: Sequence[str],
    harvest: str,
    share: PastShare | None,
    shown: Shown | None = None,
) -> str:
    """What to tell a grower after the verdict's word.

    `share` is that of the field's plants that may be past. Heights are in the units `shown`, else
    in those that the limit was typed in.
    """
    top = bound_words(limit.highest, limit.leaf, limit.highest_when, shown)
    low = bound_words(limit.lowest, limit.leaf, limit.lowest_when, shown)
    seen = len(standing)
    whole = [s for s in standing if answers(s.plant, limit)]
    if word == "can't tell":
        return blocking[0]
    if not (limit.highest or limit.lowest):
        return harvest
    if word == "past":
        return _past(chosen, seen, top)
    if word == "too early":
        return f"{_share(chosen, len(whole))} short of {low}.{_ahead_too_early(standing, top)}"
    if not limit.highest:
        return _reached(whole, low)
    # Most advanced to the eye; another may be past with more doubt, by a height read badly.
    first = _most_advanced(standing, whole, limit)
    doubtful = max(standing, key=lambda s: s.past)
    inside, both = f"inside {top}", False
    if first.plant.height_only and not limit.by_height_alone:
        # Inside by its height is all that is known: its leaves may be past.
        inside = f"inside the height of {_tall_words(limit, shown)}"
    elif first.plant.height_mm is None and limit.highest.height_mm is not None:
        # And of one without a height, inside by its leaves.
        inside = "its height not known"
        if limit.highest.leaves is not None:
            inside = f"inside {limit.highest.leaves} {limit.leaf}, {inside}"
    elif limit.highest_when == "both" and (one := _past_one(first, limit, shown)):
        inside, both = one, True
    said = (
        f"Of {plants_of(seen)} seen the most advanced is {first.plant.name} "
        f"({_what_it_is(first, limit, shown)}), "
    )
    # What it was read as is no fact: a grower must hear that it may be past now, not in days.
    already = f"as read {inside}, but it may be past it already{_by_and_chance(first)}."
    if first.past > LIKELY and limit.share_past > 0:
        share_allowed = f"{limit.share_past * 100:g} in 100 plants"
        already = f"past {top}{_by(first)}, as up to {share_allowed} may be by your limits file."
    elif both:
        already = f"{inside}, but it may be past both already{_by_and_chance(first, both=True)}."
    said += f"{inside}." if first.past < _WORTH_SAYING else already
    these = f"These {seen}" if len(whole) == seen else f"The {len(whole)} with an answer"
    if share is not None and share.measured is not None:
        these = f"The {share.measured} with a height"
    if share is not None and (out := share.without):
        others = f"{len(whole) - out} others"
        others += " with an answer" if len(whole) != seen else ""
        if share.measured is not None:
            others = f"{share.measured} others with a height"
        these = f"Without {out} that wait{'s' if out == 1 else ''} for a count the {others}"
    if share is not None and share.newer:
        these = "The newer ones"
    most = 1.0 if share is None else share.most
    said += (
        f" {these} can't rule out that up to {math.ceil(most * 100)} in 100 plants of "
        "the field are past it."
    )
    if doubtful.past >= _WORTH_SAYING and doubtful is not first:
        said += f" {doubtful.plant.name} may be past it{_by_and_chance(doubtful)}."
    if word == "closing":
        it = "It" if doubtful.past < _WORTH_SAYING else "What isn't past yet"
        said += f" {it} may be past within days: look again right before you act."
    return said


def _reached(whole: Sequence[PlantStanding], low: str) -> str:
    """Say how many are at the minimum, where there is no maximum, and name those that aren't."""
    there = [s for s in whole if s.reached >= 0.5]
    short = [s.plant.name for s in whole if s.reached_at_most < 0.5]
    unknown = [s.plant.name for s in whole if s.reached < 0.5 <= s.reached_at_most]
    have = "has" if len(whole) == 1 else "have"
    if len(there) == len(whole):
        return f"The {plants_of(len(whole))} seen {have} reached {low}, and no maximum is set."
    said = f"{len(there)} of {plants_of(len(whole))} seen {'has' if len(there) == 1 else 'have'}"
    said += f" reached {low}, and no maximum is set."
    if short:
        said += f" Short of it: {names_of(short)}."
    if unknown:
        said += f" Without a height, and not known to be there: {names_of(unknown)}."
    return said


def _past_one(first: PlantStanding, limit: Limit, shown: Shown | None) -> str | None:
    """Say which part of a maximum of both a plant is past; None where it is past neither."""
    if first.past_leaves is None or first.past_height is None:
        return None
    by_leaves, by_height = first.past_leaves >= 0.5, first.past_height >= 0.5
    leaves, tall = f"{limit.highest.leaves} {limit.leaf}", _tall_words(limit, shown)
    if by_leaves and by_height:
        return f"not surely past both {leaves} and {tall}"
    if by_leaves and first.waits:  # the most that it may be, which nobody has counted
        return f"which may be past {leaves} and is still under {tall}"
    if by_leaves:
        return f"past {leaves}, still under {tall}"
    return f"over {tall}, still inside {leaves}" if by_height else None


def _tall_words(limit: Limit, shown: Shown | None) -> str:
    return bound_words(replace(limit.highest, leaves=None), None, limit.highest_when, shown)


def _ahead_too_early(standing: Sequence[PlantStanding], top: str) -> str:
    """What to say of plants that are close to the maximum while others are short of the minimum."""
    close = sorted((s for s in standing if s.near >= 0.5), key=lambda s: -s.past)
    doubtful = [s for s in standing if s.past >= _WORTH_SAYING]
    if not top or not (close or doubtful):
        return ""
    if not close:
        close = sorted(doubtful, key=lambda s: -s.past)
    worst = max(standing, key=lambda s: s.past)
    never = "The field may never be inside as a whole."
    if close == [worst] and worst.past >= _WORTH_SAYING:  # said once
        may = f"may be past it already{_by_and_chance(worst)}"
        return f" But {worst.plant.name} is close to the maximum of {top} and {may}. {never}"
    is_are = "is" if len(close) == 1 else "are"
    said = (
        f" But {plants_of(len(close))} {is_are} close to the maximum of {top} or may be past it: "
        f"{names_of([s.plant.name for s in close])}. {never}"
    )
    if worst.past >= _WORTH_SAYING:
        said += f" {worst.plant.name} may be past it already{_by_and_chance(worst)}."
    return said


def _most_advanced(
    standing: Sequence[PlantStanding], whole: Sequence[PlantStanding], limit: Limit
) -> PlantStanding:
    """The most advanced to the eye; one known by its height only where it is as near and taller."""
    first = max(whole or standing, key=lambda s: advance(s, limit))
    tallest = max(standing, key=lambda s: s.plant.height_mm or 0.0)
    as_near = round(tallest.near, 2) >= round(first.near, 2)
    taller = (tallest.plant.height_mm or 0.0) > (first.plant.height_mm or 0.0)
    return tallest if tallest.plant.height_only and as_near and taller else first


def _what_it_is(standing: PlantStanding, limit: Limit, shown: Shown | None) -> str:
    """Its stage, where that is known, and its height; with "?" what was read and awaits a count."""
    plant = standing.plant
    tall = None if plant.height_mm is None else _height(plant, limit, shown)
    if standing.waits or plant.decided or tall is None:
        return ", ".join(filter(None, (stage_words(plant, waits=standing.waits), tall)))
    return tall if limit.by_height_alone else f"{tall}, leaves not counted"


def stage_words(plant: PlantEvidence, *, waits: bool) -> str:
    """A plant's stage; where it waits for a count, what was read, with "?"."""
    stage = plant.stage if waits else plant.best_stage
    if stage is None:
        return "not counted"
    return f"{stage_name(stage)}?" if waits else stage_name(stage)


def _by_and_chance(standing: PlantStanding, *, both: bool = False) -> str:
    # Past both only by the part that lags: where that is the height, a look at leaves is no help.
    again = "measure it" if both and standing.past_by == "height" else "look at it"
    return f"{_by(standing)} ({_chance(standing.past)}): {again} again"


def _by(standing: PlantStanding) -> str:
    return "" if standing.past_by is None else f" by its {standing.past_by}"


def _chance(probability: float) -> str:
    """A probability in per cent; what may be isn't told as certain."""
    return f"{min(probability, 0.99):.0%}"


def bound_words(
    bound: Bound, leaf: LeafMeaning | None, when: str, shown: Shown | None = None
) -> str:
    """A bound as the user would say it: in the units `shown`, with the label's own words beside."""
    parts = []
    if bound.leaves is not None:
        parts.append(f"{bound.leaves} {leaf}")
    if bound.height_text is not None or bound.height_mm is not None:
        typed = bound.height_text or f"{bound.height_mm:.0f} mm"
        if shown is None or bound.height_mm is None or unit_of_length(typed) == shown.length:
            parts.append(typed)
        else:
            parts.append(f"{shown.height(bound.height_mm)} ({typed} on the label)")
    return (" and " if when == "both" else " or ").join(parts)


def _height(plant: PlantEvidence, limit: Limit, shown: Shown | None) -> str:
    """A height, with the sign of doubt that it has elsewhere.

    In the units shown, else in the one that the limit was typed in.
    """
    mm, doubt = plant.height_mm or 0.0, "?" if plant.height_in_doubt else ""
    if shown is not None:
        return shown.height(mm) + doubt
    text = f"{limit.highest.height_text or limit.lowest.height_text or 'in'}".lower()
    if "cm" in text:
        return f"{mm / 10:.0f} cm{doubt}"
    return f"{mm:.0f} mm{doubt}" if "mm" in text else f"{mm / 25.4:.1f} in{doubt}"


def doubtful_before(day: date, standing: Sequence[PlantStanding]) -> str:
    """Say that plants of an earlier visit may have been past, and what settles it."""
    doubtful = sorted((s for s in standing if s.past >= _WORTH_SAYING), key=lambda s: -s.past)
    names = names_of([f"{s.plant.name}{_by(s)} ({_chance(s.past)})" for s in doubtful])
    what = "that photo by hand, or measure its plant"
    if len(doubtful) > 1:
        what = "those photos by hand, or measure their plants"
    return f"On {day} the field may have been past already: {names}. Count {what} in the field."


def past_before(
    day: date, chosen: Sequence[PlantStanding], limit: Limit, shown: Shown | None = None
) -> str:
    """Say which answers of an earlier visit make a field past, and what to do if one is wrong.

    A photo read wrongly is counted by hand; a count or a height by hand was made by somebody, who
    can look again.
    """
    deciding = [s for s in chosen if s.past >= SURELY]
    by_hand = {"count": list[str](), "height": list[str]()}
    read = []
    for s in deciding:
        taped = s.plant.height_mm is not None and s.plant.height_interval_mm is None
        if s.past_by != "height" and s.plant.hand_count is not None:
            by_hand["count"].append(f"{s.plant.name} ({_counted(s.plant)})")
        elif s.past_by == "height" and taped:
            by_hand["height"].append(f"{s.plant.name} ({_height(s.plant, limit, shown)} by hand)")
        else:
            read.append(s.plant.name)
    made = [
        f"the {what}{'s' if len(names) > 1 else ''} of {names_of(names)}"
        for what, names in by_hand.items()
        if names
    ]
    said = f"The visit of {day} makes it past"
    if made:
        one = sum(len(names) for names in by_hand.values()) == 1
        slip = "that was a slip" if one else "those were slips"
        again = "measure" if not by_hand["count"] else "count"
        said += f" by {' and '.join(made)}: if {slip}, {again} {'it' if one else 'them'} again."
        if read:
            said += f" So do its photos of {names_of(read)}: count those by hand if need be."
    else:
        said += ". If its photos were read wrongly, count them by hand."
    return (
        f"{said} If the field was planted again since, or that visit's photos are of another "
        "field, put them under a field name of their own."
    )


def _counted(plant: PlantEvidence) -> str:
    """A count by hand, with what was counted where that was nodes."""
    count = plant.hand_count or 0
    collars = count_of(count, "collar")
    # Only a count from nodes may be one leaf short (`collarvision.splitstalk`).
    nodes = count - SQUEEZED_NODES if plant.one_more else 0
    return collars if nodes < 1 else f"{collars}, from {nodes} node{'s' if nodes > 1 else ''}"


def _past(chosen: Sequence[PlantStanding], seen: int, top: str) -> str:
    """Which plants are past, and which of them only may be: those are told apart, not left out."""
    are = [s for s in chosen if s.past_soundly >= SURELY]
    may = [s for s in chosen if s not in are]
    said = []
    if are:
        said.append(f"{_share(are, seen)} past {top}: {names_of([s.plant.name for s in are])}.")
    it = "it" if are else top
    if len(may) == 1:
        said.append(f"{may[0].plant.name} may be past {it}{_by_and_chance(may[0])}.")
    elif may:
        names = names_of([f"{s.plant.name}{_by(s)} ({_chance(s.past)})" for s in may])
        said.append(f"{plants_of(len(may))} may be past {it}: {names}. Look at them again.")
    return " ".join(said)


def _share(chosen: Sequence[PlantStanding], seen: int) -> str:
    return f"{len(chosen)} of {plants_of(seen)} seen {'is' if len(chosen) == 1 else 'are'}"


def plants_of(count: int) -> str:
    """Say how many plants."""
    return count_of(count, "plant")


def names_of(names: Sequence[str]) -> str:
    """Name three plants, and say how many more there are."""
    shown = ", ".join(names[:3])
    return shown if len(names) <= 3 else f"{shown} and {len(names) - 3} more"


def undated_words(count: int) -> str:
    """Say that plants without a date are left out; no full stop, for what follows."""
    has, are = ("has", "is") if count == 1 else ("have", "are")
    return f"{plants_of(count)} of this field {has} no date and {are} left out"
