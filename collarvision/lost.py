"""Lost: how many lower leaves a plant has shed, as a distribution.

Counting what is left reads low once leaf 1 is gone, which is normal by V5-V6 (Mississippi State
University Extension, 17 May 2024). Several signs are weighed against each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LOST_MAX = 3
"""The last entry of the distribution stands for this many or more."""

BELOW_MAX = 5
"""So many leaves, lost or hardly seen, may lie below the lowest sure one."""

RANK_HEIGHTS_MM = ((1, 18.0), (2, 40.0), (3, 68.0), (4, 100.0), (5, 145.0), (6, 220.0))
"""Height of a leaf's collar over the soil by rank.

Leaf 1 under 20 mm, leaf 5 over 100 mm, leaf 6 200-300 mm: Ledent & Mouraux 1990
(10.1051/agro:19900208). Ranks 2-4 are interpolated, which is our own choice.
"""

HEIGHT_SIGMA = 0.4
"""Natural log units: plants and sowing depths differ widely. Our own choice."""

RANK_LENGTHS_MM = ((1, 50.0), (2, 135.0), (3, 200.0), (4, 270.0), (5, 370.0), (6, 470.0))
"""Length of a blade as a photo shows it, by rank.

Leaf 1 about 50 mm: Ledent & Mouraux 1990; 38-44 mm: Mississippi State University Extension 2024.
Leaves 2-6 are published as 151, 207, 277, 361 and 457 mm (Fournier & Andrieu 1998); a photo shows
them a little shortened. The values here are our own choice near both.
"""

LENGTH_SIGMA = 0.4
"""Natural log units, as blades traced in own photos spread about their rank (0.31 to 0.43)."""

RANK_RATIOS = ((1, 0.4), (2, 0.6), (3, 0.68), (4, 0.75), (5, 0.8), (6, 0.8))
"""Length of a blade against the next one's, for photos without a scale. Our own choice, from the
same lengths."""

RATIO_SIGMA = 0.4
"""Natural log units, as in own photos (0.28 to 0.50)."""

RANK_SIGMA = 0.55
"""Error of the network's leaf number, leaves. Our own choice."""

ROUND_FROM = 0.7
"""P(rounded) from which a tip is seen to be round, and so leaf 1's. Our own choice."""

WEIGHTS = {
    "network": 0.4,
    "first_leaf": 0.2,
    "shape": 0.2,
    "rank": 0.2,
    "height": 1.0,
    "length": 1.0,
    "ratio": 1.0,
}
"""What each sign counts. The network's four are one opinion and share the weight of one; each
measured size stands on its own and counts whole. A principle, not a fit."""

MOST_AGAINST = 4.5
"""A clod may hide any height, a torn blade has any length: no single measurement decides."""


@dataclass(frozen=True)
class Signs:
    """What a photo shows of the lowest leaf that is surely one; None where it doesn't.

    Attributes
    ----------
    network : ndarray, (4,)
        The network's own P(0, 1, 2, 3 or more lost).
    first_leaf : float
        The network's P(leaf 1 is there).
    rounded : float or None
        P(the lowest leaf's tip is rounded); only leaf 1 is.
    rank : float or None
        The network's leaf number at the lowest collar.
    collar_mm : float or None
        Height of the lowest collar over the soil, where a card gave the scale.
    blade_mm : float or None
        Length of the lowest blade, where a card gave the scale.
    blade_ratio : float or None
        Length of the lowest blade against the next one's.
    weak : tuple of float
        P(a leaf) of what was hardly seen below it: a withered leaf, or a speck on the stalk.
    """

    network: np.ndarray
    first_leaf: float
    rounded: float | None = None
    rank: float | None = None
    collar_mm: float | None = None
    blade_mm: float | None = None
    blade_ratio: float | None = None
    weak: tuple[float, ...] = ()


def lost_leaves(signs: Signs) -> tuple[np.ndarray, np.ndarray, tuple[str, ...]]:
    """Weigh the signs of lost lower leaves.

    Returns
    -------
    lost : ndarray, (4,)
        P(0, 1, 2, 3 or more leaves lost).
    below : ndarray, (6,)
        P(0 .. 5 leaves below the lowest sure one, lost or hardly seen).
    evidence : tuple of str
    """
    heard = WEIGHTS["network"] * np.log(np.clip(signs.network, 1e-3, 1.0))
    heard += WEIGHTS["first_leaf"] * _present_or_not(signs.first_leaf, LOST_MAX + 1)
    of_rank = _of_rank(signs)
    there = np.ones(1)
    for chance in signs.weak[:2]:
        there = np.convolve(there, [1.0 - chance, chance])
    lost, below = np.zeros(LOST_MAX + 1), np.zeros(BELOW_MAX + 1)
    top = of_rank.max() + heard.max()
    for count, likely in enumerate(heard):
        for weak, chance in enumerate(there):
            weight = chance * np.exp(likely + of_rank[count + weak] - top)
            lost[count] += weight
            below[count + weak] += weight
    lost, below = lost / lost.sum(), below / below.sum()
    return lost, below, _evidence(signs, lost)


