"""Handles: what a person moves, adds, deletes or numbers on a photo, and the count they come to.

A handle is a point of the plant: a collar, a leaf's tip, where the stalk meets the soil, the arch.
A leaf that is gone has no point, but still counts (Mississippi State Univ. Extension, 17 May 2024):
it is a handle of the part ``leaf`` that is marked lost.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

from collarvision.answer import stage_name

Part = Literal["collar", "tip", "soil", "arch", "leaf"]

HIGHEST_RANK: Final = 22
"""Corn makes 16 to 22 leaves (CIMMYT)."""


@dataclass(frozen=True)
class Handle:
    """One point of a plant, or one lost leaf.

    Attributes
    ----------
    part : str
        ``collar``, ``tip``, ``soil`` (where the stalk meets it), ``arch`` (what the height is
        taken to), or ``leaf``, which is a lost one and has no place.
    x, y : float or None
        Pixels of the upright photo, pixel centres at integers + 0.5.
    rank : int or None
        Leaf, counted from the round-tipped first one, lost ones included.
    occluded : bool
        It is there but hidden; the place is where it must be.
    lost : bool
    rounded : bool
        Of a tip: round, as the first leaf's alone is.
    """

    part: Part
    x: float | None = None
    y: float | None = None
    rank: int | None = None
    occluded: bool = False
    lost: bool = False
    rounded: bool = False


def lost_leaf(rank: int) -> Handle:
    """A leaf that is gone from the plant."""
    return Handle("leaf", rank=rank, lost=True)


def handles_of_record(record: Mapping[str, Any]) -> tuple[Handle, ...]:
    """What a reading found, as handles to correct.

    Parameters
    ----------
    record : mapping
        See `collarvision.record`.

    Returns
    -------
    tuple of Handle
        Lost leaves, collars bottom up, tips, soil, arch. A collar whose leaf wasn't told gets the
        number after the one below it. Of tips with the same number the surest keeps it: in the
        whorl they are often doubtful, and count for nothing there.
    """
    collars: list[Handle] = []
    lost = record.get("lower_leaves_missing") or 0
    for mark in record.get("collars") or ():
        below = collars[-1].rank if collars else lost
        rank = mark["rank"] if mark["rank"] is not None else (below or 0) + 1
        collars.append(Handle("collar", mark["x"], mark["y"], rank))
    tips = _tips(record.get("tips") or ())
    shown = {handle.rank for handle in (*collars, *tips)}
    gone = [lost_leaf(rank) for rank in range(1, lost + 1) if rank not in shown]
    ends: tuple[tuple[Part, str], ...] = (("soil", "soil_line"), ("arch", "arch"))
    single = [Handle(part, *record[name]) for part, name in ends if record.get(name)]
    return (*gone, *collars, *tips, *single)


def _tips(marks: Sequence[Mapping[str, Any]]) -> list[Handle]:
    surest: dict[int | None, float] = {}
    for mark in marks:
        score = mark.get("score", 0.0)
        surest[mark["rank"]] = max(surest.get(mark["rank"], score), score)
    found = []
    for mark in marks:
        rank = mark["rank"]
        # Each number once: whoever takes it leaves nothing for the next.
        keeps = rank is not None and surest.get(rank) == mark.get("score", 0.0)
        if keeps:
            del surest[rank]
        rounded = mark["shape"] == "rounded" and rank == 1 and keeps
        found.append(Handle("tip", mark["x"], mark["y"], rank if keeps else None, rounded=rounded))
    return found


def stage_of(handles: Iterable[Handle]) -> int:
    """The count: the highest leaf with a collar, seen or hidden, or lost; 0 (VE) without any."""
    counted = (h.rank for h in handles if h.part in ("collar", "leaf") and h.rank is not None)
    return max(counted, default=0)


def shows_a_leaf(handles: Iterable[Handle]) -> bool:
    """Whether anything is marked that a count may rest on: soil and arch alone are no VE."""
    return any(h.part in ("collar", "tip", "leaf") for h in handles)


def point_of(handles: Iterable[Handle], part: Part) -> tuple[float, float] | None:
    """Where the first handle of a part is, px."""
    for h in handles:
        if h.part == part and h.x is not None and h.y is not None:
            return h.x, h.y
    return None


def problems(handles: Iterable[Handle], size_px: tuple[int, int] | None = None) -> tuple[str, ...]:
    """What keeps handles from being a count, as sentences that say what to do; empty if nothing.

    Parameters
    ----------
    handles : iterable of Handle
    size_px : (width, height), optional
        Of the photo; then points outside it are found too.
    """
    handles = tuple(handles)
    return (*_of_places(handles, size_px), *_of_numbers(handles))


def _of_places(handles: tuple[Handle, ...], size_px: tuple[int, int] | None) -> list[str]:
    found = []
    for h in handles:
        if h.part == "leaf":
            continue
        if h.x is None or h.y is None or not (math.isfinite(h.x) and math.isfinite(h.y)):
            found.append(f"A {h.part} has no place on the photo: put it there or delete it.")
        elif size_px is not None and not (0 <= h.x <= size_px[0] and 0 <= h.y <= size_px[1]):
            found.append(f"A {h.part} lies outside the photo: move it in or delete it.")
    for part in ("soil", "arch"):
        if sum(h.part == part for h in handles) > 1:
            found.append(f"There is more than one {part} handle: delete all but one.")
    return found


def _of_numbers(handles: tuple[Handle, ...]) -> list[str]:
    found = []
    numbered = [h for h in handles if h.part in ("collar", "leaf") or h.rank is not None]
    if any(h.rank is None or not 1 <= h.rank <= HIGHEST_RANK for h in numbered):
        return [f"A leaf has no number from 1 to {HIGHEST_RANK}: number it."]
    collars = _ranks(handles, "collar")
    tips = _ranks(handles, "tip")
    lost = _ranks(handles, "leaf")
    for part, counted in (("collars", collars), ("tips", tips), ("lost leaves", lost)):
        found += [
            f"Two {part} have number {rank}: renumber or delete one."
            for rank, count in sorted(counted.items())
            if count > 1
        ]
    found += [
        f"Leaf {rank} is marked lost but has a collar or a tip: choose one."
        for rank in sorted(lost.keys() & (collars.keys() | tips.keys()))
    ]
    missing = sorted(set(range(1, stage_of(handles) + 1)) - collars.keys() - lost.keys())
    if missing:
        leaves = ", ".join(str(rank) for rank in missing)
        word = "Leaf" if len(missing) == 1 else "Leaves"
        found.append(f"{word} {leaves} without a collar: add it, mark the leaf lost, or renumber.")
    if any(h.rounded and h.rank != 1 for h in handles):
        found.append("Only leaf 1 has a round tip: give that tip number 1 or make it pointed.")
    return found


def _ranks(handles: tuple[Handle, ...], part: Part) -> Counter[int]:
    return Counter(h.rank for h in handles if h.part == part and h.rank is not None)


def describe(handles: Iterable[Handle]) -> str:
    """Say a marking in a few words."""
    handles = tuple(handles)
    gone = sum(h.lost for h in handles)
    shown = sum(h.part == "collar" for h in handles)
    lost = f", {gone} {'leaf' if gone == 1 else 'leaves'} lost" if gone else ""
    return f"{stage_name(stage_of(handles))}: {shown} collar{'s' * (shown != 1)}{lost}"
