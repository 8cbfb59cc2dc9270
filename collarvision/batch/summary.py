"""Summary: what a batch did and what is left for people to do, as text."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable
from itertools import groupby

from collarvision.batch.staging import BatchResult, Step
from collarvision.survey import Waiting
from collarvision.table import CAUTION, plain

NAMES_SHOWN = 6
VISITS_SHOWN = 12
UNREAD_SHOWN = 8

OTHER_SIDE = (
    "A photo from a plant's other side as well, both in a folder named like 'plant 2', settles "
    "about one in four of them."
)
"""Of own plants seen from both sides: 75 of 284 that one photo left to a person."""

_OUTCOMES: dict[Step, str] = {
    "staged": "staged",
    "hand-count": "hand count",
    "rejected": "rejected",
}


def format_summary(
    result: BatchResult, waiting: Iterable[Waiting], survey: str, *, width: int = 80
) -> str:
    """Lay out the end of a batch.

    Parameters
    ----------
    result : BatchResult
    waiting : iterable of Waiting
        Photos of the survey that ask for a hand count, by field and date.
    survey : str
        The survey's path, for the commands named.
    width : int
        Columns of the terminal.

    Returns
    -------
    str
        Lines that end in a newline.
    """
    lines: list[str] = []

    def say(words: str, indent: str = "") -> None:
        lines.extend(
            textwrap.wrap(
                words,
                max(width, 30),
                initial_indent=indent,
                subsequent_indent=indent,
                break_on_hyphens=False,
            )
        )

    for sentence in _counts(result):
        say(sentence)
    for path, why in result.unread[:UNREAD_SHOWN]:
        say(f"{plain(path)}: {why}", "  ")
    if len(result.unread) > UNREAD_SHOWN:
        say(f"and {len(result.unread) - UNREAD_SHOWN} more.", "  ")
    _say_waiting(say, waiting, survey)
    say(CAUTION)
    return "\n".join(lines) + "\n"


def _counts(result: BatchResult) -> Iterable[str]:
    steps = result.steps
    read = sum(steps[outcome] for outcome in _OUTCOMES)
    said = [f"{steps[outcome]} {words}" for outcome, words in _OUTCOMES.items() if steps[outcome]]
    yield f"Read {_photos(read)}{': ' if said else ''}{', '.join(said)}."
    if steps["known"]:
        yield f"{_photos(steps['known'])} had been read before by this model and stay as they are."
    if steps["copy"]:
        yield f"{_photos(steps['copy'])} held the same picture as another and count once."
    if result.quarantined:
        names = ", ".join(plain(name) for name in result.quarantined[:NAMES_SHOWN])
        yield f"{len(result.quarantined)} ended the program twice and were left aside: {names}."
    if result.above:
        yield (
            f"{_photos(result.above)} from above: kept with what they tell of plants and place, "
            "never staged. `collarvision above` tells the field's story from them."
        )
    if steps["rejected"] > result.above_rejected:
        yield "Retake the rejected photos, or count those plants by hand: an export says why."
    if result.faults > len(result.quarantined):
        yield (
            f"{result.faults - len(result.quarantined)} failed on a fault of the program, not of "
            "the photo: the records of an export to .json show it."
        )
    if result.unfiled:
        yield (
            f"{_photos(result.unfiled)} belong to no field yet: run the same command again with "
            "--field NAME, or with --fields for their GPS."
        )
    if result.undated:
        has = "has" if result.undated == 1 else "have"
        unclear = ", ".join(plain(day) for day in result.unclear_days[:NAMES_SHOWN])
        yield (
            f"{_photos(result.undated)} {has} no visit date, and no verdict counts them beside "
            "dated ones: put them into a folder named by the day, like 2027-05-20, and run the "
            "same command again with --restage."
            + (
                f" Day and month could be swapped in {unclear}: the year goes first."
                if unclear
                else ""
            )
        )
    if steps["unread"]:
        are = "is" if steps["unread"] == 1 else "are"
        yield f"{steps['unread']} could not be opened and {are} not in the survey:"


def _say_waiting(say: Callable[..., None], waiting: Iterable[Waiting], survey: str) -> None:
    total, visits = 0, 0
    told: list[tuple[str, str]] = []
    for (field, date), photos in groupby(waiting, key=lambda photo: (photo.field, photo.date)):
        visits += 1
        count, reasons = 0, dict[str, _Reason]()
        for photo in photos:
            count += 1
            words = photo.reasons[0] if photo.reasons else "No reason was given."
            reasons.setdefault(words, _Reason()).add(photo)
        total += count
        if visits <= VISITS_SHOWN:
            name = plain(field) if field else "no field"
            told.append((f"{name}{f', {date}' if date else ''}: {count}", "  "))
            for words, reason in sorted(reasons.items(), key=lambda item: -item[1].count):
                told += [(f"{words} ({reason.count})", "    "), (reason.names(), "      ")]
    if not total:
        say("Nothing waits for a hand count.")
        return
    say(f"To count by hand, {total} plant{'' if total == 1 else 's'} of the whole survey:")
    for words, indent in told:
        say(words, indent)
    if visits > VISITS_SHOWN:
        say(f"and {visits - VISITS_SHOWN} more visits.", "  ")
    say(f"All of them, with their reasons: collarvision export {plain(survey)} --to plants.csv")
    say(OTHER_SIDE)


class _Reason:
    """How many photos gave a reason, and the names of the first of them."""

    def __init__(self) -> None:
        self.count = 0
        self._first: list[str] = []

    def add(self, photo: Waiting) -> None:
        self.count += 1
        if self.count <= NAMES_SHOWN:
            stop = f"stop {plain(photo.stop)}, " if photo.stop else ""
            self._first.append(f"{stop}{plain(photo.photo)}")

    def names(self) -> str:
        more = self.count - len(self._first)
        return "; ".join(self._first) + (f" and {more} more" if more else "")


def _photos(count: int) -> str:
    return f"{count} photo{'' if count == 1 else 's'}"
