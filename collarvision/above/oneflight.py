"""One flight: of photos of several days only the newest are told by, and the others are said."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from collarvision.above.values import FrameAbove

_ONE_FLIGHT_DAYS: Final = 1
"""Photos so far apart are still of one flight: a field flown in two evenings. Our own choice."""

OTHER_DAYS: Final = "flown on other days than the newest"
"""In every note on photos of other days."""


def of_one_flight(frames: Sequence[FrameAbove]) -> tuple[tuple[FrameAbove, ...], tuple[str, ...]]:
    """Keep photos of the newest day that shows plants, and the day before; notes on the others.

    A month-old photo tells another field than today's, however new the newest one is. Photos that
    don't say their day are kept, and said; those of which no plants are known too, since nothing
    is told by them.
    """
    days = [one.day for one in frames if one.day is not None and one.plants]
    if not days:
        return tuple(frames), ()
    newest = max(days)
    kept, other = [], []
    for one in frames:
        apart = 0 if one.day is None or one.plants is None else abs((newest - one.day).days)
        if one.day is not None and apart > _ONE_FLIGHT_DAYS:
            other.append(one.day)
        else:
            kept.append(one)
    notes = []
    if other:
        count, when = len(other), f"{min(other)}"
        if min(other) != max(other):
            when += f" to {max(other)}"
        was, left = ("was", "is") if count == 1 else ("were", "are")
        notes.append(
            f"{count} of {len(frames)} photos {was} {OTHER_DAYS}, {newest} ({when}), and {left} "
            "left out: corn makes a leaf in three to five days."
        )
    unsaid = sum(one.day is None and bool(one.plants) for one in frames)
    if unsaid:
        tells = "doesn't tell its" if unsaid == 1 else "don't tell their"
        notes.append(
            f"{unsaid} of {len(frames)} photos {tells} day: see that all were flown with the "
            "others, within a week of the walk."
        )
    return tuple(kept), tuple(notes)
