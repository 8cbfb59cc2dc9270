"""Stand-ins for the processes of a training: a renderer and a trainer that are slow to end."""

from __future__ import annotations

import os

RENDERER = "import signal, time; signal.signal(signal.SIGINT, signal.SIG_IGN); time.sleep(60)"
"""As code of a process: hears SIGTERM alone."""

TRAINER = """
import signal, sys, time
from pathlib import Path
stopped = []
for number in (signal.SIGTERM, signal.SIGINT):
    signal.signal(number, lambda got, _: stopped.append(got))
Path(sys.argv[1], "ready").touch()
for _ in range(1200):
    if stopped:
        break
    time.sleep(0.05)
time.sleep(1.0)  # a long step, and the scores at the end
Path(sys.argv[1], "checkpoint").touch()
"""
"""As code of a process: leaves `ready` and, ended by a signal, `checkpoint` in the folder given."""

# What a shell starts in the background ignores Ctrl-C, and so would all that the tests start there.
HEARS = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"

BOTH = f"{HEARS}\nRENDERER = {RENDERER!r}\nTRAINER = {TRAINER!r}\n"
"""What a started program begins with, so that it has both."""


def running(pid: int) -> bool:
    """Whether that process is there."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True
