"""Wear: what a plant's foot has lost, dried up or torn by the time it's photographed.

[M] marks what no source in print was found for; it's from memory, and varied widely.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .plantparts import Leaf, Plant

COLEOPTILE_LEFT = (1.0, 0.8, 0.4, 0.15)
"""Share of plants that still show their coleoptile, VE to V3 [M]."""


STUBS = 0.45
"""Share of torn lowest leaves of which only a stub stands at the collar [M]: still a leaf."""

STUB_LEFT, TORN_LEFT = (0.04, 0.25), (0.25, 0.75)
"""Share of the blade that is left of a stub, and of any other torn leaf [M]."""

DRIED = 0.7
"""Share of torn blades whose end has dried by the time of the photo: a tear that isn't of the same
day has a straw or brown margin [M]."""

DRY_MM = (0.6, 6.0)
"""Width of that margin [M]."""

RAGGED = (0.15, 1.3)
"""How far back a torn end reaches, in widths of the blade there [M]."""


@dataclass(frozen=True, eq=False)
class Tear:
    """How a torn blade ends.

    Attributes
    ----------
    back : ndarray, (n,)
        How far short of its longest point each of the blade's columns ends, from its left margin
        to its right one, in widths of the blade there; 0 somewhere.
    dry_mm : float
        Width of the dried margin; 0 on a fresh tear.
    """

    back: np.ndarray
    dry_mm: float


def tear_of(leaf: Leaf, columns: int) -> Tear:
    """Give a torn blade's end, the same every time: its own dice leave the rest as it was."""
    rng = np.random.default_rng([leaf.rank, int(1e3 * leaf.length_mm), int(1e6 * leaf.torn_at)])
    dry_mm = float(np.exp(rng.uniform(*np.log(DRY_MM)))) if rng.random() < DRIED else 0.0
    u = np.linspace(-1.0, 1.0, columns)
    # A blade tears along its veins: aslant, with one half of it longer, or in strips.
    slant, half = rng.normal(0.0, 0.6) * u, rng.normal(0.0, 0.7) * (u > rng.normal(0.0, 0.3))
    strips = rng.normal(0.0, 0.5, columns)
    back = slant + half + strips
    back = back - back.min()
    return Tear(back * rng.uniform(*RAGGED) / max(float(back.max()), 1e-9), dry_mm)


def coleoptile_mm(rng: np.random.Generator, stage_v: int, first_exit_mm: float) -> float:
    """How far the coleoptile stands over the soil; leaf 1 grows out of it, so its collar clears it.

    It is a dry rag soon after, and gone by V4. Now and then it's as tall as that collar and hides
    part of it.
    """
    left = COLEOPTILE_LEFT[stage_v] if stage_v < len(COLEOPTILE_LEFT) else 0.0
    if rng.random() >= left:
        return 0.0
    share = float(rng.uniform(0.1, 0.75) if rng.random() < 0.95 else rng.uniform(0.75, 1.1))
    return share * first_exit_mm


def weathered(
    rng: np.random.Generator, leaves: list[Leaf], stage_v: int, lost: int, lower_status: str
) -> list[Leaf]:
    """Lose, wither or tear lower leaves.

    Leaf 1 is normally lost by V5-V6 (Mississippi State Univ. Extension 2024).
    """
    out = []
    for leaf in leaves:
        if leaf.rank <= lost:
            leaf = replace(leaf, status="gone")
        elif leaf.rank == lost + 1 and lower_status != "ok" and leaf.rank <= stage_v:
            left = 1.0
            if lower_status == "torn":
                left = float(rng.uniform(*(STUB_LEFT if rng.random() < STUBS else TORN_LEFT)))
            droop = leaf.droop_rad + (1.1 if lower_status == "withered" else 0.0)
            leaf = replace(leaf, status=lower_status, torn_at=left, droop_rad=min(droop, 3.0))
        elif leaf.rank <= stage_v and rng.random() < 0.015:
            leaf = replace(leaf, status="torn", torn_at=float(rng.uniform(0.4, 0.85)))
        out.append(leaf)
    return out


def first_leaf_truth(plant: Plant) -> dict[str, object]:
    """Whether leaf 1 is still on the plant, with its status, as truth lines have it."""
    leaf = plant.leaves[0]
    present = leaf.status != "gone"
    return {
        "present": present,
        "rounded": present and leaf.status != "torn",
        "status": leaf.status,
        "collared": leaf.collared,
    }
