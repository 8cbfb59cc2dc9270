"""Leaf words: what "leaf" may mean, and how far one meaning tells another.

The same plant has four collars, six or seven visible leaf tips, and five or six leaves that droop.
Published pairs, all of them:

| collars | visible tips | drooping leaves | source |
|---|---|---|---|
| 3 | 6 | | seed-company agronomy note 2011, one pictured plant |
| 4 | 6 | 5-6 | Ohio State Univ. AGF-127 |
| 4 | 7 (BBCH 16) | | ARVALIS glossary, one pictured plant |
| 5 | | 6-7 | Univ. of Nebraska, hail article |
| 6 | | 7 / 8 | Iowa State Univ. 2008 / Univ. of Kentucky 2007 |
| 7 | 9 | | Univ. of Georgia 2018 |

So tips are two or three more than collars, and drooping leaves one or two more. Outside the
collars that a table line was printed for, the same rule is carried on, one leaf wider either way,
and `Span.published` is False.

BBCH 1n is not Vn: BBCH counts unfolded leaves, a leaf when its ligule or the next leaf's tip shows,
which is about the visible tips less one (Lancashire et al. 1991, Ann. Appl. Biol. 119:561-601).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

LeafMeaning = Literal["collars", "visible tips", "drooping leaves"]
MEANINGS: Final[tuple[LeafMeaning, ...]] = get_args(LeafMeaning)

# Leaves more than collars, and the collars that a source was found for.
_MORE: Final[dict[LeafMeaning, tuple[int, int]]] = {
    "collars": (0, 0),
    "visible tips": (2, 3),
    "drooping leaves": (1, 2),
}
_PUBLISHED_COLLARS: Final[dict[LeafMeaning, tuple[int, int]]] = {
    "collars": (0, 22),
    "visible tips": (3, 7),
    "drooping leaves": (4, 6),
}
_MOST_LEAVES: Final = 22


class LeafWordError(ValueError):
    """A count that can't be a plant's; `str` is one sentence."""


@dataclass(frozen=True)
class Span:
    """A count that is not exactly known: lowest and highest, both included.

    Attributes
    ----------
    low, high : int
    published : bool
        Whether the whole span rests on a table line; False where the rule was carried on.
    """

    low: int
    high: int
    published: bool

    @property
    def counts(self) -> range:
        """Every count in the span."""
        return range(self.low, self.high + 1)


def leaves_from_collars(collars: int, meaning: LeafMeaning) -> Span:
    """Leaves by another meaning on a plant with that many collars.

    Raises
    ------
    LeafWordError
        For a count that no corn plant has.
    """
    _check(collars)
    low, high = _MORE[meaning]
    first, last = _PUBLISHED_COLLARS[meaning]
    published = first <= collars <= last
    wider = 0 if published else 1
    return Span(max(collars + low - wider, collars), collars + high + wider, published)


def collars_from_leaves(leaves: int, meaning: LeafMeaning) -> Span:
    """Collars on a plant with that many leaves by another meaning.

    Every number of collars whose own span holds `leaves`, so that there and back always meet.
    """
    _check(leaves)
    spans = {
        collars: span
        for collars in range(leaves + 1)
        if leaves in (span := leaves_from_collars(collars, meaning)).counts
    }
    if not spans:
        return Span(0, 0, False)
    return Span(min(spans), max(spans), all(span.published for span in spans.values()))


def leaf_probabilities(collars: int, meaning: LeafMeaning) -> dict[int, float]:
    """Probability of each leaf count on a plant with that many collars, level over its span.

    The sources print spans, not shares; level is our own choice.
    """
    counts = leaves_from_collars(collars, meaning).counts
    return dict.fromkeys(counts, 1 / len(counts))


def leaves_at_least(count: int, collars: int, meaning: LeafMeaning) -> float:
    """Probability of at least `count` leaves on a plant with that many collars."""
    return sum(p for n, p in leaf_probabilities(collars, meaning).items() if n >= count)


def bbch_from_collars(collars: int) -> Span:
    """BBCH codes that fit a plant at that V stage.

    VE is 9 (emergence) or 10 (first leaf through the coleoptile). From nine unfolded leaves on the
    code stays 19; stem elongation (30 on) is a count of nodes and is not converted.
    """
    if collars == 0:
        return Span(9, 10, True)
    tips = leaves_from_collars(collars, "visible tips")
    low, high = (10 + min(max(n - 1, 0), 9) for n in (tips.low, tips.high))
    return Span(low, high, tips.published)


def collars_from_bbch(code: int) -> Span:
    """V stages that fit a BBCH leaf code; 16 is V4, not V6.

    Raises
    ------
    LeafWordError
        For codes that don't count leaves.
    """
    if not 9 <= code <= 19:
        raise LeafWordError(
            f"BBCH {code} doesn't count leaves (10 to 19 do): count the collars instead."
        )
    fits = {
        collars: span
        for collars in range(_MOST_LEAVES + 1)
        if code in (span := bbch_from_collars(collars)).counts
    }
    if code == 19:  # nine leaves or more: no upper end
        return Span(min(fits), _MOST_LEAVES, False)
    return Span(min(fits), max(fits), all(span.published for span in fits.values()))


def explain(collars: int, meaning: LeafMeaning) -> str:
    """Say in a sentence what a V stage is by another meaning, and how sure that is."""
    if meaning == "collars":
        return f"V{collars} is {collars} collars."
    span = leaves_from_collars(collars, meaning)
    count = f"{span.low}" if span.low == span.high else f"{span.low} to {span.high}"
    basis = "published pairs" if span.published else "beyond the published pairs, so wider"
    return f"V{collars} shows {count} {meaning} ({basis})."


def _check(count: int) -> None:
    if not 0 <= count <= _MOST_LEAVES + 4:
        raise LeafWordError(f"{count} leaves aren't a corn plant's: give 0 to {_MOST_LEAVES}.")
