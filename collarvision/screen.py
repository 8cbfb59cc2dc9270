"""Screen: standard output and error, also where they are closed, full, or nobody reads them."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, TextIO, cast

from collarvision.commandline import EXIT_OUTPUT, EXIT_USAGE, say


class _LostError(Exception):
    """Standard output can't be written; `__cause__` is the reason.

    No `OSError`: commands take those for faults of the files that they are at.
    """


class _Watched:
    """Standard output or error: `lost` is told what is wrong where it can't be written."""

    def __init__(self, stream: TextIO, lost: Callable[[TextIO, OSError], None]) -> None:
        self._stream, self._lost = stream, lost

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)

    def write(self, text: str) -> int:
        try:
            return self._stream.write(text)
        except OSError as error:
            self._lost(self._stream, error)
            return len(text)

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError as error:
            self._lost(self._stream, error)


def _output_lost(_: TextIO, error: OSError) -> None:
    """Tell its errors from those of files."""
    raise _LostError from error


def _errors_lost(stream: TextIO, _: OSError) -> None:
    """What can't be said on standard error is lost, and the command ends as it would."""
    _go_nowhere(stream)


def _go_nowhere(stream: TextIO) -> None:
    """Let what still waits go nowhere: Python's own last try would end in a fault."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def on_screen(command: Callable[[], object]) -> int | str | None:
    """Run a command that ends by `SystemExit`, and give its exit status.

    It is 3 where standard output can't be written. A sentence says so, unless the reader (`head`, a
    closed pager) has only seen enough. A standard error that can't be written changes nothing.
    """
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:  # closed by whoever started us
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115
        elif hasattr(stream, "reconfigure"):
            # A terminal that can't show a dash must not end the run.
            stream.reconfigure(errors="replace")
    sys.stdout = output = cast(TextIO, _Watched(sys.stdout, _output_lost))
    sys.stderr = cast(TextIO, _Watched(sys.stderr, _errors_lost))
    status: int | str | None = 0
    try:
        try:
            command()
        except SystemExit as end:
            status = end.code
        except FileNotFoundError:
            if _is_somewhere():
                raise
            say("The folder that you are in is gone: go to one that is there.")
            status = EXIT_USAGE
        output.flush()
    except _LostError as lost:
        why = cast(OSError, lost.__cause__)
        _go_nowhere(output)
        if why.errno != errno.EPIPE:
            from collarvision.writing import cannot_write

            say(str(cannot_write(Path("the output"), why)))
        return EXIT_OUTPUT
    return status


def _is_somewhere() -> bool:
    """Whether the current folder is there."""
    try:
        os.getcwd()
    except OSError:
        return False
    return True
