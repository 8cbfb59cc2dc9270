"""How a young maize plant is built: leaf ranks, sizes, collar heights, what has emerged.

Everything here is botany in millimetres and radians, without meshes or pictures. Published
values are named beside the code that uses them; ranges marked [M] are from memory and are
varied widely for that reason.
"""

from __future__ import annotations

import math

import numpy as np

from .habit import draw_habit
from .plantparts import Leaf, Plant
from .wear import coleoptile_mm, weathered

MAX_COLLARS = 10
"""Highest stage grown (V10)."""

# First leaf: blade about 50 mm, rounded tip, collar below 20 mm over the soil
# (Ledent & Mouraux 1990, 10.1051/agro:19900208); 1.5-1.75 in long (Mississippi State Univ.
# Extension 2024). Width about 13 mm [M].
FIRST_LEAF_LENGTH_MM = (32.0, 60.0)
FIRST_LEAF_WIDTH_MM = (5.0, 19.0)
FIRST_LEAF_ASTRAY = 0.15  # share of first leaves that grow out of the plane of the others [M]
STALK_GIRTH = (0.5, 1.25)  # of a middling stalk of the stage: dense stands have thin ones [M]
CLEAR_GAP_MM = (3.0, 9.0)  # of a top collar that has just cleared over the one below [M]
TIGHT_GAP_MM = (2.0, 5.0)  # every other one: opposite blades, and one band that shows [M]
LOW_RANK_SHARE = {2: (0.72, 1.06), 3: (0.86, 1.06)}  # of the published length [M]

# Height of the collar of each rank over the soil on a plant that has outgrown it, mm: low, high.
# About the published ones, and wider: leaf 1 below 20, leaf 5 above 100, leaf 6 200-300 (Ledent &
# Mouraux 1990). The ranks between are interpolated, those above extrapolated [M].
COLLAR_HEIGHT_MM = {
    1: (12.0, 30.0),
    2: (32.0, 62.0),
    3: (52.0, 100.0),
    4: (78.0, 150.0),
    5: (108.0, 210.0),
    6: (160.0, 290.0),
    7: (210.0, 370.0),
    8: (265.0, 460.0),
    9: (330.0, 570.0),
    10: (420.0, 690.0),
}


def blade_length_mm(rank: int, final_leaves: int, longest_mm: float = 900.0) -> float:
    """Length of the full-grown blade of one rank.

    Parameters
    ----------
    rank : int
        Leaf number from the bottom, the rounded first leaf being 1.
    final_leaves : int
        Number of leaves the plant will have (16-22, CIMMYT).
    longest_mm : float
        Length of the plant's longest blade, mm.

    Returns
    -------
    float
        Length in mm.

    Notes
    -----
    Fournier & Andrieu 1998, Ann. Bot., p. 242: ``Lmax exp[a/2 (n/nm - 1)^2 + b/2 (n/nm - 1)^3]``
    with nm = 5.93 + 0.33 N, a = -10.61 + 0.25 N, b = -5.99 + 0.27 N. It overstates leaf 1
    about twofold; :func:`grow` takes leaf 1 from its own published range.
    """
    longest_rank = 5.93 + 0.33 * final_leaves
    a = -10.61 + 0.25 * final_leaves
    b = -5.99 + 0.27 * final_leaves
    x = rank / longest_rank - 1.0
    return longest_mm * math.exp(a / 2 * x**2 + b / 2 * x**3)


def blade_area_mm2(rank: int, largest_cm2: float = 750.0, largest_rank: float = 12.0) -> float:
    """Area of the full-grown blade of one rank.

    Parameters
    ----------
    rank : int
        Leaf number from the bottom.
    largest_cm2, largest_rank : float
        Area of the plant's largest blade in cm2, and its rank.

    Returns
    -------
    float
        Area in mm2 (Muchow & Carberry; Muchow 1990).
    """
    x = rank - largest_rank
    return 100.0 * largest_cm2 * math.exp(-0.0344 * x**2 + 0.000731 * x**3)


def blade_width_mm(rank: int, length_mm: float, final_leaves: int = 18) -> float:
    """Largest width of a blade: area / (0.75 length) up to rank 5, 0.106 length above.

    Parameters
    ----------
    rank : int
        Leaf number from the bottom.
    length_mm : float
        Length of this blade; up to rank 5 its width stands to it as in a full-grown blade.
    final_leaves : int
        Number of leaves the plant will have.

    Returns
    -------
    float
        Width in mm (Fournier & Andrieu 1998 for both relations).
    """
    if rank <= 5:
        full = blade_length_mm(rank, final_leaves)
        return blade_area_mm2(rank) / (0.75 * full) * length_mm / full
    return 0.106 * length_mm


