"""Otherwise: how a photo was read and filed, where a run asks for something else.

A known photo stays as it was read, and where it was filed. Whoever mends the length of the check
bar, or the name of a folder, must be told so.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import PurePath
from typing import Any

from collarvision.batch.filing import Filing
from collarvision.batch.folders import Folders, place_from_folders, place_from_source
from collarvision.batch.remote import is_address, look_at
from collarvision.batch.result import FiledOtherwise, Tells
from collarvision.batch.sources import PhotoFile
from collarvision.batch.worker import Options
from collarvision.survey import PhotoFacts, Place, SurveyReader
from collarvision.survey.asread import PIXELS, READ_WITH, SENT_PIXELS, AsRead
from collarvision.survey.plantfolders import place_of
from collarvision.survey.rows import folded, storable
from collarvision.survey.stopcounts import stop_counts

FILED_FROM = "filed_from"
"""Where a survey's record holds the path that the photo lay at when it was filed. A new network
reads it wherever it lies by then, and files nothing."""

NAMED_IN = "named_in"
"""Where it holds the folder that held the one whose name told the field, where a name did. Folders
further up may be called like the field as well, and said nothing of it."""

Said = tuple[Place, Tells, Place]
"""Where a photo is filed, what says otherwise now, and what that says; fields and days alone."""

_PRINTED_MM = 100.0


@dataclass(frozen=True)
class Lay:
    """Where a photo lay when it was filed: see `FILED_FROM` and `NAMED_IN`; None if unknown."""

    path: str | None = None
    named_in: str | None = None


def notes_of(
    pixels_sha256: str | None, options: Options | None, lay: Lay, sent: str | None = None
) -> dict[str, Any]:
    """What the survey's record holds beside the reading.

    That is the pixels' hash, and of those that were `sent`, what was asked, and where the photo lay
    when it was filed.
    """
    said = {FILED_FROM: lay.path, NAMED_IN: lay.named_in, PIXELS: pixels_sha256, SENT_PIXELS: sent}
    notes: dict[str, Any] = {name: storable(words) for name, words in said.items() if words}
    if options is not None:
        notes[READ_WITH] = {
            "height_rule": options.height_rule,
            "check_bar_mm": options.check_bar_mm,
            "read_codes": options.read_codes,
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


def lay_at(store: SurveyReader, sha256: str) -> Lay:
    """Say where a photo lay when it was filed, as the survey holds it.

    Earlier versions didn't note the path: there it is the one that the photo was read from last, as
    it was written then.
    """
    row = store.plant(sha256)
    if row is None:
        return Lay()
    return Lay(row.record.get(FILED_FROM) or row.record.get("path"), row.record.get(NAMED_IN))


def lies(file: PhotoFile, path: str, place: Place) -> Lay:
    """Say where a file lies that is filed at a place now; `path` is its own, as surveys note it."""
    above, folders = _folders_above(path), list(file.folders)
    # Links and a list's ".." may lead another way than the path: then nobody knows the folder.
    first = len(above) - len(folders)
    if place.filed_by not in ("folder", "source") or first < 1 or above[first:] != folders:
        return Lay(path)
    if place.filed_by == "source":
        named = first - 1
    else:  # the outermost name that says a field counts
        said = [place_from_folders([name]).field is not None for name in folders]
        named = first + said.index(True)
    if not _say_field([above[named]], place):
        return Lay(path)
    kept = above[:named]
    if is_address(path):
        return Lay(path, "/".join([*path.split("/")[:3], *kept]))
    return Lay(path, str(PurePath(*kept)))


def filed_otherwise(
    store: SurveyReader, photo: PhotoFacts, file: PhotoFile, path: str, filing: Filing
) -> Said | None:
    """Say where a photo is filed, and what says otherwise now; None if nothing does.

    `path` is the file's, as surveys note it. What a folder's name comes to depends on the level
    that the run begins at: of a photo that lies where it was filed, folders say nothing new. A
    photo whose file was copied, and still lies where it was, has two places that are both right.
    What is weaker than what filed it says nothing: the name of SOURCE isn't heard over a boundary,
    nor a folder over the card's code or the page for phones. A folder of the field's name that
    holds the one that told it says nothing, unless this run begins so far up.
    """
    was = place_of(store, photo.sha256)
    if was is None or was.field is None:
        return None
    folders, source = place_from_folders(file.folders), source_folders(file.source)
    now = filing.place(folders, source=source, gps=photo.gps, taken_at=photo.taken_at)
    if now.field is None:
        return None
    tells: Tells = "gps" if now.filed_by == "gps" else "folder"
    if now.filed_by == "option":
        tells = "option"
    # Of a card's photo the code says the field again, for whoever asks for codes.
    moved = was.filed_by != "code" and folded(now.field) != folded(was.field)
    if moved and _is_weaker(now, was):
        return None  # its day may be another one, but --restage would file it under the weaker name
    redated = was.filed_by != "page" and (folders.date or source.date) not in (None, was.date)
    if not (moved or redated):
        return None
    lay = lay_at(store, photo.sha256)
    if _say_field([source.field or "", *file.folders], was):
        lay = replace(lay, named_in=None)  # the run begins so far up that they do say something
    if _says(path, was, lay) or _is_same(path, lay.path):
        if not moved or tells == "folder":
            return None
    elif _lies_elsewhere(store, photo.sha256, path, was, lay):
        return None
    then = Place(was.field, was.date)
    return then, tells if moved else "folder", Place(now.field if moved else was.field, now.date)


def refiled(store: SurveyReader, sha256: str, was: Place | None) -> Said | None:
    """Say where a photo was that is filed anew, what says so, and where it is; None if there."""
    now = place_of(store, sha256)
    if was is None or now is None or (was.field, was.date) == (now.field, now.date):
        return None
    by = now.filed_by
    tells: Tells = by if by == "code" or by == "gps" or by == "option" else "folder"
    return Place(was.field, was.date), tells, Place(now.field, now.date)


def told_otherwise(
    store: SurveyReader, found: Mapping[Said, Collection[str]]
) -> Iterator[FiledOtherwise]:
    """Count the photos by what is said of them, beside the plants that none of them shows."""
    for (was, tells, now), photos in found.items():
        at_stops = sum(one.date == was.date for one in stop_counts(store, was.field))
        yield FiledOtherwise(len(photos), was, tells, now, at_stops)


@lru_cache(maxsize=64)
def source_folders(source: str) -> Folders:
    """What the name of SOURCE says; asked for every photo in it."""
    return place_from_source(source)


def _is_weaker(now: Place, was: Place) -> bool:
    """Whether what tells a field now is no match for what filed the photo."""
    if now.filed_by == "source":
        return was.filed_by in ("gps", "option", "page")
    return now.filed_by == "folder" and was.filed_by == "page"


def _says(path: str, place: Place, lay: Lay) -> bool:
    """Whether a file's own folders say a field, and, all the way up, no other day.

    Of a file that is still within the folder that held the one that told the field, those up to it
    say nothing: they said nothing when it was filed.
    """
    names = _folders_above(path)
    days = [day for name in names if (day := place_from_folders([name]).date) is not None]
    if lay.named_in is not None:
        within = lay.named_in.rstrip(os.sep) + ("/" if is_address(path) else os.sep)
        if storable(path).startswith(within):
            names = names[len(_folders_above(f"{within}photo")) :]
    return _say_field(names, place) and days[-1:] in ([], [place.date])


def _say_field(names: Iterable[str], place: Place) -> bool:
    """Whether one of some folders' names says the place's field."""
    said = (place_from_folders([name]).field for name in names)
    return any(one and folded(one) == folded(place.field or "") for one in said)


def _folders_above(path: str) -> list[str]:
    """Names of a file's folders all the way up, as surveys note paths; the outermost first."""
    if is_address(path):
        return path.split("/")[3:-1]
    return list(PurePath(path).parts[:-1])


