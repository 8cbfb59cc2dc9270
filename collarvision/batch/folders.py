"""Folders: what the names of a photo's folders say of its field, visit and stop."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from collarvision.exif import likely_day

_DATE = re.compile(r"(?<!\d)(\d{4})([-_.]?)(\d{2})\2(\d{2})(?!\d)")
# Day or month first, which most such dates don't tell: none of them is taken for a visit's.
_UNCLEAR = re.compile(r"(?<!\d)\d{1,2}([-_.])\d{1,2}\1(?:19|20)\d{2}(?!\d)")
_STOP = re.compile(r"stop(?:[\s_.#-]+|(?=\d))(\w.*)", re.IGNORECASE)
_PLANT = re.compile(r"plant(?:[\s_.#-]+|(?=\d))(\d+\w?)", re.IGNORECASE)

# DCF (JEITA CP-3461): a camera's folders are DCIM and, in it, three digits and five capitals,
# digits or underscores. "160acres" is somebody's field.
_CAMERA = re.compile(r"(?i:dcim)|[1-9]\d{2}[A-Z0-9_]{5}")

# Common practice: folders that are named for what they hold, not for where that was taken.
_EVERYDAY = {"camera", "desktop", "documents", "downloads", "images", "photos", "pictures", "tmp"}


@dataclass(frozen=True)
class Folders:
    """What folder names say; None where they say nothing. Photos of one `plant` show one plant.

    `unclear` is a date that could be read in two ways, as it is written.
    """

    field: str | None = None
    date: str | None = None
    stop: str | None = None
    unclear: str | None = None
    plant: str | None = None


NOTHING = Folders()


def place_from_folders(names: Sequence[str]) -> Folders:
    """Read field, visit and stop from folder names, the outermost first.

    - A date in a name, ``2027-05-20``, ``2027_05_20``, ``2027.05.20`` or ``20270520``, is the
      visit's; the innermost date counts. What is left of the name may still say the field.
      Digits that come to a year when nobody took the photo (`likely_day`) are part of the name.
    - A date with the year last, ``05-20-2027``, says no day, and no field either.
    - ``stop 3``, ``Stop_3``, ``stop-3 gate``: the stop, named by what follows the word; the
      innermost counts.
    - ``plant 2``, ``Plant_2``: the photos in it are all of that one plant. A number must follow:
      "Plant material" is somebody's field. What further names stand before it tell it from
      another plant 2.
    - A camera's own folders (``DCIM``, ``100ABCDE``) say nothing.
    - The first other name is the field. Further ones say nothing.
    """
    field = day = stop = unclear = plant = None
    further: list[str] = []
    for name in names:
        name = tidy(name)
        found = _date_in(name)
        if found is not None:
            day, name = found
        elif (written := _UNCLEAR.search(name)) is not None:
            unclear, name = written[0], _without(name, written)
        said = _STOP.fullmatch(name)
        if said is not None:
            stop = said[1].strip()
        elif (one := _PLANT.fullmatch(name)) is not None:
            plant = ", ".join([*further, one[1]])
        elif name and not _CAMERA.fullmatch(name):
            if field is None:
                field = name
            else:
                further.append(name)
    return Folders(field, day, stop, unclear, plant)


def names_a_plant(name: str) -> bool:
    """Whether the photos in a folder of this name are all of one plant."""
    return _PLANT.fullmatch(tidy(name)) is not None


def tidy(name: str) -> str:
    """One spelling a name: file systems differ in how they compose an accented letter (NFC)."""
    return " ".join(unicodedata.normalize("NFC", name).split())


def place_from_source(source: str) -> Folders:
    """Read the name of a SOURCE folder; a name that everybody's folders have is no field's.

    Of an address the last folder counts, if there is one: a bucket's name is no field's either.
    """
    if "://" in source:
        name = "/".join(source.split("://", 1)[1].strip("/").split("/")[1:]).rpartition("/")[2]
    else:
        name = Path(source).resolve().name
    said = place_from_folders([name])
    everyday = said.field is not None and said.field.lower() in _EVERYDAY
    return replace(said, field=None) if everyday else said


def _date_in(name: str) -> tuple[str, str] | None:
    """The first date in a name, and the name without it."""
    for found in _DATE.finditer(name):
        try:
            day = date(int(found[1]), int(found[3]), int(found[4]))
        except ValueError:
            continue
        if not likely_day(day):
            continue
        return day.isoformat(), _without(name, found)
    return None


def _without(name: str, found: re.Match[str]) -> str:
    return tidy(f"{name[: found.start()].rstrip(' _.-')} {name[found.end() :].lstrip(' _.-')}")