def emerged_fractions(progress: float, step: float, collars: int) -> list[float]:
    """Share out of the whorl of the leaves above the top collar, lowest first.

    ``progress`` runs from 0 (the top collar has just appeared) to 1 (the next is about to);
    each further leaf is behind by ``step``. With a step near 0.35 a three-collar plant
    shows five to six tips and a four-collar plant six to seven, as published (Ohio State Univ.
    AGF-127; ARVALIS glossary: V4 with 7 visible tips).
    """
    first = (0.60 if collars else 0.35) + (0.40 if collars else 0.60) * progress
    fractions = []
    behind = 0.0
    while first - behind > 0.04:
        fractions.append(min(1.0, first - behind))
        behind += step
    return fractions


def _collar_heights_mm(rng: np.random.Generator, collars: int, progress: float) -> list[float]:
    """Collar heights of ranks 1..collars; the top one is still close to the one below."""
    tallness = rng.beta(1.5, 1.9)
    heights = []
    for rank in range(1, collars + 1):
        low, high = COLLAR_HEIGHT_MM[rank]
        heights.append(low + (high - low) * float(np.clip(tallness + rng.normal(0, 0.09), 0, 1)))
    # A young plant's collars still sit lower than they will (sheaths go on lengthening).
    for rank in range(1, collars + 1):
        age = collars - rank + progress
        below = heights[rank - 2] if rank > 1 else 0.0
        grown = 1.0 - 0.62 * math.exp(-1.6 * age)
        gap = max(heights[rank - 1] - below, 10.0 + 2.0 * rank)
        heights[rank - 1] = below + gap * grown
    return heights


