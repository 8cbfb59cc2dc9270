"""Sources: from SOURCE words to photo files, each with the folders that it was found under.

Folders, files and patterns on this computer are `collarvision.gathering`'s; here come lists of
photos and addresses such as ``s3://bucket/season`` (`collarvision.batch.remote`).
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from collarvision.batch import remote
from collarvision.gathering import folders_between, gather, is_pattern, real_path

LIST_SUFFIX = ".txt"
"""A SOURCE that ends so is a list of photos: a path or address a line, ``#`` before a remark."""


@dataclass(frozen=True)
class PhotoFile:
    """A file to stage.

    Attributes
    ----------
    where : str
        Its path as the user would write it, or its address.
    folders : tuple of str
        Names of the folders between the source and the file, the outermost first.
    source : str
        The folder that the search began in.
    trouble : str or None
        A sentence when there is nothing to open here.
    """

    where: str
    folders: tuple[str, ...]
    source: str
    trouble: str | None = None

    @property
    def name(self) -> str:
        """Its base name."""
        return remote.base_name(self.where)


def find_photos(words: Iterable[str | Path], passed: set[Path] | None = None) -> list[PhotoFile]:
    """List the photos behind folders, patterns, lists, files and addresses, each once, in order.

    Folders are searched with their subfolders and with the folders that links in them lead to, each
    once, so that a loop of links has an end. `passed` takes what `collarvision.gathering.gather`
    passes over.

    Raises
    ------
    collarvision.batch.remote.RemoteError
        Addresses of this kind can't be opened by this installation.
    """
    found: list[PhotoFile] = []
    seen: set[str] = set()
    for word in words:
        for photo in _behind(str(word), passed):
            where = photo.where
            key = where if remote.is_address(where) else real_path(where)
            if key not in seen:
                seen.add(key)
                found.append(photo)
    return found


def _behind(word: str, passed: set[Path] | None) -> Iterator[PhotoFile]:
    word = remote.local_path(word)
    if remote.is_address(word):
        yield from _listed(word) if word.lower().endswith(LIST_SUFFIX) else _remote(word)
        return
    path = Path(word)
    if path.suffix.lower() == LIST_SUFFIX and not os.path.isdir(path) and not is_pattern(path):
        yield from _listed(word)
        return
    for source in gather([path], passed):
        yield PhotoFile(str(source.path), source.folders, str(source.root), source.trouble)


def _remote(address: str) -> Iterator[PhotoFile]:
    root, found, trouble = remote.photos_behind(address)
    for photo in found:
        yield PhotoFile(photo, remote.folders_between(root, photo), root)
    if trouble is not None:
        yield PhotoFile(address, (), root, trouble)


def _listed(file: str) -> Iterator[PhotoFile]:
    root = remote.parent(file)
    try:
        lines = remote.read_bytes(file).decode("utf-8-sig").splitlines()
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or (
            "it is not UTF-8 text" if isinstance(error, UnicodeError) else str(error)
        )
        yield PhotoFile(file, (), root, f"The list {file} can't be read ({why}): check it.")
        return
    if not any(line.strip() and not line.strip().startswith("#") for line in lines):
        yield PhotoFile(file, (), root, f"The list {file} names no photo: write one on each line.")
    for line in lines:
        name = remote.local_path(line.strip())
        if not name or name.startswith("#"):
            continue
        if remote.is_address(name):
            yield PhotoFile(name, remote.folders_between(root, name), root)
        elif remote.is_address(root):
            where = f"{root}/{name}"
            yield PhotoFile(where, remote.folders_between(root, where), root)
        else:
            path = Path(root, name)
            yield PhotoFile(str(path), folders_between(Path(root), path), root)
