"""Faults: what SQLite says of a trouble, turned into a sentence that says what to do."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

BUSY_SECONDS = 30.0
"""How long to wait for another program's short transaction before saying so."""


class SurveyError(Exception):
    """The survey can't be used as asked; `str(error)` is one sentence a person can act on."""


# By primary result code: https://www.sqlite.org/rescode.html
_DAMAGED = (
    "The survey {path} is damaged: go back to a copy of it, or stage its photos again into a new "
    "one. Before you put a copy in its place, end all that uses it and remove the files "
    "{beside}-wal and {beside}-shm, if they are there."
)
_WORDS = {
    sqlite3.SQLITE_FULL: "The disk of the survey {path} is full: free some space and run the same "
    "command again; what was stored is kept.",
    sqlite3.SQLITE_READONLY: "The survey {path} can't be written to: change its rights or those of "
    "its folder, or copy it elsewhere.",
    sqlite3.SQLITE_BUSY: "The survey {path} is in use by another program that won't let go of it: "
    "close that program and try again.",
    sqlite3.SQLITE_LOCKED: "The survey {path} is in use by another program that won't let go of "
    "it: close that program and try again.",
    sqlite3.SQLITE_CANTOPEN: "The survey {path} can't be opened: check that its folder is there "
    "and that you may write in it.",
    sqlite3.SQLITE_NOTADB: "{path} is not a survey of collarvision: give another file.",
    sqlite3.SQLITE_CORRUPT: _DAMAGED,
    sqlite3.SQLITE_IOERR: "The disk failed while the survey {path} was in use ({error}): check the "
    "disk and its free space, then run the same command again.",
    sqlite3.SQLITE_PERM: "The survey {path} may not be opened by this user: change its rights.",
}

_NO_ROOM_BYTES: Final = 64 * 1024
"""Free space under which a failed disk is taken for a full one: SQLite can't always tell."""

# Text in a table that isn't what was put there. SQLite has no code of its own for it.
_SPOILT = ("malformed JSON", "Could not decode to UTF-8")


@contextmanager
def told(path: Path) -> Iterator[None]:
    """Raise `SurveyError` in place of SQLite's own errors about the file, and of spoilt JSON in it.

    Errors that only a mistake in this program can cause (a broken constraint, wrong SQL) pass.
    """
    try:
        yield
    except json.JSONDecodeError as error:
        raise damaged(path) from error
    except (sqlite3.OperationalError, sqlite3.DatabaseError) as error:
        code = getattr(error, "sqlite_errorcode", None)
        if code is not None and code & 0xFF == sqlite3.SQLITE_IOERR and _no_room(path):
            code = sqlite3.SQLITE_FULL
        words = None if code is None else _WORDS.get(code & 0xFF)
        if words is None and str(error).startswith(_SPOILT):
            words = _DAMAGED
        if words is None:
            raise
        said = words.format(path=path, error=error, beside=beside(path))
        raise SurveyError(said) from error


def damaged(path: Path) -> SurveyError:
    """Give the error to raise where a survey can't be what was stored in it."""
    return SurveyError(_DAMAGED.format(path=path, beside=beside(path)))


def beside(path: Path) -> str:
    """What the names of SQLite's own files start with: they lie beside the file, not a link."""
    return os.path.realpath(path) if os.path.islink(path) else str(path)


def _no_room(path: Path) -> bool:
    try:
        return shutil.disk_usage(path.absolute().parent).free < _NO_ROOM_BYTES
    except OSError:
        return False
