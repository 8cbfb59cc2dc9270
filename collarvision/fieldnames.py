"""Field names: what to say where a field's name is asked for, or isn't known."""

from __future__ import annotations

import difflib
import itertools
import re
import unicodedata
from collections.abc import Sequence

_MOST_SHOWN = 12
_LEAST_LETTERS = 4  # of a word with a slip in it: Field A beside Field B is none
_NEAR = 0.7  # a slip of the keys; at 0.5 any four letters in common would do


def listed(known: Sequence[str]) -> str:
    """The names, or the first of them."""
    return ", ".join(known[:_MOST_SHOWN]) + (", ..." if len(known) > _MOST_SHOWN else "")


def known_as(asked: str, known: Sequence[str]) -> str:
    """The known name that is spelt as the one asked for, else the one asked for.

    Accents may be composed in two ways: keyboards and folder names differ in it (NFC, NFD), and in
    blanks, and nobody sees which was typed.
    """
    if asked in known:
        return asked
    return next((name for name in known if _spelt(name) == _spelt(asked)), asked)


def _spelt(name: str) -> str:
    return " ".join(unicodedata.normalize("NFC", name).split())


def meant(field: str, known: Sequence[str]) -> str:
    """End of a sentence on a field that isn't known: the one that was meant, else all there are."""
    folded = {_spelt(name).casefold(): name for name in known}
    near = difflib.get_close_matches(_spelt(field).casefold(), folded, 1, _NEAR)
    return f"did you mean {folded[near[0]]!r}?" if near else f"it has {listed(known)}."


def new_words(new: Sequence[str], known: Sequence[str]) -> list[str]:
    """Name the fields that came into a survey, and ask of those that are near another one.

    A misspelt folder would split a field, and each half be judged by its own plants.
    """
    if not new:
        return []
    told = [f"New in this survey: {listed(new)}."]
    for name in new:
        # Lot 12 beside Lot 13 is no slip.
        others = [other for other in known if _letters(other) != _letters(name)]
        asked = meant(name, others) if others else ""
        if asked.startswith("did you mean"):
            told.append(f"{name}: {asked} Then name it so and run again with --restage.")
    alike = _alike(new)
    told += [
        f"{one} and {other}: is that one field? Then give it one name and run again with --restage."
        for one, other in alike[:_MOST_SHOWN]
    ]
    if len(alike) > _MOST_SHOWN:
        told.append(f"{len(alike) - _MOST_SHOWN} more pairs of names are nearly alike.")
    return told


def _letters(name: str) -> str:
    return re.sub(r"\d+", "", name)


def _alike(names: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of which each word of one is that of the other, but for a slip of the keys.

    Stricter than `meant`: the fields of a farm are often called North quarter and South quarter.
    """
    words = {name: _words(name) for name in names}
    joined = {name: "".join(words[name]) for name in names}
    return [
        (one, other)
        for one, other in itertools.combinations(names, 2)
        if abs(len(joined[one]) - len(joined[other])) <= 1
        and (joined[one] == joined[other] or _slip_in(words[one], words[other]))
    ]


def _words(name: str) -> list[str]:
    """Words of a name, parted as folders' names part them: field-a, field_a and FieldA too."""
    parted = re.sub(r"[\W_]+|(?<=[a-z])(?=[A-Z])", " ", _spelt(name))
    return parted.casefold().split()


def _slip_in(words: Sequence[str], others: Sequence[str]) -> bool:
    return len(words) == len(others) and all(
        a == b or _one_slip(a, b) for a, b in zip(words, others, strict=True)
    )


def _one_slip(a: str, b: str) -> bool:
    """Whether a letter was left out, put in, mistaken, or changed places with the next.

    The last letter may tell fields apart (quarterne, quarternw), and so may the first (Hill, Mill).
    """
    if min(len(a), len(b)) < _LEAST_LETTERS or re.search(r"\d", a + b):
        return False
    if len(a) == len(b) and (a[:-1] == b[:-1] or a[1:] == b[1:]):
        return False
    differ = (k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y)
    same = next(differ, min(len(a), len(b)))
    a, b = a[same:], b[same:]
    return (
        a[1:] == b
        or a == b[1:]
        or a[1:] == b[1:]
        or (a[:2] == b[1::-1] and a[2:] == b[2:] and len(b) > 1)
    )
