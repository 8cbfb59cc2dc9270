"""Summary: what a batch did and what is left for people to do, as text."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

from collarvision.answer import count_of
from collarvision.batch.result import BatchResult, FiledOtherwise, JoinedPicture, JoinedStop, Step
from collarvision.survey import Place, Waiting
from collarvision.table import CAUTION, plain

NAMES_SHOWN = 6
VISITS_SHOWN = 12
UNREAD_SHOWN = 8
PLACES_SHOWN = 6
REJECTED_SHOWN = 6
"""Reasons for rejecting that are listed, each with up to `NAMES_SHOWN` photos."""

OTHER_SIDE = (
    "A photo from a plant's other side as well, both in a folder named like 'plant 2', settles "
    "three in ten of them."
)
"""Of own plants rendered from both sides: of 521 photos that one left to a person the other settled
152 (``training/EXPERIMENTS.md``, 59). README.md and guide/hand-counts.md say the same."""

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
                break_long_words=False,  # a path or a command stays one that can be copied
            )
        )

    for sentence in _counts(result):
        say(sentence)
    _say_rejected(say, result)
    unopened = len(result.unopened)
    if unopened:
        them = "it" if unopened == 1 else "them"
        say(f"{unopened} could not be opened as a photo; the survey keeps {them} as rejected:")
        _say_files(say, result.unopened)
    unread = result.steps["unread"]
    if unread:
        say(f"{unread} could not be opened and {'is' if unread == 1 else 'are'} not in the survey:")
    _say_files(say, result.unread)
    _say_replaced(say, result, survey)
    _say_waiting(say, waiting, survey)
    say(CAUTION)
    return "\n".join(lines) + "\n"


def _counts(result: BatchResult) -> Iterable[str]:
    steps = result.steps.copy()
    steps["rejected"] -= len(result.unopened)
    read = sum(steps[outcome] for outcome in _OUTCOMES)
    said = [f"{steps[outcome]} {words}" for outcome, words in _OUTCOMES.items() if steps[outcome]]
    yield f"Read {_photos(read)}{': ' if said else ''}{', '.join(said)}."
    if steps["known"]:
        stay = "stays as it is" if steps["known"] == 1 else "stay as they are"
        yield f"{_photos(steps['known'])} had been read before by this model and {stay}."
    if steps["copy"]:
        yield f"{_photos(steps['copy'])} held the same picture as another and count once."
    if result.same_pictures:
        yield (
            f"{_photos(result.same_pictures)} held a picture that the survey had in another "
            "file, and count once with it."
        )
    yield from _joined_pictures(result.joined_pictures)
    if result.read_since:
        yield f"{_photos(result.read_since)} had been read again before --restage was stopped."
    for count, was, now in result.read_otherwise:
        yield (
            f"{_photos(count)} {'was' if count == 1 else 'were'} read with {was}: --restage to "
            f"read {'it' if count == 1 else 'them'} with {now}."
        )
    yield from _filed_otherwise(result.filed_otherwise)
    yield from _refiled(result.refiled)
    yield from _joined_stops(result.joined_stops)
    if result.tried_again:
        yield (
            f"{_photos(result.tried_again)} that the program had failed on in an earlier run "
            f"{'was' if result.tried_again == 1 else 'were'} tried again."
        )
    if result.quarantined:
        names = ", ".join(plain(name) for name in result.quarantined[:NAMES_SHOWN])
        yield (
            f"{len(result.quarantined)} ended the program twice and were left aside: {names}. The "
            "next run tries again."
        )
    if result.above:
        yield (
            f"{_photos(result.above)} from above: kept with what they tell of plants and place, "
            "never staged. `collarvision above` tells the field's story from them."
        )
    if result.faults > len(result.quarantined):
        yield (
            f"{result.faults - len(result.quarantined)} failed on a fault of the program, not of "
            "the photo: the records of an export to .json show it. The next run tries again."
        )
    if result.unfiled:
        yield (
            f"{_photos(result.unfiled)} belong to no field yet: run the same command again with "
            "--field NAME, or with --fields for their GPS."
        )
    if result.undated:
        has, them = ("has", "it") if result.undated == 1 else ("have", "them")
        unclear = ", ".join(plain(day) for day in result.unclear_days[:NAMES_SHOWN])
        yield (
            f"{_photos(result.undated)} {has} no visit date, and no verdict counts {them} beside "
            f"dated ones: put {them} into a folder named by the day, like 2027-05-20, and run the "
            "same command again with --restage."
            + (
                f" Day and month could be swapped in {unclear}: the year goes first."
                if unclear
                else ""
            )
        )


def _filed_otherwise(found: Sequence[FiledOtherwise]) -> Iterable[str]:
    """Of photos that stay where they were filed, though something else is said of them now."""
    for one in found[:PLACES_SHOWN]:
        are, their = ("is", "its") if one.photos == 1 else ("are", "their")
        tells = {"folder": f"{their} folder", "gps": f"{their} GPS", "option": "--field"}
        yield (
            f"{_photos(one.photos)} {are} filed under {_visit(one.was)}; {tells[one.tells]} now "
            f"says {_visit(one.now)}. If that is right, run this again with --restage: it reads "
            "all of SOURCE again and files it anew."
        )
        if one.at_stops:
            yield _stays_behind(one, "leave it so")
    left = sum(one.photos for one in found[PLACES_SHOWN:])
    if left:
        yield f"{_photos(left)} of other visits {'is' if left == 1 else 'are'} filed otherwise too."


def _refiled(found: Sequence[FiledOtherwise]) -> Iterable[str]:
    """Of photos that were filed anew, away from plants without one: every case splits a field."""
    for one in found:
        are = "is" if one.photos == 1 else "are"
        yield (
            f"{_photos(one.photos)} {are} filed under {_visit(one.now)} now, no longer under "
            f"{_visit(one.was)}. {_stays_behind(one)}"
        )


def _joined_stops(found: Sequence[JoinedStop]) -> Iterable[str]:
    """Of stops whose names are spelt in two ways: whoever means two must say so."""
    for one in found[:PLACES_SHOWN]:
        are = "is" if one.photos == 1 else "are"
        yield (
            f"{_photos(one.photos)} of stop {plain(one.called)} {are} filed at stop "
            f"{plain(one.at.stop or '')} of {_visit(one.at)}: both names mean one stop. If they "
            "are two stops, give one of them another number and run this again with --restage."
        )
    left = sum(one.photos for one in found[PLACES_SHOWN:])
    if left:
        yield f"{_photos(left)} of other stops {'was' if left == 1 else 'were'} joined so too."


def _joined_pictures(found: Sequence[JoinedPicture]) -> Iterable[str]:
    """Of photos whose folder says otherwise, filed with another one of the same picture."""
    for one in found[:PLACES_SHOWN]:
        yield (
            f"{plain(one.photo)} holds the same picture as {plain(one.twin)}: it is filed with it "
            f"under {_visit(one.now)}, not under {_visit(one.was)}. If it is of the latter, take "
            "the other file away and run this again with --restage."
        )
    left = len(found) - PLACES_SHOWN
    if left > 0:
        yield f"{_photos(left)} more {'is' if left == 1 else 'are'} filed so with the same picture."


def _stays_behind(found: FiledOtherwise, instead: str | None = None) -> str:
    """Of plants without a photo, which no --restage can take along: they would split the field."""
    plants, them = ("1 plant counted at a stop stays", "it")
    if found.at_stops > 1:
        plants, them = (f"{found.at_stops} plants counted at stops stay", "them")
    if found.tells == "folder":
        instead = "give the folder its old name again"
    either = "" if instead is None else f"{instead}, or "
    return f"{plants} under {_visit(found.was)}: {either}count {them} anew."


def _visit(place: Place) -> str:
    return f"{plain(place.field or 'no field')}, {place.date or 'no date'}"


def _say_rejected(say: Callable[..., None], result: BatchResult) -> None:
    if not result.rejected:
        return
    reasons = dict[str, _Reason]()
    for name, why in result.rejected:
        reasons.setdefault(why, _Reason()).add(plain(name))
    say("Retake the rejected photos, or count those plants by hand:")
    ranked = sorted(reasons.items(), key=lambda item: -item[1].count)
    for words, reason in ranked[:REJECTED_SHOWN]:
        say(f"{words} ({reason.count})", "  ")
        say(reason.names(), "    ")
    left = sum(reason.count for _, reason in ranked[REJECTED_SHOWN:])
    if left:
        say(f"and {left} more, for other reasons: an export says why.", "  ")


def _say_files(say: Callable[..., None], files: Sequence[tuple[str, str]]) -> None:
    """List the first files, each with what is to be said of it."""
    for path, why in files[:UNREAD_SHOWN]:
        say(f"{plain(path)}: {why}", "  ")
    if len(files) > UNREAD_SHOWN:
        say(f"and {len(files) - UNREAD_SHOWN} more.", "  ")


def _say_replaced(say: Callable[..., None], result: BatchResult, survey: str) -> None:
    count = len(result.replaced)
    if not count:
        return
    holds, it = ("file holds", "it shows") if count == 1 else ("files hold", "they show")
    say(
        f"{count} {holds} another photo than before, and the survey has both, each as a plant. "
        f"Where {it} the same plant, say so, or it counts twice:"
    )
    # All of them: a plant whose command is left out would count twice.
    for name, before, now in result.replaced:
        say(f"{plain(name)}: collarvision together {_word(survey)} {before[:8]} {now[:8]}", "  ")


def _word(path: str) -> str:
    """A path as a command takes it: it may hold blanks."""
    return shlex.quote(plain(path))


def _say_waiting(say: Callable[..., None], waiting: Iterable[Waiting], survey: str) -> None:
    total, visits = 0, 0
    told: list[tuple[str, str]] = []
    for (field, date), photos in groupby(waiting, key=lambda photo: (photo.field, photo.date)):
        visits += 1
        count, reasons = 0, dict[str, _Reason]()
        for photo in photos:
            count += 1
            words = photo.reasons[0] if photo.reasons else "No reason was given."
            stop = f"stop {plain(photo.stop)}, " if photo.stop else ""
            reasons.setdefault(words, _Reason()).add(f"{stop}{plain(photo.photo)}")
        total += count
        if visits <= VISITS_SHOWN:
            name = plain(field) if field else "no field"
            told.append((f"{name}{f', {date}' if date else ''}: {count}", "  "))
            for words, reason in sorted(reasons.items(), key=lambda item: -item[1].count):
                told += [(f"{words} ({reason.count})", "    "), (reason.names(), "      ")]
    if not total:
        say("Nothing waits for a hand count.")
        return
    say(f"To count by hand, {count_of(total, 'plant')} of the whole survey:")
    for words, indent in told:
        say(words, indent)
    if visits > VISITS_SHOWN:
        say(f"and {visits - VISITS_SHOWN} more visits.", "  ")
    say(f"All of them, with their reasons: collarvision export {_word(survey)} --to plants.csv")
    say(OTHER_SIDE)


class _Reason:
    """How many photos gave a reason, and the names of the first of them."""

    def __init__(self) -> None:
        self.count = 0
        self._first: list[str] = []

    def add(self, name: str) -> None:
        self.count += 1
        if self.count <= NAMES_SHOWN:
            self._first.append(name)

    def names(self) -> str:
        more = self.count - len(self._first)
        return "; ".join(self._first) + (f" and {more} more" if more else "")


def _photos(count: int) -> str:
    return count_of(count, "photo")
