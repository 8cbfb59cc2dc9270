"""Whole file: text that is on the disk all of it, or not at all, and never in place of an input."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from collarvision.writing import cannot_write, check_place

_DATABASE_HEAD: Final = b"SQLite format 3\x00"  # https://www.sqlite.org/fileformat.html, 1.3
_MOST_LOOKED_THROUGH_BYTES: Final = 50_000_000


@dataclass(frozen=True)
class Kind:
    """A kind of file that a command writes.

    Attributes
    ----------
    what : str
        As words of a sentence.
    endings : tuple of str
        The usual one first; an empty one lets a name have none.
    """

    what: str
    endings: tuple[str, ...]


TEXT: Final = Kind("text to read or print", (".txt", ".md", ".text", ""))
HTML: Final = Kind("a page for a browser (HTML)", (".html", ".htm"))
PDF: Final = Kind("a PDF", (".pdf",))
JSON: Final = Kind("JSON", (".json", ""))
JSON_LINES: Final = Kind("JSON, a line a record", (".jsonl", ".ndjson", ""))
GEOJSON: Final = Kind("GeoJSON", (".geojson", ".json", ""))


class TargetError(ValueError):
    """A name that no output may have; `str` is one sentence that says what to do."""


def check_target(
    option: str, out: Path, kind: Kind | None, inputs: Iterable[tuple[str, Path | None]] = ()
) -> None:
    """See that an output's name says what it is, and that nothing is lost by writing there.

    Parameters
    ----------
    option : str
        That the name was given with.
    out : Path
    kind : Kind or None
        None where the command itself goes by the ending.
    inputs : iterable of (str, Path or None)
        Files that the command reads or writes besides, each with the words for it.

    Raises
    ------
    TargetError
    """
    # Names that no file can have are told by the writer: unlike Path's, these questions don't fail.
    if os.path.exists(out) and not os.path.isfile(out):
        return  # devices and pipes lose nothing, and of folders the writer itself tells
    for what, path in inputs:
        if path is not None and _same(out, path):
            raise TargetError(f"{option} {out} is {what}: choose another name.")
    # Whatever the name: hand counts in a survey can't be had again.
    if is_database(out):
        raise TargetError(
            f"{option} {out} is a survey or another database and would be lost: choose another "
            "name."
        )
    if kind is not None and out.suffix.lower() not in kind.endings:
        endings = " or ".join(ending for ending in kind.endings[:2] if ending)
        raise TargetError(
            f"{option} {out} should end in {endings}: what is written there is {kind.what}."
        )
    if _holds_outlines(out):
        raise TargetError(
            f"{option} {out} holds outlines of fields, which would be lost: choose another name."
        )


def _same(a: Path, b: Path) -> bool:
    try:
        return os.path.samefile(a, b)  # links, and disks that don't tell capitals apart
    except (OSError, ValueError):
        pass
    try:
        return os.path.realpath(a) == os.path.realpath(b)
    except (OSError, ValueError):
        return False  # the current folder is gone


def is_database(path: Path) -> bool:
    """Whether a file is a survey or another database."""
    try:
        with open(path, "rb") as stream:
            return stream.read(len(_DATABASE_HEAD)) == _DATABASE_HEAD
    except (OSError, ValueError):
        return False  # not there, or not to be read: writing there says why


def _holds_outlines(path: Path) -> bool:
    """Whether a file is GeoJSON with polygons that aren't the zones of an earlier walk."""
    if path.suffix.lower() not in (".geojson", ".json"):
        return False
    try:
        if path.stat().st_size > _MOST_LOOKED_THROUGH_BYTES:
            return False
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError):
        return False
    if not isinstance(content, dict):
        return False
    features = content.get("features")
    found = features if isinstance(features, list) else [content]
    return any(_is_polygon(one) for one in found if isinstance(one, dict))


def _is_polygon(feature: dict[str, Any]) -> bool:
    geometry, properties = feature.get("geometry", feature), feature.get("properties")
    # `walk` writes the zones that it found with a property of their own, and may do so again.
    if isinstance(properties, dict) and "zone" in properties:
        return False
    return isinstance(geometry, dict) and geometry.get("type") in ("Polygon", "MultiPolygon")


def write_whole(path: Path, text: str) -> None:
    """Write a text file by way of a file beside it, which then takes its name.

    A file name's byte that is no text, as Linux lets them be, comes out as a question mark.

    Raises
    ------
    OutputError
        When it can't be written; what was there before is then still there.
    """
    check_place(path, give="give the name", denied="can't be written to")
    # A device or a pipe can't be replaced by a finished file: write straight into it.
    straight = os.path.exists(path) and not os.path.isfile(path)
    part = path if straight else path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8", errors="replace", newline="\n")
        if not straight:
            os.replace(part, path)
    except OSError as error:
        raise cannot_write(path, error) from error
    finally:
        # Ctrl-C leaves none behind either; once it has taken its name there is none to remove.
        if not straight:
            with suppress(OSError):
                part.unlink(missing_ok=True)
