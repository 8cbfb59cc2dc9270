"""Stop counts: what people counted at a stop on plants that have no photo."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from collarvision.survey import rows
from collarvision.survey.reader import SurveyReader
from collarvision.survey.values import HandCount


@dataclass(frozen=True)
class StopCount:
    """One plant without a photo. `date` is of the visit; `gps` of the stop, degrees WGS 84."""

    id: int
    date: str | None
    stop: str
    gps: tuple[float, float] | None
    count: HandCount


def stop_counts(store: SurveyReader, field: str) -> Iterator[StopCount]:
    """Every plant of a field that was counted at a stop without a photo, the first one first."""
    for row in store._rows(
        f"""
        SELECT h.id, v.date, s.name, s.latitude, s.longitude, {rows.COUNT}
        FROM fields AS f JOIN visits AS v ON v.field_id = f.id JOIN stops AS s ON s.visit_id = v.id
        JOIN hand_counts AS h ON h.stop_id = s.id
        WHERE f.name = :field ORDER BY h.id
        """,
        field=field,
    ):
        yield StopCount(row["id"], row["date"], row["name"], rows.gps(row), rows.hand_count(row))
