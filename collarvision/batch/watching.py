"""Watching: photos of folders as they arrive, each once it is there to its last byte.

The system tells of changes through watchfiles; a look through the folders now and then finds what
it didn't tell of, as on some network drives. A file is taken when it has stopped growing and its
format's own end is there: a sync that pauses in the middle of a JPEG must not stage half of one.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import NamedTuple

from collarvision.batch.sources import PhotoFile
from collarvision.gathering import folders_between, gather, is_passed_over, is_photo_name

SETTLE_SECONDS = 2.0
"""A file that hasn't changed for so long may be whole."""

GIVE_UP_SECONDS = 120.0
"""A file without its end that hasn't changed for so long is read as it is, and told to be cut."""

RESCAN_SECONDS = 30.0
TICK_SECONDS = 0.25


class _Shape(NamedTuple):
    size: int
    mtime_ns: int


@dataclass
class _Arriving:
    root: Path
    shape: _Shape
    since: float
    cut: bool = False


class Watch:
    """Folders under watch; a context manager.

    Parameters
    ----------
    folders : sequence of Path
    settle_seconds, give_up_seconds, rescan_seconds : float
        See `SETTLE_SECONDS`, `GIVE_UP_SECONDS`, `RESCAN_SECONDS`.
    """

    def __init__(
        self,
        folders: Sequence[Path],
        *,
        settle_seconds: float = SETTLE_SECONDS,
        give_up_seconds: float = GIVE_UP_SECONDS,
        rescan_seconds: float = RESCAN_SECONDS,
    ) -> None:
        self._folders = [Path(folder) for folder in folders]
        self._settle, self._give_up = settle_seconds, give_up_seconds
        self._rescan = rescan_seconds
        self._changed: set[str] = set()
        self._lock = threading.Lock()
        self._end = threading.Event()
        self._listening = threading.Event()
        self._thread = threading.Thread(target=self._listen, daemon=True, name="watch")
        self._arriving: dict[str, _Arriving] = {}
        self._given: dict[str, _Shape] = {}

    def __enter__(self) -> Watch:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._end.set()
        self._thread.join(timeout=5)

    def photos(self, stopping: Callable[[], bool]) -> Iterator[PhotoFile | None]:
        """Give each photo as it is whole, those that are there already first; None when none is.

        It ends once `stopping` says so. A file that changes later comes again.
        """
        looked, heard = -self._rescan, False
        while not stopping():
            now = time.monotonic()
            # Once more when the system has begun to tell, for what came in between.
            begun = self._listening.is_set() and not heard
            if begun or now - looked >= self._rescan:
                looked, heard = now, heard or begun
                self._look_through()
            self._take_changes()
            none = True
            # One by one: a season's files read whole before the first is staged would take minutes
            # in which nobody hears Ctrl-C.
            for where in list(self._arriving):
                if stopping():
                    return
                if not self._is_ready(where):
                    continue
                none = False
                arrived = self._arriving.pop(where)
                self._given[where] = arrived.shape
                folders = folders_between(arrived.root, Path(where))
                yield PhotoFile(where, folders, str(arrived.root))
            if none:
                self._end.wait(TICK_SECONDS)
                yield None

    def _look_through(self) -> None:
        for source in gather(self._folders):
            if source.trouble is None:
                self._note(source.path, source.root)

    def _take_changes(self) -> None:
        with self._lock:
            changed, self._changed = self._changed, set()
        for where in changed:
            found = self._within(Path(where))
            if found is None:
                continue
            path, root = found
            if path.is_dir():  # moved here as a whole
                for source in gather([path]):
                    if source.trouble is None and not is_passed_over(
                        source.path.relative_to(root).parts
                    ):
                        self._note(source.path, root)
            elif is_photo_name(path.name) and not is_passed_over(path.relative_to(root).parts):
                self._note(path, root)

    def _within(self, path: Path) -> tuple[Path, Path] | None:
        """A changed path as the user would write it, and the folder under watch that it is in."""
        for root in self._folders:
            # The system may tell the way that was asked for, or the one behind a link.
            for way in (os.path.abspath(root), os.path.realpath(root)):
                if path.is_relative_to(way):
                    return root / path.relative_to(way), root
        return None

    def _note(self, path: Path, root: Path) -> None:
        where, shape = str(path), _shape_of(path)
        if shape is None or self._given.get(where) == shape or where in self._arriving:
            return
        # What was last written long ago need not be waited for, if it is whole. A sync may set an
        # old time on a file that it is still filling.
        age = min(max(time.time() - shape.mtime_ns / 1e9, 0.0), self._settle)
        self._arriving[where] = _Arriving(root, shape, time.monotonic() - age)

    def _is_ready(self, where: str) -> bool:
        arriving, shape = self._arriving[where], _shape_of(Path(where))
        if shape is None:  # gone again; if it comes back, that is a change
            del self._arriving[where]
            return False
        if shape != arriving.shape:
            self._arriving[where] = _Arriving(arriving.root, shape, time.monotonic())
            return False
        still = time.monotonic() - arriving.since
        if still >= self._give_up:
            return True
        if still < self._settle or arriving.cut:
            return False
        arriving.cut = not has_its_end(Path(where))
        return not arriving.cut

    def _listen(self) -> None:
        from watchfiles import watch

        with suppress(OSError, RuntimeError):  # then the looks through the folders must do
            for changes in watch(
                *self._folders,
                watch_filter=None,
                stop_event=self._end,
                debounce=400,
                step=100,
                rust_timeout=500,
                raise_interrupt=False,
                yield_on_timeout=True,
            ):
                self._listening.set()
                with self._lock:
                    self._changed.update(os.path.abspath(path) for _, path in changes)


def has_its_end(path: Path) -> bool:
    """Whether a JPEG or PNG holds its own last marker; True for formats that have none."""
    from collarvision.jpeg import jpeg_layout

    try:
        data = path.read_bytes()
    except OSError:
        return False
    if data.startswith(b"\xff\xd8"):
        return jpeg_layout(data).end is not None
    if data.startswith(b"\x89PNG"):
        return b"IEND" in data[-64:]  # the last chunk (ISO/IEC 15948, 11.2.5), and its checksum
    return bool(data)


def _shape_of(path: Path) -> _Shape | None:
    try:
        status = path.stat()
    except (OSError, ValueError):
        return None
    return _Shape(status.st_size, status.st_mtime_ns)
