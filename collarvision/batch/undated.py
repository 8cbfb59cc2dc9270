"""Undated: photos of a run whose visit nothing told when they were filed.

Some get a day later in the run, from another file of their picture: those are no longer undated.
"""

from __future__ import annotations

from collarvision.batch.folders import place_from_folders
from collarvision.batch.otherwise import source_folders
from collarvision.batch.sources import PhotoFile
from collarvision.survey import SurveyReader
from collarvision.survey.plantfolders import place_of


class Undated:
    """The photos of one run, by their SHA-256, each with the file that it was filed by."""

    def __init__(self) -> None:
        self._files: dict[str, PhotoFile] = {}

    def note(self, sha256: str, file: PhotoFile) -> None:
        """Note a photo that is filed without a day."""
        self._files[sha256] = file

    def left(self, store: SurveyReader) -> tuple[int, tuple[str, ...]]:
        """Count those that have no day yet, beside dates in their folders that could be two."""
        places = ((file, place_of(store, sha256)) for sha256, file in self._files.items())
        files = [file for file, place in places if place is None or place.date is None]
        unclear = (
            said.unclear
            for file in files
            for said in (place_from_folders(file.folders), source_folders(file.source))
        )
        return len(files), tuple(dict.fromkeys(day for day in unclear if day is not None))
