"""Gathering: from the words on a command line to an ordered list of photos.

Nothing is opened here. A path that is missing, or a folder that holds no photo, stays in the list
with its trouble written on it, so that every word the user typed ends in a record, or in a sentence
where none of them leads to a photo.
"""

from __future__ import annotations

import glob
import itertools
import os
import re
import stat
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from collarvision.answer import count_of
from collarvision.photofile import PHOTO_KINDS, READABLE, kind_of

PHOTO_SUFFIXES = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif", ".webp"})
"""What a folder is searched for. A file named outright is tried whatever its suffix."""

_ENDINGS_SHOWN = 6
_HEAD_BYTES = 4096  # of a file, to see what kind it is

PAPERS = frozenset(
    (".csv", ".geojson", ".html", ".json", ".jsonl", ".log", ".md", ".survey", ".toml", ".txt")
)
"""Endings of notes and data that lie beside photos; nobody takes them for photos."""

PASSED_STARTS = (".", "@", "#")
"""Folders whose names begin so are passed over: hidden ones, and those that network drives keep
thumbnails and deleted files in (``@eaDir``, ``#recycle``; common practice)."""

OVERLAY_SUFFIX = ".overlay.jpg"
"""End of every overlay's file name: a folder staged twice must not stage its own overlays."""


def is_passed_over(parts: Sequence[str]) -> bool:
    """Whether a file is hidden, or lies in a folder of `PASSED_STARTS`; its way in parts."""
    *folders, name = parts
    return name.startswith(".") or any(folder.startswith(PASSED_STARTS) for folder in folders)


@dataclass(frozen=True)
class Source:
    """One photo to read, or one word of the command line that leads to none.

    Attributes
    ----------
    path : Path
        As the user would write it: relative stays relative.
    trouble : str or None
        A sentence when there is nothing to open here; None for a photo to try.
    root : Path
        Where the search began: the folder named, the folders of a pattern before its first
        wildcard, or the folder that a named file lies in.
    """

    path: Path
    trouble: str | None = None
    root: Path = Path()

    @property
    def folders(self) -> tuple[str, ...]:
        """Names of the folders between `root` and the photo, the outermost first."""
        return folders_between(self.root, self.path)


def gather(words: Iterable[str | Path], passed: set[Path] | None = None) -> list[Source]:
    """List the photos behind files, folders and patterns, each once, in the order given.

    Parameters
    ----------
    words : iterable of str or Path
        Files, folders (searched with their subfolders, hidden ones and those of `PASSED_STARTS`
        left out, and the folders that links lead to, each once) or patterns such as ``*.jpg`` that
        the shell did not expand.
    passed : set of Path, optional
        Takes the files of the folders that are no photos by their names; see `passed_words`.

    Returns
    -------
    list of Source
        Folders in natural order: ``IMG_2`` stands before ``IMG_10``.
    """
    sources: list[Source] = []
    seen: set[str] = set()
    for word in words:
        for source in _expand(Path(word), passed=passed):
            key = real_path(source.path)
            if key not in seen:
                seen.add(key)
                sources.append(source)
    return sources


def passed_words(passed: Iterable[Path]) -> str | None:
    """Say which files of folders were passed over, so that nobody takes them for read."""
    endings = Counter(path.suffix.lower() or "without an ending" for path in passed)
    count = endings.total()
    if not count:
        return None
    shown = [ending for ending, _ in endings.most_common(_ENDINGS_SHOWN)]
    if len(endings) > len(shown):
        shown.append("...")
    return (
        f"{count_of(count, 'other file')} passed over ({', '.join(shown)}): photos "
        f"of a folder are {READABLE}."
    )


def nothing_words(sources: Iterable[tuple[str | Path, str | None]]) -> list[str]:
    """Say why there is nothing to read; no sentence where at least one photo is there.

    Parameters
    ----------
    sources : iterable of (path, trouble)
    """
    said = []
    for path, trouble in sources:
        if trouble is None:
            trouble = _no_photo(path)
        if trouble is None:
            return []
        said.append(trouble)
    return said or ["No photo was given: name a photo, or a folder of photos."]


