"""Lock: one batch at a time into a survey. A second one is told so before it reads a photo.

The system drops the lock when its process ends, however it ends.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from types import TracebackType


class BatchLockError(Exception):
    """Another batch is at work; the message says which."""


class BatchLock:
    """Held from `__enter__` to `__exit__`.

    Raises
    ------
    BatchLockError
        On entering, when another process holds it.
    OSError
        When the file beside the survey can't be made.
    """

    def __init__(self, survey: Path) -> None:
        real = Path(os.path.realpath(survey))
        self.survey = survey
        self.path = real.with_name(f"{real.name}-batch")
        self._file = -1

    def __enter__(self) -> BatchLock:
        while True:
            self._file = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
            if not _try_lock(self._file):
                who = self._holder()
                os.close(self._file)
                raise BatchLockError(
                    f"Another batch{f' (process {who})' if who else ''} is filling "
                    f"{self.survey}: wait until it has ended, then run this one again."
                )
            if self._is_still_there():
                break
            os.close(self._file)  # its holder removed it between our opening and our locking
        # From the second byte on: the first is the one that is locked where locks bar reading.
        try:
            os.write(self._file, f" {os.getpid()}\n".encode())
        except OSError:  # a full disk
            self._let_go()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._let_go()

    def _let_go(self) -> None:
        with suppress(OSError):
            os.unlink(self.path)
        os.close(self._file)

    def _holder(self) -> str:
        os.lseek(self._file, 1, os.SEEK_SET)
        return os.read(self._file, 64).decode("ascii", "replace").strip()

    def _is_still_there(self) -> bool:
        try:
            return os.stat(self.path).st_ino == os.fstat(self._file).st_ino
        except FileNotFoundError:
            return False


if sys.platform == "win32":
    import msvcrt

    def _try_lock(file: int) -> bool:
        try:
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(file: int) -> bool:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
