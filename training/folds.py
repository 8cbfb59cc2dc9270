"""Folds: photos dealt into parts, all those of one plant or of one stop into the same part.

Photos of one plant are alike: a fit that has seen one of them looks better on the other than it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from training.bothsides import OTHER
from training.cases import Case


def group_of(case: Case) -> str:
    """Name what a photo must not be parted from: people's group, else its plant, of either side."""
    return case.truth.get("group") or Path(case.name).stem.removesuffix(OTHER)


def dealt(cases: Sequence[Case], parts: int, rng: np.random.Generator | None = None) -> np.ndarray:
    """Give the part, from 0, that each photo falls to; by turns, or by chance with `rng`.

    Returns
    -------
    ndarray, (n,) int

    Raises
    ------
    ValueError
        All photos are of one group: no part could tell anything of another.
    """
    names = [group_of(case) for case in cases]
    number = {name: k for k, name in enumerate(dict.fromkeys(names))}
    if len(number) < 2:
        raise ValueError(
            f"All {len(cases)} photos are of one plant or stop: give photos of several."
        )
    order = np.arange(len(number)) if rng is None else rng.permutation(len(number))
    return order[[number[name] for name in names]] % parts
