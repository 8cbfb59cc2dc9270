"""Surveyed: a field's flight out of the photos from above that a survey holds."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from collarvision.above.calibration import load_above_calibration
from collarvision.above.summary import frame_from_record
from collarvision.above.values import FieldAbove, FrameAbove
from collarvision.survey import PlantRow
from collarvision.walk.flight import GOOD_DAYS


def surveyed_flight(
    rows: Sequence[PlantRow], name: str, on: date | None, good_days: int = GOOD_DAYS
) -> FieldAbove | None:
    """Give the newest flight up to a day out of a field's photos from above.

    Photos of one day are one flight.

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
    calibration = None
    for row in rows:
        day = _day(row)
        if day is None or (on is not None and not 0 <= (on - day).days <= good_days):
            continue
        calibration = calibration or load_above_calibration()
        try:
            frame = frame_from_record(row.record, calibration)
        except (KeyError, TypeError, ValueError):
            continue  # a record of another version: the others still make a flight
        if frame is not None and frame.plants is not None and len(frame.plants):
            flights.setdefault(day, []).append(frame)
    if not flights:
        return None
    return FieldAbove(name, tuple(flights[max(flights)]))


def _day(row: PlantRow) -> date | None:
    for text in (row.taken_at, row.date):
        try:
            if text is not None:
                return date.fromisoformat(text[:10])
        except ValueError:
            continue
    return None