def _is_same(path: str, noted: str | None) -> bool:
    """Whether a path, as surveys note it, is one that was noted, perhaps as the user wrote it."""
    if noted is None or is_address(path) or is_address(noted):
        return path == noted
    if os.path.isabs(noted):
        return storable(path) == noted or os.path.realpath(path) == os.path.realpath(noted)
    # Nobody knows the folder that it began in: one that is part of it must be the same.
    end = PurePath(*(part for part in PurePath(noted).parts if part != ".."))
    return len(end.parts) > 1 and PurePath(path).parts[-len(end.parts) :] == end.parts


def _lies_elsewhere(store: SurveyReader, sha256: str, path: str, was: Place, lay: Lay) -> bool:
    """Whether the photo's content is still in another file that lies where it is filed.

    A copy that was moved with it doesn't: each would keep the other from being told.
    """
    return any(
        _is_there(way, path)
        for way in store.files_of(sha256)
        if way != path and (_says(way, was, lay) or _is_same(way, lay.path))
    )


def _is_there(way: str, path: str) -> bool:
    """Whether another file is there. A store is asked about its own; of others, it may be."""
    if not is_address(way):
        own = path if is_address(path) else os.path.realpath(path)
        return os.path.realpath(way) != own and os.path.exists(way)
    return way.split("/")[:3] != path.split("/")[:3] or look_at(way) is not None
