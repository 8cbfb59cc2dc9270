"""Surveyed: a field's flight out of the photos from above that a survey holds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from collarvision.above.calibration import load_above_calibration
from collarvision.above.fields import is_closed
from collarvision.above.summary import frame_from_record
from collarvision.above.values import FieldAbove, FrameAbove
from collarvision.answer import day_in
from collarvision.survey import PlantRow
from collarvision.walk.flight import GOOD_DAYS


def surveyed_flight(
    rows: Sequence[PlantRow], name: str, on: date | None, good_days: int = GOOD_DAYS
) -> FieldAbove | None:
    """Give the newest flight up to a day out of a field's photos from above.

    Photos of one day are one flight, those that tell nothing of plants too. Photos of leaves closed
    over the rows come along from any of those days: that corn is the oldest now as well. Photos of
    that day or later whose plants were too many to be listed come along without plants, so that
    `collarvision.walk.flight.flight_of` can say so.

    Parameters
    ----------
    rows : sequence of PlantRow
        As `collarvision.fieldvisits.FieldVisits.above` has them.
    name : str
        The field's.
    on : date or None
        Day of the walk; None takes the newest flight of all.
    good_days : int
        Flights longer before that are passed over.

    Returns
    -------
    FieldAbove or None
        None without a flight that would do.
    """
    flights: dict[date, list[FrameAbove]] = {}
    unlisted: list[tuple[date, FrameAbove]] = []
    beside: dict[date, list[FrameAbove]] = {}
    closed: list[FrameAbove] = []
    calibration = None
    for row in rows:
        day = day_in(row.taken_at) or day_in(row.date)
        if day is None or (on is not None and not 0 <= (on - day).days <= good_days):
            continue
        calibration = calibration or load_above_calibration()
        try:
            frame = frame_from_record(row.record, calibration)
        except (KeyError, TypeError, ValueError):
            continue  # a record of another version: the others still make a flight
        if frame is None:
            continue
        if frame.day is None:
            # The photo doesn't say its day, and the visit that it was filed under does.
            frame = replace(frame, taken_at=day.isoformat())
        if frame.plants is not None and len(frame.plants):
            flights.setdefault(day, []).append(frame)
        elif is_closed(frame):
            closed.append(frame)
        elif frame.plants is None and frame.stages is not None:
            unlisted.append((day, frame))
        else:
            beside.setdefault(day, []).append(frame)
    if not flights:
        alone = (*(one for _, one in unlisted), *closed)
        return FieldAbove(name, alone) if alone else None
    newest = max(flights)
    later = (one for day, one in unlisted if day >= newest)
    return FieldAbove(name, (*flights[newest], *beside.get(newest, ()), *closed, *later))
