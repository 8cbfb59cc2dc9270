"""Left out: a flight's photos that no zone is told by, of other days or of bare ground."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np

from collarvision.above.fields import is_bare
from collarvision.boundary import Boundary
from collarvision.evidence import day_in

if TYPE_CHECKING:
    from collarvision.above.values import FrameAbove

_ONE_FLIGHT_DAYS: Final = 1
"""Photos so far apart are still of one flight: a field flown in two evenings. Our own choice."""

_PLACES_SHOWN: Final = 6
_OTHER_DAYS: Final = "flown on other days than the newest"


def of_one_flight(frames: Sequence[FrameAbove]) -> tuple[tuple[FrameAbove, ...], tuple[str, ...]]:
    """Keep photos of the newest day that shows plants, and the day before; notes on the others.

    A month-old photo tells another field than today's, however new the newest one is. Photos that
    don't say their day are kept, and said; those of a survey whose plants aren't listed too, since
    they are no part of the walk.
    """
    dated = [(one, day_in(one.taken_at)) for one in frames]
    days = [day for one, day in dated if day is not None and one.plants is not None and one.plants]
    if not days:
        return tuple(frames), ()
    newest = max(days)
    other = [
        day
        for one, day in dated
        if one.plants is not None
        and day is not None
        and abs((newest - day).days) > _ONE_FLIGHT_DAYS
    ]
    kept = tuple(
        one
        for one, day in dated
        if one.plants is None or day is None or abs((newest - day).days) <= _ONE_FLIGHT_DAYS
    )
    notes = []
    if other:
        count, when = len(other), f"{min(other)}"
        if min(other) != max(other):
            when += f" to {max(other)}"
        was, left = ("was", "is") if count == 1 else ("were", "are")
        notes.append(
            f"{count} of {len(frames)} photos {was} {_OTHER_DAYS}, {newest} ({when}), and {left} "
            "left out: corn makes a leaf in three to five days."
        )
    unsaid = sum(day is None and bool(one.plants) for one, day in dated)
    if unsaid:
        tells = "doesn't tell its" if unsaid == 1 else "don't tell their"
        notes.append(
            f"{unsaid} of {len(frames)} photos {tells} day: see that all were flown within a week "
            "of the walk."
        )
    return kept, tuple(notes)


def other_days_note(notes: Sequence[str]) -> str:
    """Give the note on photos of other days, after a space; nothing where there is none."""
    return next((f" {note}" for note in notes if _OTHER_DAYS in note), "")


def bare_note(frames: Sequence[FrameAbove], boundary: Boundary | None) -> str | None:
    """Say how many photos show no corn, and where; None where each of the field shows some."""
    bare = [one for one in frames if is_bare(one)]
    places = [
        (one.georeference.lat, one.georeference.lon) for one in bare if one.georeference is not None
    ]
    count = len(bare)
    if boundary is not None and places:
        latitudes, longitudes = np.array(places).T
        inside = boundary.inside(np.column_stack(boundary.metres(latitudes, longitudes)))
        count -= int((~inside).sum())
        places = [place for place, own in zip(places, inside, strict=True) if own]
    if count == 0:
        return None
    shown = "; ".join(f"{lat:.5f}, {lon:.5f}" for lat, lon in places[:_PLACES_SHOWN])
    more = count - min(len(places), _PLACES_SHOWN)
    if shown:
        shown = f" (at {shown}{f' and {more} more' if more else ''})"
    show = "photo from above shows" if count == 1 else "photos from above show"
    return (
        f"{count} {show} no corn{shown}: nothing is told of growth there, and the zones are drawn "
        "from the photos around. At a stop there see why nothing stands."
    )