def _no_photo(path: str | Path) -> str | None:
    """Say that a file is missing, or no photo by its name nor by how it begins; else None."""
    try:
        if not stat.S_ISREG(os.stat(path).st_mode):  # to open a pipe would keep us waiting
            return f"{path} is not an ordinary file: save the photo to disk first."
        with open(path, "rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        return f"There is no file {path}: check the name and the folder."
    except (OSError, ValueError):
        return None  # reading it tells better what is wrong
    kind = kind_of(head)
    if is_photo_name(Path(path).name) or kind in PHOTO_KINDS:
        return None
    return f"{path} is {kind}, not a photo: give a {READABLE} file."


def _expand(
    path: Path, root: Path | None = None, passed: set[Path] | None = None
) -> Iterator[Source]:
    if os.path.isdir(path):  # unlike Path's, no error where a folder above is locked
        yield from _photos_in(path, root or path, passed)
    elif is_pattern(path):
        found = sorted(glob.glob(str(path), recursive=True), key=natural_key)
        if not found:
            yield Source(path, f"No file matches {path}. Check the spelling and the folder.")
        for name in found:
            yield from _expand(Path(name), Path(*fixed_parts(path.parts)), passed)
    else:
        yield Source(path, root=root or path.parent)


def real_path(path: str | Path) -> str:
    """The path without links; as it is where the current folder is gone."""
    try:
        return os.path.realpath(path)
    except OSError:
        return str(path)


def is_pattern(path: Path) -> bool:
    """Whether a path is a pattern; a file may have brackets in its name."""
    return glob.has_magic(str(path)) and not os.path.exists(path)


def fixed_parts(parts: Sequence[str]) -> tuple[str, ...]:
    """Parts of a pattern's folders before its first wildcard."""
    return tuple(itertools.takewhile(lambda part: not glob.has_magic(part), parts[:-1]))


def folders_between(root: Path, path: Path) -> tuple[str, ...]:
    """Names of the folders from `root` down to a file; none when it lies elsewhere."""
    try:
        return path.parent.relative_to(root).parts
    except ValueError:
        return ()


def _photos_in(folder: Path, root: Path, passed: set[Path] | None) -> Iterator[Source]:
    unreadable: list[Source] = []

    def note(error: OSError) -> None:
        place = Path(error.filename or folder)
        unreadable.append(
            Source(
                place,
                f"The folder {place} can't be opened ({error.strerror}). Check its rights.",
                root,
            )
        )

    found: list[Path] = []
    for place, names in _folders_in(folder, note):
        found += [Path(place, name) for name in names if is_photo_name(name)]
        if passed is not None:
            passed |= {Path(place, name) for name in names if _is_passed_over(name)}
    yield from (Source(path, root=root) for path in sorted(found, key=natural_key))
    yield from unreadable
    if not found and not unreadable:
        yield Source(
            folder,
            f"The folder {folder} holds no photo ({READABLE}). Name the folder that does.",
            root,
        )


def _folders_in(
    folder: Path, note: Callable[[OSError], None]
) -> Iterator[tuple[str, Sequence[str]]]:
    """Every folder in a folder, itself included, with the names of its files, each folder once.

    Links come last, so that a folder that lies here itself goes by its own name. A link to a folder
    that holds this one would bring in what nobody named.
    """
    seen: set[str] = set()
    above = os.path.join(real_path(folder), "")
    starts = [str(folder)]
    for start in starts:
        real = real_path(start)
        if start != str(folder) and above.startswith(os.path.join(real, "")):
            continue
        for place, subfolders, names in os.walk(start, onerror=note):
            real = real_path(place)
            if real in seen:
                subfolders.clear()
                continue
            seen.add(real)
            kept = sorted(name for name in subfolders if not name.startswith(PASSED_STARTS))
            links = [name for name in kept if os.path.islink(os.path.join(place, name))]
            subfolders[:] = [name for name in kept if name not in links]
            starts += [os.path.join(place, name) for name in links]
            yield place, names


def is_photo_name(name: str) -> bool:
    """Whether a file of this name in a folder is taken for a photo."""
    lower = name.lower()
    return (
        Path(lower).suffix in PHOTO_SUFFIXES
        and not lower.startswith(".")
        and not lower.endswith(OVERLAY_SUFFIX)
    )


def _is_passed_over(name: str) -> bool:
    """Whether a file is somebody's that might have been meant, and no photo by its name."""
    lower = name.lower()
    ours = lower.endswith(OVERLAY_SUFFIX)
    return not (
        is_photo_name(name) or lower.startswith(".") or ours or Path(lower).suffix in PAPERS
    )


def natural_key(path: str | Path) -> list[tuple[int, int, str]]:
    """Sort key that puts ``IMG_2.jpg`` before ``IMG_10.jpg``, without regard to case."""
    pieces = re.split(r"(\d+)", str(path).lower())
    return [(1, int(p), "") if p.isdecimal() else (0, 0, p) for p in pieces if p]
