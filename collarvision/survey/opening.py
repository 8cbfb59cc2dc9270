"""Opening: a connection to a survey file, or a sentence that says why there is none."""

from __future__ import annotations

import os
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Final, Literal

from collarvision.survey import schema
from collarvision.survey.faults import BUSY_SECONDS, SurveyError, beside, damaged, told
from collarvision.writing import may_write

Mode = Literal["read", "write", "create"]

_fitting: Final[dict[str, tuple[int, int, int, int]]] = {}
"""Surveys whose log fits them, with the numbers of both files. A page opens its survey for every
answer, and looks only once at the log that a batch goes on writing."""


def connect(path: Path, mode: Mode) -> sqlite3.Connection:
    """Open a survey.

    Parameters
    ----------
    path : Path
    mode : {'read', 'write', 'create'}
        ``create`` makes the file where there is none; ``read`` changes nothing, and works for a
        survey that this user can't write to.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode (transactions are begun by hand), foreign keys enforced.

    Raises
    ------
    SurveyError
        No such file, not a survey, damaged, made by a newer version, or not to be opened or written
        to.
    """
    if os.path.isdir(path):
        raise SurveyError(f"{path} is a folder: give the name of a survey file.")
    if mode == "create":
        _check_parent(path)
    elif not os.path.exists(path):
        raise SurveyError(
            f"There is no survey {path}: check the name, or make one with `collarvision batch`."
        )
    # SQLite would open a file without write rights for reading, silently.
    if mode != "read" and os.path.exists(path) and not may_write(path):
        raise SurveyError(
            f"The survey {path} can't be written to: change its rights or those of its folder, or "
            "copy it elsewhere."
        )
    with told(path):
        try:
            _check_log(path)
            connection = _open(path, mode)
        except OSError as error:  # the current folder is gone
            raise SurveyError(
                f"The survey {path} can't be opened ({error.strerror}): go to a folder that is "
                "there."
            ) from error
        try:
            _check_kind(connection, path, mode)
            if mode != "read":
                _make_ready_to_write(connection)
        except BaseException:
            connection.close()
            raise
    return connection


def disconnect(connection: sqlite3.Connection, path: Path, mode: Mode) -> None:
    """Close what `connect` gave.

    The last to close brings all into the file itself. A writer does so too where others have the
    survey open: a copy of the file alone then holds what people counted, and a power cut spares it.
    """
    if mode != "read":
        log, before = beside(path), _numbers(path)
        with suppress(sqlite3.Error):  # then the log keeps it
            connection.execute("PRAGMA wal_checkpoint(PASSIVE)")
        now = _numbers(path)
        if before is not None and now is not None and _fitting.get(log) == before:
            _fitting[log] = now  # only the log's own pages came in
    connection.close()


def _check_log(path: Path) -> None:
    """See that what waits in the log beside a survey fits it, before any of it gets into the file.

    A log that a killed program left, beside another copy of its survey, is taken in by SQLite
    without a word: https://www.sqlite.org/howtocorrupt.html, 1.4.
    """
    log = beside(path)
    if not _has_waiting_pages(path):
        _fitting.pop(log, None)
        return
    both = _numbers(path)
    if both is None or _fitting.get(log) == both:
        return
    # For reading alone: a connection that may write brings the log into the file as it closes.
    uri = f"{path.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS)
    try:
        # The whole of it, 0.1 s with 5,000 photos: the quick one passes indexes over, and so some
        # logs of other copies.
        (said,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            return  # `_open` tells
        raise
    finally:
        connection.close()
    if said != "ok":
        raise damaged(path)
    _fitting[log] = both


def _numbers(path: Path) -> tuple[int, int, int, int] | None:
    """What tells a survey and its log from others; None where one of them isn't there.

    By size and time as well: a copy put over a survey keeps its number.
    """
    try:
        survey, waiting = os.stat(path), os.stat(f"{beside(path)}-wal")
    except OSError:  # gone between the two: whoever had it has closed it
        return None
    return survey.st_ino, survey.st_size, survey.st_mtime_ns, waiting.st_ino


def _open(path: Path, mode: Mode) -> sqlite3.Connection:
    # A reader that may write opens the file so, and then binds itself not to: the last one to
    # close can so clear away the files that SQLite keeps beside a survey in use.
    flag = "rwc" if mode == "create" else "rw" if may_write(path) else "ro"
    uri = f"{path.absolute().as_uri()}?mode={flag}"
    connection = _set_up(sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None))
    if mode != "read":
        return connection
    connection.execute("PRAGMA query_only = ON")
    try:
        connection.execute("PRAGMA schema_version").fetchone()
        return connection
    except sqlite3.OperationalError as error:
        connection.close()
        if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY):
            raise
        if _has_waiting_pages(path):
            raise
    # Readers of a WAL database keep an index beside it, which needs a folder that can be written
    # to. Where it can't, and every page is in the file itself, nobody else writes there either.
    uri = f"{path.absolute().as_uri()}?mode=ro&immutable=1"
    return _set_up(sqlite3.connect(uri, uri=True, timeout=BUSY_SECONDS, isolation_level=None))


def _set_up(connection: sqlite3.Connection) -> sqlite3.Connection:
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    return connection


def _check_parent(path: Path) -> None:
    if not os.path.isdir(path.parent):
        parent = path.absolute().parent
        raise SurveyError(f"The folder {parent} for {path.name} isn't there: make it first.")


def _check_kind(connection: sqlite3.Connection, path: Path, mode: Mode) -> None:
    kind = connection.execute("PRAGMA application_id").fetchone()[0]
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    empty = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    new = kind == 0 and version == 0 and empty
    if new and mode != "create":
        raise SurveyError(
            f"{path} holds nothing yet: fill it with `collarvision batch`. If it was copied or "
            f"moved, what it held stayed behind in the file {path.name}-wal: bring both."
        )
    if kind != schema.APPLICATION_ID and not new:
        raise SurveyError(f"{path} is not a survey of collarvision: give another file.")
    if version > len(schema.MIGRATIONS):
        raise SurveyError(
            f"The survey {path} was written by a newer collarvision (its version {version}, this "
            f"program knows {len(schema.MIGRATIONS)}): update collarvision, then open it."
        )
    if mode == "read" and version < len(schema.MIGRATIONS):
        _read_old(path, version)


def _read_old(path: Path, version: int) -> None:
    """Bring an older survey up to date before it is read, as queries know one schema only."""
    try:
        connect(path, "write").close()
    except SurveyError as error:
        raise SurveyError(
            f"The survey {path} is of the older version {version} and can't be brought up to date "
            "where it is: copy it to a place that you may write to."
        ) from error


def _make_ready_to_write(connection: sqlite3.Connection) -> None:
    # WAL: readers go on while a batch writes, and a killed process leaves a consistent file
    # (https://www.sqlite.org/wal.html). In it NORMAL can lose the last photos to a power cut, which
    # the next run stages again, but never the file.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    if connection.execute("PRAGMA user_version").fetchone()[0] < len(schema.MIGRATIONS):
        schema.migrate(connection)


def _has_waiting_pages(path: Path) -> bool:
    try:
        return os.stat(f"{beside(path)}-wal").st_size > 0
    except OSError:
        return False