def _of_rank(signs: Signs) -> np.ndarray:
    """Log-likelihood (6,) of what is seen of the lowest sure leaf if it is leaf 1 .. 6."""
    below = np.arange(BELOW_MAX + 1)
    log_p = np.zeros(BELOW_MAX + 1)
    if signs.rounded is not None:
        log_p += WEIGHTS["shape"] * _present_or_not(signs.rounded, BELOW_MAX + 1)
    if signs.rank is not None:
        off = (signs.rank - 1 - below) / RANK_SIGMA
        log_p -= WEIGHTS["rank"] * np.minimum(0.5 * off**2, MOST_AGAINST)
    if signs.collar_mm is not None:
        log_p += WEIGHTS["height"] * _fit(signs.collar_mm, RANK_HEIGHTS_MM, HEIGHT_SIGMA)
    if signs.blade_mm is not None:
        log_p += WEIGHTS["length"] * _fit(signs.blade_mm, RANK_LENGTHS_MM, LENGTH_SIGMA)
    elif signs.blade_ratio is not None:
        log_p += WEIGHTS["ratio"] * _fit(signs.blade_ratio, RANK_RATIOS, RATIO_SIGMA)
    return log_p


def _evidence(signs: Signs, p: np.ndarray) -> tuple[str, ...]:
    said: list[str] = []
    most = int(p.argmax())
    if signs.rounded is not None:
        if signs.rounded >= ROUND_FROM and most == 0:
            said.append("Lowest leaf rounded, so it is leaf 1.")
        elif signs.rounded <= 0.3 and most > 0:
            said.append("Lowest leaf pointed, so leaf 1 is lost.")
        elif most == 0:
            said.append("Lowest leaf taken as leaf 1, though its tip is not seen to be round.")
        else:
            said.append("Shape of the lowest leaf's tip is not clear.")
    if signs.blade_mm is not None and (most > 0 or (signs.rounded or 0.0) < ROUND_FROM):
        said.append(f"Lowest blade {signs.blade_mm:.0f} mm long.")
    if signs.collar_mm is not None and most > 0:
        said.append(f"Lowest collar {signs.collar_mm:.0f} mm above the soil.")
    return (*said, *taken_as_lost(most))


def taken_as_lost(count: int) -> tuple[str, ...]:
    """The sentence that so many leaves are taken as lost; none where none is."""
    if count == 0:
        return ()
    more = " or more" if count >= LOST_MAX else ""
    word = "leaf" if count == 1 else "leaves"
    return (f"{min(count, LOST_MAX)}{more} lower {word} taken as lost.",)


def _fit(value: float, by_rank: tuple[tuple[int, float], ...], sigma: float) -> np.ndarray:
    """Log-likelihood (6,) of a measured size if the leaf is leaf 1 .. 6; level if it is no size."""
    if not np.isfinite(value):
        return np.zeros(BELOW_MAX + 1)
    ranks, sizes = np.array(by_rank).T
    expected = np.interp(np.arange(1, BELOW_MAX + 2), ranks, np.log(sizes))
    off = (np.log(max(value, 1e-3)) - expected) / sigma
    return -np.minimum(0.5 * off**2, MOST_AGAINST)


def first_leaf_present(network: float, none_lost: float) -> float:
    """P(leaf 1 is there): the mean of the network's logit and the lost-leaf belief's."""
    a, b = (float(np.log(p / (1 - p))) for p in np.clip([network, none_lost], 1e-4, 1 - 1e-4))
    return float(1 / (1 + np.exp(-(a + b) / 2)))


def first_leaf_numbered(first_leaf: float, below: int) -> float:
    """P(leaf 1 is there), on the side where the leaf numbers are: a record must not say both.

    Parameters
    ----------
    first_leaf : float
        As of `first_leaf_present`, before the stage was known.
    below : int
        Leaves below the lowest one, as the leaves were numbered in the end.
    """
    return max(first_leaf, 0.5) if below == 0 else min(first_leaf, 0.499)


def _present_or_not(present: float, length: int) -> np.ndarray:
    present = float(np.clip(present, 0.02, 0.98))
    return np.array([np.log(present)] + [np.log(1 - present)] * (length - 1))
