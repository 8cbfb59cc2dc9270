"""Survey: where a stop lies, by the photos that were taken there."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from surveys import MODEL, NORTH, reading, sha

from collarvision.survey import HandCount, Place, SurveyWriter
from collarvision.survey.stopcounts import stop_counts

FIRST, SECOND = (41.0, -93.0), (41.001, -93.001)


def test_a_stop_lies_where_its_first_photo_was_taken(tmp_path: Path) -> None:
    """One without a place says nothing of the stop's; one taken later on doesn't move it."""
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        for number, place in enumerate((None, FIRST, SECOND), start=1):
            shown = replace(reading(f"IMG_{number}.jpg"), gps=place)
            store.add_reading(shown, sha256=sha(number), model=MODEL, place=NORTH)
        store.add_stop_count(NORTH, HandCount("Ann", "2027-05-20T10:00", stage=2))
        elsewhere = Place("North", "2027-05-20", "4", "folder")
        store.add_reading(
            replace(reading("IMG_4.jpg"), gps=SECOND), sha256=sha(4), model=MODEL, place=elsewhere
        )
        store.add_stop_count(elsewhere, HandCount("Ann", "2027-05-20T10:00", stage=2))
        found = list(stop_counts(store, "North"))
    assert [one.gps for one in found] == [FIRST, SECOND]
