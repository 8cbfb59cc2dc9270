"""Writing: records and tables to a file or to standard output, with nothing lost on the way.

Lines of ``jsonl`` leave as each photo is done and stay if the run ends early. A ``json`` document
or a table is written whole or not at all: into a file beside its place, which then takes the name.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from collarvision.answer import Reading
from collarvision.table import Unit, format_table
from collarvision.together import joint_reading


class OutputError(Exception):
    """What was read can't be written; the message says what to do."""


class RecordWriter:
    """Takes readings one by one and writes them in one of the three formats.

    Parameters
    ----------
    form : {'table', 'json', 'jsonl'}
    out : Path or None
        None for standard output.
    unit : {'in', 'cm', 'mm'}
        Of heights in a table; records are in mm.
    width : int
        Columns of a table.

    Raises
    ------
    OutputError
        At once, before a photo is read, when `out` can't be written.
    """

    def __init__(self, form: str, out: Path | None, *, unit: Unit = "in", width: int = 80) -> None:
        self.form, self.out = form, out
        self.readings: list[Reading] = []
        self._unit, self._width = unit, width
        self._part: Path | None = None
        self._stream: IO[str] = sys.stdout if out is None else self._open(out)

    def add(self, reading: Reading) -> None:
        """Take one reading; ``jsonl`` is on the disk when this returns."""
        self.readings.append(reading)
        if self.form == "jsonl":
            self._write(record_line(reading))

    def put_together(self) -> None:
        """Add the reading of the plant that all photos so far show; nothing for a single photo."""
        if len(self.readings) > 1:
            self.add(joint_reading(self.readings))

    def finish(self) -> None:
        """Write what waits for the end and close the file. Call it after an interruption too."""
        if self.form == "json":
            lines = ",\n".join(record_line(reading).rstrip("\n") for reading in self.readings)
            self._write(f"[\n{lines}\n]\n" if lines else "[]\n")
        elif self.form == "table":
            self._write(format_table(self.readings, unit=self._unit, width=self._width))
        if self.out is None:
            return
        with self._told():
            self._stream.close()
            if self._part is not None:
                os.replace(self._part, self.out)
                self._part = None

    def abandon(self) -> None:
        """Clear away what `finish` left undone; ``jsonl`` lines stay. Harmless after `finish`."""
        if self.out is not None:
            with contextlib.suppress(OSError):
                self._stream.close()
        if self._part is not None:
            with contextlib.suppress(OSError):
                self._part.unlink()

    def _open(self, out: Path) -> IO[str]:
        # Unlike Path's, these questions don't fail on names that no file can have.
        if os.path.isdir(out):
            raise OutputError(f"{out} is a folder: give --out the name of a file.")
        if not os.path.exists(out.parent):
            raise OutputError(f"The folder {out.parent} for {out.name} isn't there: make it first.")
        target = out
        # A device or a pipe can't be replaced by a finished file: write straight into it.
        if self.form != "jsonl" and (os.path.isfile(out) or not os.path.exists(out)):
            if os.path.exists(out) and not may_write(out):
                raise cannot_write(out, PermissionError(errno.EACCES, os.strerror(errno.EACCES)))
            self._part = target = out.with_name(f".{out.name}.part")
        try:
            return open(target, "w", encoding="utf-8", newline="\n")
        except OSError as error:
            self._part = None
            raise cannot_write(out, error) from error

    def _write(self, text: str) -> None:
        with self._told():
            self._stream.write(text)
            self._stream.flush()

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as error:
            lines = self.form == "jsonl" and len(self.readings) > 1
            raise cannot_write(self.out or Path("the output"), error, lines=lines) from error


def may_write(path: Path) -> bool:
    """Say whether this process may write there, as the user it acts for."""
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


def check_place(path: Path, *, give: str, denied: str) -> None:
    """See that a file may be written whole there; `give` and `denied` are the command's own words.

    Raises
    ------
    OutputError
        When it is a folder, lies in none, or may not be written to.
    """
    if os.path.isdir(path):
        raise OutputError(f"{path} is a folder: {give} of a file.")
    if not os.path.isdir(path.parent):
        raise OutputError(f"The folder {path.parent} for {path.name} isn't there: make it first.")
    if os.path.exists(path) and not may_write(path):
        raise OutputError(f"{path} {denied}: choose another name.")


def make_folder(folder: Path, what: str | None = None) -> None:
    """Make a folder for `what`, or the one of --out, if need be.

    Raises
    ------
    OutputError
        When it can't be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"The folder {folder}{f' for {what}' if what else ''} can't be made "
            f"({error.strerror}): choose another{'' if what else ' with --out'}."
        ) from error


def make_output_folder(folder: Path, what: str | None = None) -> None:
    """Do what `make_folder` does, and see that files can be written there.

    Raises
    ------
    OutputError
        When it can't be made or written to.
    """
    make_folder(folder, what)
    if not may_write(folder):
        choose = f"for {what}" if what else "with --out"
        raise OutputError(f"The folder {folder} can't be written to: choose another {choose}.")


def record_line(reading: Reading) -> str:
    """One record as one line of JSON, in UTF-8 that any reader takes."""
    text = json.dumps(reading.record(), ensure_ascii=False, allow_nan=False)
    # File names may hold bytes that are no text; they must not stop a batch.
    return text.encode("utf-8", "replace").decode("utf-8") + "\n"


def what_to_do(error: OSError, where: str = "place") -> str:
    """Say what to do about a file that can't be written: room is made only where it is short."""
    full = error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    return f"free some space or choose another {where}" if full else f"choose another {where}"


def cannot_write(path: Path, error: OSError, *, lines: bool = False) -> OutputError:
    """Give the error to raise where a file can't be written; `lines` of it may be there."""
    kept = " The lines that were written before are kept." if lines else ""
    return OutputError(
        f"{path} can't be written ({error.strerror or 'unknown error'}): {what_to_do(error)}.{kept}"
    )
