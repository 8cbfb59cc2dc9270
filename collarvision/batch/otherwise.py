"""Otherwise: what a photo was read with, where a run asks for something else.

A known photo stays as it was read. Whoever mends the length of the check bar must be told so.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from collarvision.batch.worker import Options
from collarvision.survey.asread import AsRead

_PRINTED_MM = 100.0


def asked_for(options: Options) -> dict[str, Any]:
    """What a survey's record notes of a reading's options."""
    return {
        "height_rule": options.height_rule,
        "check_bar_mm": options.check_bar_mm,
        "read_codes": options.read_codes,
    }


def read_otherwise(read: AsRead, options: Options) -> Iterator[tuple[str, str]]:
    """Say what a reading was made with and what is asked for now, where that would change it."""
    now = options.check_bar_mm
    if read.has_card and read.check_bar_mm != now:
        if read.check_bar_mm is not None:
            yield f"a check bar of {read.check_bar_mm:g} mm", f"{now:g} mm"
        elif now != _PRINTED_MM:
            yield "a check bar that nobody noted", f"{now:g} mm"
    if read.has_height and read.height_rule not in (None, options.height_rule):
        yield f"the height rule {read.height_rule}", f"{options.height_rule}"
    if options.read_codes and not read.read_codes:
        yield "no look for the card's code", "--read-codes"
