"""Sources: from SOURCE words to photo files, each with the folders that it was found under."""

from __future__ import annotations

import glob
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from collarvision.gathering import gather

LIST_SUFFIX = ".txt"
"""A SOURCE that ends so is a list of photos: a path a line, ``#`` before a remark."""


@dataclass(frozen=True)
class PhotoFile:
    """A file to stage.

    Attributes
    ----------
    path : Path
        As the user would write it.
    folders : tuple of str
        Names of the folders between the source and the file, the outermost first.
    source : Path
        The folder that the search began in.
    trouble : str or None
        A sentence when there is nothing to open here.
    """

    path: Path
    folders: tuple[str, ...]
    source: Path
    trouble: str | None = None


def find_photos(words: Iterable[str | Path]) -> list[PhotoFile]:
    """List the photos behind folders, patterns, lists and files, each once, in the order given.

    Folders are searched with their subfolders; links to folders inside them are not followed, so
    that a loop of links has an end.
    """
    found: list[PhotoFile] = []
    seen: set[str] = set()
    for word in words:
        for photo in _behind(Path(word)):
            key = os.path.realpath(photo.path)
            if key not in seen:
                seen.add(key)
                found.append(photo)
    return found


def _behind(word: Path) -> Iterator[PhotoFile]:
    if word.suffix.lower() == LIST_SUFFIX and not word.is_dir() and not _is_pattern(word):
        yield from _listed(word)
        return
    root = word if word.is_dir() else _fixed_part(word) if _is_pattern(word) else word.parent
    for source in gather([word]):
        yield PhotoFile(source.path, _between(root, source.path), root, source.trouble)


def _listed(file: Path) -> Iterator[PhotoFile]:
    root = file.parent
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "it is not UTF-8 text"
        yield PhotoFile(file, (), root, f"The list {file} can't be read ({why}): check it.")
        return
    for line in lines:
        name = line.strip()
        if name and not name.startswith("#"):
            path = root / name
            yield PhotoFile(path, _between(root, path), root)


def _is_pattern(word: Path) -> bool:
    return glob.has_magic(str(word)) and not word.exists()


def _fixed_part(pattern: Path) -> Path:
    """Folders of a pattern before its first wildcard."""
    fixed: list[str] = []
    for part in pattern.parts[:-1]:
        if glob.has_magic(part):
            break
        fixed.append(part)
    return Path(*fixed)


def _between(root: Path, path: Path) -> tuple[str, ...]:
    try:
        return path.parent.relative_to(root).parts
    except ValueError:  # a list may name photos anywhere
        return ()
