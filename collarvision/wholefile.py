"""Whole file: text that is on the disk all of it, or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from collarvision.writing import OutputError, may_write


def write_whole(path: Path, text: str) -> None:
    """Write a text file by way of a file beside it, which then takes its name.

    Raises
    ------
    OutputError
        When it can't be written; what was there before is then still there.
    """
    if path.is_dir():
        raise OutputError(f"{path} is a folder: give the name of a file.")
    if not path.absolute().parent.is_dir():
        raise OutputError(f"The folder {path.parent} for {path.name} isn't there: make it first.")
    if path.exists() and not may_write(path):
        raise OutputError(f"{path} can't be written to: choose another name.")
    # A device or a pipe can't be replaced by a finished file: write straight into it.
    straight = path.exists() and not path.is_file()
    part = path if straight else path.with_name(f".{path.name}.part")
    try:
        part.write_text(text, encoding="utf-8", newline="\n")
        if not straight:
            os.replace(part, path)
    except OSError as error:
        if not straight:
            part.unlink(missing_ok=True)
        raise OutputError(
            f"{path} can't be written ({error.strerror}): free some space or choose another place."
        ) from error
