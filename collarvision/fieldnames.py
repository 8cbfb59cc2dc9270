"""Field names: what to say where a field's name is asked for, or isn't known."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Sequence

_MOST_SHOWN = 12
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
