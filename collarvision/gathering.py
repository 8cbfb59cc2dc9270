"""Gathering: from the words on a command line to an ordered list of photos.

Nothing is opened here. A path that is missing, or a folder that holds no photo, stays in the list
with its trouble written on it, so that every word the user typed ends in a record.
"""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif"})
"""What a folder is searched for. A file named outright is tried whatever its suffix."""

OVERLAY_SUFFIX = ".overlay.jpg"
"""End of every overlay's file name: a folder staged twice must not stage its own overlays."""


@dataclass(frozen=True)
class Source:
    """One photo to read, or one word of the command line that leads to none.

    Attributes
    ----------
    path : Path
        As the user would write it: relative stays relative.
    trouble : str or None
        A sentence when there is nothing to open here; None for a photo to try.
    """

    path: Path
    trouble: str | None = None


def gather(words: Iterable[str | Path]) -> list[Source]:
    """List the photos behind files, folders and patterns, each once, in the order given.

    Parameters
    ----------
    words : iterable of str or Path
        Files, folders (searched with their subfolders, hidden ones left out) or patterns such as
        ``*.jpg`` that the shell did not expand.

    Returns
    -------
    list of Source
        Folders in natural order: ``IMG_2`` stands before ``IMG_10``.
    """
    sources: list[Source] = []
    seen: set[str] = set()
    for word in words:
        for source in _expand(Path(word)):
            key = os.path.realpath(source.path)
            if key not in seen:
                seen.add(key)
                sources.append(source)
    return sources


def _expand(path: Path) -> Iterator[Source]:
    if path.is_dir():
        yield from _photos_in(path)
    elif glob.has_magic(str(path)) and not path.exists():
        found = sorted(glob.glob(str(path), recursive=True), key=natural_key)
        if not found:
            yield Source(path, f"No file matches {path}. Check the spelling and the folder.")
        for name in found:
            yield from _expand(Path(name))
    else:
        yield Source(path)


def _photos_in(folder: Path) -> Iterator[Source]:
    unreadable: list[Source] = []

    def note(error: OSError) -> None:
        place = Path(error.filename or folder)
        unreadable.append(
            Source(
                place, f"The folder {place} can't be opened ({error.strerror}). Check its rights."
            )
        )

    found: list[Path] = []
    for place, subfolders, names in os.walk(folder, onerror=note):
        subfolders[:] = [name for name in subfolders if not name.startswith(".")]
        found += [Path(place, name) for name in names if _is_photo_name(name)]
    yield from (Source(path) for path in sorted(found, key=natural_key))
    yield from unreadable
    if not found and not unreadable:
        kinds = "JPEG, PNG, TIFF or HEIC"
        yield Source(
            folder, f"The folder {folder} holds no photo ({kinds}). Name the folder that does."
        )


def _is_photo_name(name: str) -> bool:
    lower = name.lower()
    return (
        Path(lower).suffix in PHOTO_SUFFIXES
        and not lower.startswith(".")
        and not lower.endswith(OVERLAY_SUFFIX)
    )


def natural_key(path: str | Path) -> list[tuple[int, int, str]]:
    """Sort key that puts ``IMG_2.jpg`` before ``IMG_10.jpg``, without regard to case."""
    pieces = re.split(r"(\d+)", str(path).lower())
    return [(1, int(p), "") if p.isdecimal() else (0, 0, p) for p in pieces if p]
