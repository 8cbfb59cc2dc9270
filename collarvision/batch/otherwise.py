"""Otherwise: how a photo was read and filed, where a run asks for something else.

A known photo stays as it was read, and where it was filed. Whoever mends the length of the check
bar, or the name of a folder, must be told so.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from collarvision.batch.filing import Filing
from collarvision.batch.folders import Folders, place_from_folders, place_from_source
from collarvision.batch.remote import is_address
from collarvision.batch.sources import PhotoFile
from collarvision.batch.worker import Done, Options
from collarvision.survey import PhotoFacts, Place, SurveyReader
from collarvision.survey.asread import PIXELS, READ_WITH, AsRead
from collarvision.survey.plantfolders import place_of
from collarvision.survey.rows import folded

_PRINTED_MM = 100.0
_TELLS = {
    "folder": "their folder now says",
    "source": "their folder now says",
    "gps": "their GPS now says",
    "option": "--field now says",
}


def notes_of(done: Done) -> dict[str, Any]:
    """What the survey's record holds beside the reading: the pixels' hash, and what was asked."""
    notes: dict[str, Any] = {}
    if done.pixels_sha256 is not None:
        notes[PIXELS] = done.pixels_sha256
    if done.options is not None:
        notes[READ_WITH] = {
            "height_rule": done.options.height_rule,
            "check_bar_mm": done.options.check_bar_mm,
            "read_codes": done.options.read_codes,
        }
    return notes


def read_otherwise(read: AsRead, options: Options) -> Iterator[tuple[str, str]]:
    """Say what a reading was made with and what is asked for now, where that would change it."""
    now = options.check_bar_mm
    if read.has_card and read.check_bar_mm != now:
        if read.check_bar_mm is not None:
            yield f"a check bar of {read.check_bar_mm:g} mm", f"{now:g} mm"
        elif now != _PRINTED_MM:
            yield "a check bar that nobody noted", f"{now:g} mm"
    if read.has_height and read.height_rule not in (None, options.height_rule):
        yield f"the height rule {read.height_rule}", f"{options.height_rule}"
    if options.read_codes and not read.read_codes:
        yield "no look for the card's code", "--read-codes"


def filed_otherwise(
    store: SurveyReader, photo: PhotoFacts, file: PhotoFile, path: str, filing: Filing
) -> Iterator[tuple[str, str, str]]:
    """Say where a photo is filed, what says otherwise now, and what that says.

    `path` is the file's, as surveys note it. A photo whose file was copied, and still lies where it
    was, has two places that are both right. What is weaker than what filed it says nothing: the
    name of SOURCE isn't heard over a boundary, nor a folder over the card's code.
    """
    was = place_of(store, photo.sha256)
    if was is None:
        return
    folders, source = place_from_folders(file.folders), source_folders(file.source)
    now = filing.place(folders, source=source, gps=photo.gps, taken_at=photo.taken_at)
    if was.field is None or now.field is None:
        return
    weaker = was.filed_by == "code" or (
        now.filed_by == "source" and was.filed_by in ("gps", "option", "page")
    )
    moved = not weaker and folded(now.field) != folded(was.field)
    redated = (folders.date or source.date) not in (None, was.date)
    if not (moved or redated) or _lies_elsewhere(store, photo.sha256, path):
        return
    if not moved:
        now = Place(was.field, now.date)
    yield _words(was), _TELLS[now.filed_by or "folder"] if moved else _TELLS["folder"], _words(now)


@lru_cache(maxsize=64)
def source_folders(source: str) -> Folders:
    """What the name of SOURCE says; asked for every photo in it."""
    return place_from_source(source)


def _lies_elsewhere(store: SurveyReader, sha256: str, path: str) -> bool:
    """Whether the photo's content is still in another file that was seen; far away, it may be."""
    own = path if is_address(path) else os.path.realpath(path)
    return any(
        is_address(way) or (os.path.realpath(way) != own and os.path.exists(way))
        for way in store.files_of(sha256)
        if way != path
    )


def _words(place: Place) -> str:
    return f"{place.field}, {place.date}" if place.date else f"{place.field}, no date"
