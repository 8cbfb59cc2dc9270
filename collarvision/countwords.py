"""Count words: what people counted, and took back, as the commands and a field's notes say it."""

from __future__ import annotations

import re
from collections.abc import Sequence

from collarvision.agreement import stage_counted
from collarvision.answer import stage_name
from collarvision.fieldnames import listed
from collarvision.splitstalk import collars_from_nodes
from collarvision.stageheights import impossible, pair_words
from collarvision.survey import HandCount, PlantRow
from collarvision.survey.columns import now
from collarvision.survey.stopcounts import StopCount
from collarvision.survey.values import Withdrawn
from collarvision.table import plain
from collarvision.units import shown_here


def counted_words(count: HandCount | None) -> str | None:
    """The stage that a person counted, and who; None where no stage was counted."""
    # An import may bring nodes that can't be; they tell the field nothing either.
    if count is None or stage_counted(count) is None:
        return None
    if count.stage is not None:
        return f"{stage_name(count.stage)}, counted by {plain(count.who)}"
    assert count.nodes is not None
    found = collars_from_nodes(count.nodes)
    return (
        f"{stage_name(found.collars)} from {count.nodes} nodes apart, with a {found.one_more:.0%} "
        f"chance of one more, counted by {plain(count.who)}"
    )


ENTER_AGAIN = "see the unit and the count, and enter both again"


def refused_words(
    collars: int, height_mm: float, typed: str | None = None, then: str = ENTER_AGAIN
) -> str | None:
    """Why a stage and a height that were told together can't both be right, else None.

    What to do `then` ends it.
    """
    if not impossible(collars, height_mm):
        return None
    pair = pair_words(collars, height_mm, typed)
    return f"{pair} Nothing is kept: {then}."


def doubtful_words(
    kept: Sequence[HandCount], collars: int | None, height: str | None, height_mm: float | None
) -> str | None:
    """A loud sentence where a height hardly goes with the collars that stand, else None.

    Each half may be of an earlier count: which of the two is the slip nobody knows, so both stay.

    Parameters
    ----------
    kept : sequence of HandCount
        Of the plant, the new one among them.
    collars : int or None
    height : str or None
        As it was typed; None where that isn't known.
    height_mm : float or None
        The same in mm.
    """
    if collars is None:
        collars = next((n for one in reversed(kept) if (n := stage_counted(one)) is not None), None)
    if height_mm is None:
        height_mm = next((one.height_mm for one in reversed(kept) if one.height_mm), None)
    if collars is None or height_mm is None:
        return None
    words = pair_words(collars, height_mm, height)
    if words is None:
        return None
    return f"SURE? {words} Count it again if {'so' if words[-1] == '?' else 'either is a slip'}."


def later_count(kept: Sequence[HandCount], made: HandCount) -> HandCount | None:
    """The count that stands instead of one just made, as its date says that it is newer."""

    def outdoes(count: HandCount) -> bool:
        leaves = any(one is not None for one in (made.stage, made.nodes))
        tells_leaves = any(one is not None for one in (count.stage, count.nodes))
        tall = made.height_mm is not None and count.height_mm is not None
        return count.counted_at > made.counted_at and ((leaves and tells_leaves) or tall)

    return next((count for count in reversed(kept) if outdoes(count)), None)


def later_words(later: HandCount) -> str:
    """A sentence that this count stands, not the one just made; a date to come is asked about."""
    stands = counted_words(later)
    if stands is None:
        assert later.height_mm is not None
        stands = f"{shown_here().height(later.height_mm)}, by {plain(later.who)}"
    if later.counted_at <= now():
        return f"A later count stands: {stands}."
    return f"A count dated {plain(later.counted_at)} ({stands}) still stands: check the clock."


def differing_words(counts: Sequence[tuple[HandCount, PlantRow]]) -> str | None:
    """A sentence where the photos of a plant were counted differently, each by its last count.

    None where they weren't. The counts come in the order in which they were made.
    """
    last: dict[str, tuple[int, str]] = {}
    for count, row in counts:
        collars = stage_counted(count)
        if collars is not None and row.set_aside is None:
            last.pop(row.sha256, None)  # the photo that was counted last comes last
            last[row.sha256] = (collars, f"{stage_name(collars)} ({plain(row.photo)})")
    if len({collars for collars, _ in last.values()}) < 2:
        return None
    *first, end = (words for _, words in last.values())
    return f"Its photos were counted {', '.join(first)} and {end}: only the last count stands."


def beside_words(photographed: Sequence[str]) -> str:
    """What to say of a plant without a photo where plants with photos, named by them, stand too."""
    those = f"the {len(photographed)} photographed" if photographed[1:] else "the one photographed"
    names = plain(listed(photographed))
    one = "one of those" if photographed[1:] else "that one"
    return (
        f"It is a further plant without a photo, beside {those} there ({names}): to count {one}, "
        "name its photo."
    )


def withdrawn_words(one: Withdrawn) -> str:
    """A sentence of a count that was taken back: what it was, by whom it was withdrawn, and why."""
    was = counted_words(one.count) or f"A height, measured by {plain(one.count.who)}"
    return f"{was}, {withdrawal_words(one)}"


def withdrawal_words(one: Withdrawn) -> str:
    """The end of such a sentence, from "withdrawn" on."""
    reason = plain(one.reason).rstrip(".")
    return f"withdrawn by {plain(one.who)} on {one.said_at[:10]}: {reason}."


def stands_words(plant: StopCount) -> str:
    """What stands of a plant that was counted without a photo, or that it is withdrawn."""
    if not plant.counts:
        return "withdrawn"
    return counted_words(plant.count) or "as it was"


def typed(word: str) -> str:
    """A word as it is typed on the command line."""
    word = plain(word)
    if re.fullmatch(r"[\w./:-]+", word):
        return word
    return "'" + word.replace("'", "'\\''") + "'" if re.search(r'["$`\\!]', word) else f'"{word}"'
