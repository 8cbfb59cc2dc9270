"""Left out: a flight's photos that no zone is told by, and where somebody must look instead."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from collarvision.above.fields import is_bare, is_closed
from collarvision.above.oneflight import OTHER_DAYS
from collarvision.boundary import Boundary
from collarvision.walk.closed import closed_places, placed_inside

if TYPE_CHECKING:
    from collarvision.above.values import FrameAbove

FEWEST_AT_PLACE: Final = 8
"""Fewer plants, and a place tells little more than noise."""

_PLACES_SHOWN: Final = 6
_CLOSED: Final = "leaves closed over the rows"


def why_few(notes: Sequence[str]) -> str:
    """Give the notes that say why few plants are left, each after a space."""
    return "".join(f" {note}" for note in notes if OTHER_DAYS in note or _CLOSED in note)


def unlisted_note(photos: int) -> str:
    """Say that photos of a survey hold plants that nobody can walk by."""
    which = "1 photo from above holds" if photos == 1 else f"{photos} photos from above hold"
    return (
        f"{which} too many plants to be listed in a survey, so no walk can go by "
        f"{'it' if photos == 1 else 'them'}: give the folder that `collarvision above --out` wrote "
        "instead."
    )


def look_there_notes(frames: Sequence[FrameAbove], boundary: Boundary | None) -> tuple[str, ...]:
    """What is to be said of a flight's photos that no zone is told by: the gravest first."""
    said = (note(frames, boundary) for note in (closed_note, bare_note, uncounted_note))
    return tuple(one for one in said if one is not None)


def closed_note(frames: Sequence[FrameAbove], boundary: Boundary | None) -> str | None:
    """Say how many photos show closed leaves, and where to walk for them; None without any."""
    closed = [one for one in frames if is_closed(one)]
    count, _ = _counted(closed, boundary)
    if count == 0:
        return None
    unplaced = closed_unplaced(frames)
    at = _at(np.array([place[0] for place in closed_places(frames, boundary)]).reshape(-1, 2))
    nowhere = ""
    if unplaced:
        has = "has" if unplaced == 1 else "have"
        nowhere = f" {unplaced} {has} no place: look where the corn is tallest."
    return (
        f"{count} {_photos(count, 'show')} {_CLOSED}{at}: older than any zone, "
        f"and no stage can be told from above. Walk there first.{nowhere}"
    )


def closed_unplaced(frames: Sequence[FrameAbove]) -> int:
    """Photos that show closed leaves nobody knows where."""
    return sum(is_closed(one) and one.georeference is None for one in frames)


def bare_note(frames: Sequence[FrameAbove], boundary: Boundary | None) -> str | None:
    """Say how many photos show no corn, or hardly any, and where; None without any."""
    bare, thin = [], False
    for one in frames:
        # So few plants make no place of the field's surface either.
        few = one.plants is not None and 0 < len(one.plants) < FEWEST_AT_PLACE
        if few or is_bare(one):
            bare.append(one)
            thin = thin or bool(one.plants)
    count, places = _counted(bare, boundary)
    if count == 0:
        return None
    what = "no corn or hardly any" if thin else "no corn"
    return (
        f"{count} {_photos(count, 'show')} {what}{_at(places, count)}: nothing is told of growth "
        "there, and the zones are drawn from the photos around. At a stop there see why "
        f"{'so little' if thin else 'nothing'} stands."
    )


def uncounted_note(frames: Sequence[FrameAbove], boundary: Boundary | None) -> str | None:
    """Say of the field's other photos that tell nothing of plants; None without any."""
    left = [
        one
        for one in frames
        if one.plants is None
        and one.stages is None
        and one.georeference is not None
        and "outside" not in one.quality
        and not is_closed(one)
    ]
    count, places = _counted(left, boundary)
    if count == 0:
        return None
    return (
        f"{count} {_photos(count, 'tell')} nothing of plants{_at(places, count)}: nothing is told "
        "of growth there, and the zones are drawn from the photos around."
    )


def _counted(frames: Sequence[FrameAbove], boundary: Boundary | None) -> tuple[int, np.ndarray]:
    """Photos inside the outline, or without a place, and the (n, 2) degrees of those with one."""
    places = placed_inside(frames, boundary)
    return sum(one.georeference is None for one in frames) + len(places), places


def places_words(places: Iterable[Sequence[float] | np.ndarray]) -> str:
    """Latitudes and longitudes, one after the other."""
    return "; ".join(f"{lat:.5f}, {lon:.5f}" for lat, lon in places)


def _at(places: np.ndarray, count: int = 0) -> str:
    """Give places, (n, 2) degrees, in brackets after a space, and how many of `count` are more."""
    shown = places_words(places[:_PLACES_SHOWN])
    more = max(count - min(len(places), _PLACES_SHOWN), 0)
    return f" (at {shown}{f' and {more} more' if more else ''})" if shown else ""


def _photos(count: int, verb: str) -> str:
    return f"photo from above {verb}s" if count == 1 else f"photos from above {verb}"
