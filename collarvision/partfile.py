"""Part file: an export while it is written, beside the file whose name it takes once whole."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, Literal

from collarvision.writing import cannot_write, check_place


@contextmanager
def part_file(out: Path, mode: Literal["w", "wb"]) -> Iterator[Any]:
    """Give a file beside `out` that takes its name when all is written, and goes when it isn't.

    Each process has its own, so that two exports into one file don't mix. Those that killed
    processes left are cleared away.

    Raises
    ------
    OutputError
        When it can't be written; what was there before is then still there.
    """
    check_place(out, give="give --to the name", denied="can't be written (Permission denied)")
    _clear_left(out)
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        # csv brings its own line ends (RFC 4180); a lone \n is JSON's.
        words: dict[str, Any] = {"encoding": "utf-8", "newline": ""} if mode == "w" else {}
        with open(part, mode, **words) as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.replace(part, out)
    except OSError as error:
        raise cannot_write(out, error) from error
    finally:
        with suppress(OSError):
            part.unlink()


def _clear_left(out: Path) -> None:
    own = re.compile(rf"\.{re.escape(out.name)}\.([0-9]{{1,10}})\.part")
    with suppress(OSError):
        for name in os.listdir(out.parent):
            found = own.fullmatch(name)
            if found is not None and not _lives(int(found[1])):
                with suppress(OSError):
                    out.with_name(name).unlink()


if sys.platform == "win32":

    def _lives(process: int) -> bool:
        return False  # a file that a process has open can't be removed there

else:

    def _lives(process: int) -> bool:
        try:
            os.kill(process, 0)  # asks, and sends nothing
        except (ProcessLookupError, OverflowError):
            return False
        except OSError:
            return True  # another user's
        return process > 0
