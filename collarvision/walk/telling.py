"""Telling: a field flown and walked in words and as JSON values."""

from __future__ import annotations

from typing import Any

from collarvision.answer import stage_name
from collarvision.walk.correction import ZoneAnswer, ZonedField
from collarvision.walk.leftout import places_words
from collarvision.walk.spans import ZoneShare


def headline(zoned: ZonedField) -> str:
    """Field's stage by its zones, and how it was known from above alone."""
    flown = "" if zoned.flown is None else f" on {zoned.flown}"
    before = f"From above{flown}, 90 in 100 plants: {zoned.before.words}."
    if zoned.plants == 0:
        return f"{before} No plant was counted on the ground yet, so nothing corrects it."
    return (
        f"{before} Corrected by {_count(zoned.plants, 'plant')} at {_count(zoned.stops, 'stop')}: "
        f"{zoned.after.words}; by its zones the field is at {stage_name(zoned.stage)} "
        f"({sure(zoned.probability)} sure)."
    )


def zone_sentences(zoned: ZonedField) -> tuple[str, ...]:
    """What is to be said under a table of the zones."""
    said = [enough_words(zoned), shift_words(zoned)]
    if zoned.plants:
        said.insert(
            0, "Half at: the highest stage that at least half of a zone's plants have reached."
        )
        if not (zoned.unwalked or zoned.flight.closed_unplaced):
            said.append(advanced_words(zoned))
    return (*(words for words in said if words is not None), *zoned.notes)


def enough_words(zoned: ZonedField) -> str:
    """Whether the plants are enough for the field by its zones, or where to count more."""
    wide = f"+-{zoned.half_width * 100:.0f} in 100"
    if zoned.enough:
        return f"Enough by zones: the shares that decide the stage are known to {wide}."
    first = f"first in zone {zoned.more_in if zoned.plants else 'A'}"
    if zoned.unwalked:
        first = "first where leaves close over the rows"
    if zoned.plants == 0:
        return f"By zones about {zoned.more} plants are to be counted, {first}."
    if zoned.half_width <= zoned.precision and zoned.unwalked:
        return (
            f"By zones the shares that decide the stage are known to {wide}, but not where leaves "
            f"close over the rows: about {_count(zoned.more, 'more plant')}, {first}."
        )
    return (
        f"By zones the shares that decide the stage are known to {wide}, and +-"
        f"{zoned.precision * 100:.3g} were asked: about {_count(zoned.more, 'more plant')}, "
        f"{first}."
    )


def shift_words(zoned: ZonedField) -> str | None:
    """How far the ground moved what the flight made likely."""
    if zoned.plants == 0:
        return None
    low, middle, high = zoned.shift
    if abs(middle) < 0.1:
        said = "The ground agrees with the flight"
    else:
        word = "ahead of" if middle > 0 else "behind"
        leaf = "leaf" if round(abs(middle), 1) == 1.0 else "leaves"
        said = (
            f"Plants on the ground are {abs(middle):.1f} {leaf} {word} what the flight made likely"
        )
    return f"{said} (95 in 100: {low:+z.1f} to {high:+z.1f})."


def counted_words(one: ZoneAnswer) -> str:
    """What was counted in a zone."""
    if not one.counts:
        return "none"
    low, high = stage_name(min(one.counts)), stage_name(max(one.counts))
    return (
        f"{one.plants} at {_count(one.stops, 'stop')}: {low if low == high else f'{low} to {high}'}"
    )


def advanced_words(zoned: ZonedField) -> str:
    """The plants that decide a maximum: those of the zone that is furthest on, corrected."""
    most = max(zoned.zones, key=lambda one: (one.advanced, one.zone.share))
    if len(zoned.zones) == 1:
        return f"At least 1 in 20 plants has reached {stage_name(most.advanced)}, corrected."
    return (
        f"Furthest on is zone {most.zone.letter}: at least 1 in 20 of its plants has reached "
        f"{stage_name(most.advanced)}, corrected. Limits are judged on plants of the ground alone."
    )


def cautions(zoned: ZonedField) -> tuple[str, ...]:
    """What somebody must know before using an answer from the ground alone."""
    found = []
    if zoned.unwalked:
        places = places_words(zoned.unwalked)
        found.append(
            f"No plant was counted where leaves close over the rows (at {places}), the oldest corn "
            "seen from above: a verdict on a maximum says nothing of it. Walk there first."
        )
    if nowhere := zoned.flight.closed_unplaced:
        found.append(
            f"{_count(nowhere, 'photo')} of leaves that close over the rows, the oldest corn seen "
            f"from above, {'has' if nowhere == 1 else 'have'} no place: see that plants were "
            "counted where the corn is tallest."
        )
    first = zoned.zones[0]
    if len(zoned.zones) > 1 and not first.plants:
        told = first.after if zoned.plants else first.before
        found.append(
            f"No plant was counted in zone A, the most advanced from above ({told.words}): "
            "a verdict on a maximum says nothing of it. Walk there first."
        )
    return tuple(found)


def sure(probability: float) -> str:
    """A probability that never says 0 or 100 in 100."""
    return (
        "under 1%"
        if probability < 0.01
        else "over 99%"
        if probability > 0.99
        else (f"{probability:.0%}")
    )


def zoned_record(zoned: ZonedField) -> dict[str, Any]:
    """Give a field flown and walked as JSON values."""
    return {
        "flown": None if zoned.flown is None else zoned.flown.isoformat(),
        "plants_seen": zoned.plants_seen,
        "before": [stage_name(zoned.before.low), stage_name(zoned.before.high)],
        "after": [stage_name(zoned.after.low), stage_name(zoned.after.high)],
        "stage": stage_name(zoned.stage),
        "stage_probability": round(zoned.probability, 4),
        "plants": zoned.plants,
        "stops": zoned.stops,
        "half_width": round(zoned.half_width, 4),
        "enough": zoned.enough,
        "more": zoned.more,
        "more_in": zoned.more_in,
        "closed_not_walked": [[round(v, 7) for v in place] for place in zoned.unwalked],
        "shift_leaves": [round(v, 2) for v in zoned.shift],
        "at_or_past": [_share(one) for one in zoned.shares],
        "zones": [
            {
                "zone": one.zone.letter,
                "share_of_plants": round(one.zone.share, 4),
                "before": [stage_name(one.before.low), stage_name(one.before.high)],
                "after": [stage_name(one.after.low), stage_name(one.after.high)],
                "stage": stage_name(one.stage),
                "furthest_1_in_20": stage_name(one.advanced),
                "missing": round(one.zone.missing, 4),
                "plants": one.plants,
                "stops": one.stops,
                "at_or_past": [_share(share) for share in one.shares],
            }
            for one in zoned.zones
        ],
        "notes": list(zoned.notes),
    }


def _share(one: ZoneShare) -> dict[str, Any]:
    return {
        "stage": stage_name(one.stage),
        "share": round(one.share, 4),
        "interval": [round(end, 4) for end in one.interval],
    }


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
