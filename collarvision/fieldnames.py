"""Field names: what to say where a field's name is asked for, or isn't known."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

_MOST_SHOWN = 12
_NEAR = 0.7  # a slip of the keys; at 0.5 any four letters in common would do


def listed(known: Sequence[str]) -> str:
    """The names, or the first of them."""
    return ", ".join(known[:_MOST_SHOWN]) + (", ..." if len(known) > _MOST_SHOWN else "")


def meant(field: str, known: Sequence[str]) -> str:
    """End of a sentence on a field that isn't known: the one that was meant, else all there are."""
    folded = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(field.casefold(), folded, 1, _NEAR)
    return f"did you mean {folded[near[0]]!r}?" if near else f"it has {listed(known)}."