def grow(
    rng: np.random.Generator,
    stage_v: int,
    *,
    hard_case: str = "none",
    laid: bool = False,
    lost: int = 0,
    lower_status: str = "ok",
) -> Plant:
    """Grow one plant.

    Parameters
    ----------
    rng : numpy.random.Generator
        Every random choice comes from it, so that a seed is a plant.
    stage_v : int
        Collars the plant has, lost leaves counted; 0 is VE.
    hard_case : {"none", "just_cleared", "about_to_clear"}
        Top collar only millimetres over the one below; or the next leaf out of the whorl
        with its collar still hidden (it doesn't count).
    laid : bool
        Grown to be laid on a board: leaves hang less.
    lost : int
        Lower leaves of which nothing is left.
    lower_status : {"ok", "withered", "torn"}
        State of the lowest leaf that is left.

    Raises
    ------
    ValueError
        When ``stage_v`` is outside 0..`MAX_COLLARS`.
    """
    if not 0 <= stage_v <= MAX_COLLARS:
        raise ValueError(f"stage_v must be 0..{MAX_COLLARS}, got {stage_v}")
    final_leaves = int(rng.integers(16, 23))  # CIMMYT
    # Wider than a field's spread: a leaf's size must not stand for its rank [M].
    vigour = float(math.exp(rng.uniform(math.log(0.64), math.log(1.42))))
    progress = float(rng.uniform(0.0, 0.95))
    if hard_case == "just_cleared":
        progress = float(rng.uniform(0.0, 0.15))
    elif hard_case == "about_to_clear":
        progress = float(rng.uniform(0.93, 1.0))
    stretch = float(np.clip(math.exp(rng.normal(0, 0.10)), 0.78, 1.28))
    heights = [stretch * height for height in _collar_heights_mm(rng, stage_v, progress)]
    # Soil washed from or thrown against the stalk: nobody sees from which height it grew.
    settled = float(np.clip(rng.normal(0.0, 3.5), -9.0, 9.0))
    heights = [max(height + settled, 4.0 + 3.0 * index) for index, height in enumerate(heights)]
    if hard_case == "just_cleared" and stage_v >= 2:
        gap = rng.uniform(*(TIGHT_GAP_MM if rng.random() < 0.5 else CLEAR_GAP_MM))
        heights[-1] = heights[-2] + gap * (1 + 0.05 * stage_v)
    fractions = emerged_fractions(progress, float(rng.uniform(0.26, 0.41)), stage_v)
    if stage_v == 0:
        fractions = fractions[: int(rng.integers(1, 4))]

    base_radius = (1.5 + 0.95 * stage_v + 0.045 * stage_v**2) * vigour
    base_radius *= rng.uniform(*STALK_GIRTH)
    top_radius = base_radius * (0.82 if stage_v < 4 else rng.uniform(0.55, 0.8))
    side = 0.0 if rng.random() < 0.5 else math.pi
    spread = math.radians(rng.uniform(6.0, 24.0))  # azimuth spread 10-20 degrees [M]
    habit = draw_habit(rng)
    width_factor = rng.uniform(0.55, 1.12)
    top_z = heights[-1] if heights else rng.uniform(6.0, 26.0)

    leaves = []
    for index in range(stage_v + len(fractions)):
        rank = index + 1
        collared = rank <= stage_v
        if rank == 1:
            length = rng.uniform(*FIRST_LEAF_LENGTH_MM)
            width = rng.uniform(*FIRST_LEAF_WIDTH_MM)
        else:
            # As published or shorter: the formula reads high for low ranks.
            shrink = rng.uniform(*LOW_RANK_SHARE.get(rank, (1.0, 1.0)))
            length = blade_length_mm(rank, final_leaves) * shrink * vigour * rng.uniform(0.86, 1.14)
            length *= math.exp(habit.length_trend * (rank - 5))
            width = blade_width_mm(rank, length, final_leaves) * width_factor
            width = max(width, 8.0 * vigour) * rng.uniform(0.88, 1.12)
        age = stage_v - rank + progress
        if collared:
            exit_z = heights[index]
            share = np.clip(exit_z / max(heights[-1], 1.0), 0.0, 1.0)
            radius = base_radius + (top_radius - base_radius) * share
            carried = habit.collared_insertion + habit.insertion_a_leaf * min(age, 5)
            insertion = math.radians(np.clip(rng.normal(carried, 7), 5, 80))
            reach = 74 + 58 * habit.laxness + 9 * min(age, 5) + rng.normal(0, 16)
            reach += habit.collared_reach
            if rank == 1:
                reach = rng.normal(75, 22)
            droop = math.radians(np.clip(reach, 25, 172))
        else:
            depth = rank - stage_v
            emerged = fractions[rank - stage_v - 1]
            exit_z = top_z - rng.uniform(2.0, 14.0) * min(1.0, top_z / 60.0) - 1.5 * depth
            radius = top_radius * (0.93 - 0.17 * depth)
            radius = max(radius, 0.9)
            opened = rng.normal(4 + habit.whorl_opening * emerged**2, 5)
            insertion = math.radians(np.clip(opened, 0.5, 60))
            # The leaf next to clear hangs on most plants: the uppermost drooping leaf is one to
            # two above the top collar (Ohio State Univ. AGF-127; Univ. of Nebraska). Short blades
            # of seedlings are stiffer [M].
            limp = 0.70 + 0.30 * min(1.0, emerged * length / 220.0)
            lax = 84 + 72 * habit.laxness + habit.whorl_reach
            reach = 10 + lax * emerged * limp + rng.normal(0, 12)
            if hard_case == "about_to_clear" and depth == 1:
                insertion += math.radians(rng.uniform(2, 12))
            droop = math.radians(np.clip(reach, 3, 165))
        if laid:
            droop *= rng.uniform(0.55, 0.95)
        leaves.append(
            Leaf(
                rank=rank,
                collared=collared,
                emerged=1.0 if collared else float(fractions[rank - stage_v - 1]),
                length_mm=float(length),
                width_mm=float(width),
                exit_height_mm=float(max(exit_z, 2.0)),
                stalk_radius_mm=float(radius),
                azimuth_rad=side + (math.pi if rank % 2 else 0.0) + _astray(rng, rank, spread),
                insertion_rad=float(insertion),
                droop_rad=float(max(droop, insertion)),
                bend_power=float(rng.uniform(1.0, 2.4)),
                twist_rad=float(rng.normal(0, math.radians(22))),
                drift_rad=float(rng.normal(0, math.radians(14))),
                fold_rad=math.radians(float(rng.uniform(4, 32))),
                ripple_mm=float(rng.uniform(0, 0.035) * width if rank > 3 else 0.0),
                base_width=float(rng.uniform(0.42, 0.72) if rank > 1 else rng.uniform(0.38, 0.6)),
                widest_at=float(rng.uniform(0.28, 0.5) if rank > 1 else rng.uniform(0.44, 0.66)),
                taper_power=float(rng.uniform(1.5, 2.3) if rank > 1 else rng.uniform(2.2, 4.2)),
                clasp=float(rng.uniform(2.0, 4.2)),
                tube=habit.whorl_tube * float(rng.uniform(0.7, 1.3)),
                furl=habit.whorl_furl,
            )
        )
    leaves = weathered(rng, leaves, stage_v, lost, lower_status)
    return Plant(
        stage_v=stage_v,
        final_leaves=final_leaves,
        leaves=tuple(leaves),
        base_radius_mm=float(base_radius),
        flatness=float(rng.uniform(1.0, 1.25)),
        lean_rad=(float(rng.normal(0, 0.06)), float(rng.normal(0, 0.04))),
        curve_per_mm=float(rng.normal(0, 0.12)) / max(120.0, top_z * 2),
        coleoptile_mm=coleoptile_mm(rng, stage_v, leaves[0].exit_height_mm),
        hard_case=hard_case,
        tillers=int(rng.integers(1, 3)) if stage_v >= 4 and rng.random() < 0.05 else 0,
        colour_seed=int(rng.integers(2**31)),
    )


def _astray(rng: np.random.Generator, rank: int, spread_rad: float) -> float:
    """How far a leaf's azimuth is from its side of the plant, rad."""
    if rank == 1 and rng.random() < FIRST_LEAF_ASTRAY:
        return float(rng.uniform(-0.5, 0.5)) * math.pi
    return float(rng.normal(0, spread_rad * (1.8 if rank == 1 else 1.0)))
