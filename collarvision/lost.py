"""Lost: how many lower leaves a plant has shed, as a distribution.

Counting what is left reads low once leaf 1 is gone, which is normal by V5-V6 (Mississippi State
University Extension, 17 May 2024). Four signs are weighed against each other.
"""

from __future__ import annotations

import numpy as np

LOST_MAX = 3
"""The last entry of the distribution stands for this many or more."""

RANK_HEIGHTS_MM = ((1, 18.0), (2, 40.0), (3, 68.0), (4, 100.0), (5, 145.0), (6, 220.0))
"""Height of a leaf's collar over the soil by rank.

Leaf 1 under 20 mm, leaf 5 over 100 mm, leaf 6 200-300 mm: Ledent & Mouraux 1990
(10.1051/agro:19900208). Ranks 2-4 are interpolated, which is our own choice.
"""

HEIGHT_SIGMA = 0.4
"""Natural log units: plants and sowing depths differ widely. Our own choice."""

RANK_SIGMA = 0.55
"""Error of the network's leaf number, leaves. Our own choice."""

WEIGHTS = {"network": 0.6, "first_leaf": 0.4, "shape": 0.6, "rank": 0.6, "height": 0.8}
"""Under one each: the signs come from one picture and are not independent. Our own choice."""


def lost_leaves(
    network: np.ndarray,
    first_leaf: float,
    lowest_rounded: float | None,
    lowest_rank: float | None,
    lowest_collar_mm: float | None,
) -> tuple[np.ndarray, tuple[str, ...]]:
    """Weigh the signs of lost lower leaves.

    Parameters
    ----------
    network : ndarray, (4,)
        The network's own P(0, 1, 2, 3 or more lost).
    first_leaf : float
        The network's P(leaf 1 is there).
    lowest_rounded : float or None
        P(the lowest leaf's tip is rounded); only leaf 1 is.
    lowest_rank : float or None
        The network's leaf number at the lowest collar.
    lowest_collar_mm : float or None
        Height of the lowest collar over the soil, where a card gave the scale.

    Returns
    -------
    distribution : ndarray, (4,)
    evidence : tuple of str
    """
    k = np.arange(LOST_MAX + 1)
    log_p = WEIGHTS["network"] * np.log(np.clip(network, 1e-3, 1.0))
    log_p += WEIGHTS["first_leaf"] * _present_or_not(first_leaf)
    said: list[str] = []
    if lowest_rounded is not None:
        log_p += WEIGHTS["shape"] * _present_or_not(lowest_rounded)
        if lowest_rounded >= 0.7:
            said.append("Lowest leaf rounded, so it is leaf 1.")
        elif lowest_rounded <= 0.3:
            said.append("Lowest leaf pointed, so leaf 1 is lost.")
        else:
            said.append("Shape of the lowest leaf's tip is not clear.")
    if lowest_rank is not None:
        log_p += WEIGHTS["rank"] * -0.5 * ((lowest_rank - 1 - k) / RANK_SIGMA) ** 2
    if lowest_collar_mm is not None and lowest_collar_mm > 0:
        ranks, heights = np.array(RANK_HEIGHTS_MM).T
        expected = np.interp(k + 1, ranks, np.log(heights))
        z = (np.log(lowest_collar_mm) - expected) / HEIGHT_SIGMA
        # A clod or a furrow may hide any height: no single measurement decides.
        log_p += WEIGHTS["height"] * -np.minimum(0.5 * z**2, 4.5)
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    most = int(p.argmax())
    if lowest_collar_mm is not None and most > 0:
        said.append(f"Lowest collar {lowest_collar_mm:.0f} mm above the soil.")
    if most > 0:
        word = "leaf" if most == 1 else "leaves"
        more = " or more" if most == LOST_MAX else ""
        said.append(f"{most}{more} lower {word} taken as lost.")
    return p, tuple(said)


def first_leaf_present(network: float, none_lost: float) -> float:
    """P(leaf 1 is there): the mean of the network's logit and the lost-leaf belief's."""
    a, b = (float(np.log(p / (1 - p))) for p in np.clip([network, none_lost], 1e-4, 1 - 1e-4))
    return float(1 / (1 + np.exp(-(a + b) / 2)))


def _present_or_not(present: float) -> np.ndarray:
    present = float(np.clip(present, 0.02, 0.98))
    return np.array([np.log(present)] + [np.log(1 - present)] * LOST_MAX)
