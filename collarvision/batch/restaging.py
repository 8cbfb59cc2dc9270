"""Restaging: a `--restage` that was stopped goes on where it was, by a note beside the survey.

The note says when which command began; it goes when that command has ended. Whoever runs another
batch meanwhile begins anew.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from collarvision.survey import SurveyReader
from collarvision.survey.asread import AsRead


class RestageNote:
    """The note of a survey."""

    def __init__(self, survey: Path) -> None:
        real = Path(os.path.realpath(survey))
        self.path = real.with_name(f"{real.name}-restage")

    def begin(self, command: Sequence[object]) -> int | None:
        """Note a command that restages; gives when the same one began before, ns, if it did.

        Raises
        ------
        OSError
        """
        words = [str(word) for word in command]
        with suppress(OSError, ValueError, KeyError, TypeError):
            said = json.loads(self.path.read_text(encoding="utf-8"))
            if said["command"] == words:
                return int(said["began_ns"])
        said = {"command": words, "began_ns": time.time_ns()}
        self.path.write_text(json.dumps(said), encoding="utf-8")
        return None

    def end(self) -> None:
        """Take the note away."""
        with suppress(OSError):
            self.path.unlink()


def read_again_since(store: SurveyReader, path: str, read: AsRead, since_ns: int) -> bool:
    """Whether a file was read again since then, and lay there already: moved, it is filed anew."""
    found = store.file_at(path)
    if found is None or found[0].seen_ns < since_ns:
        return False
    since = datetime.fromtimestamp(since_ns / 1e9, UTC)
    return datetime.fromisoformat(read.read_at) >= since
