"""A plant as it grew, before wind bends it or a board takes it: its leaves, and the whole."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Leaf:
    """One leaf of a plant. Angles from the stalk's upward direction, in radians."""

    rank: int
    collared: bool
    emerged: float  # share of the blade that is out of the whorl
    length_mm: float  # full blade length
    width_mm: float
    exit_height_mm: float  # where the blade leaves the stalk: its collar, or the whorl's rim
    stalk_radius_mm: float  # of the stalk at that height
    azimuth_rad: float
    insertion_rad: float
    droop_rad: float  # angle that the blade's end reaches
    bend_power: float
    twist_rad: float
    drift_rad: float  # change of azimuth along the blade
    fold_rad: float
    ripple_mm: float
    base_width: float  # share of the largest width at the blade's base
    widest_at: float
    taper_power: float
    clasp: float  # width of a collared blade's base over the stalk's radius there
    tube: float  # share of a whorl leaf's visible blade over which it turns away from the stalk
    furl: float = 1.0  # share of the usual way over which a whorl leaf unrolls to a shallow V
    status: str = "ok"  # ok, withered, torn, gone
    torn_at: float = 1.0  # share of the visible blade that is left

    @property
    def rounded(self) -> bool:
        """Only the first true leaf has a rounded tip."""
        return self.rank == 1

    @property
    def visible_length_mm(self) -> float:
        """Length of blade out of the whorl, tip included."""
        return self.length_mm * self.emerged


@dataclass(frozen=True)
class Plant:
    """A whole plant, before it's bent by wind or laid on a board."""

    stage_v: int
    final_leaves: int
    leaves: tuple[Leaf, ...]  # bottom up; lost ones are there with status "gone"
    base_radius_mm: float
    flatness: float  # stalk width in the leaf plane over width across it
    lean_rad: tuple[float, float]  # in the leaf plane, and towards the camera
    curve_per_mm: float
    coleoptile_mm: float
    hard_case: str  # none, just_cleared, about_to_clear
    tillers: int
    colour_seed: int
    leaf_plane_rad: float = 0.0

    @property
    def lost(self) -> int:
        """Lower leaves of which nothing is left."""
        return sum(leaf.status == "gone" for leaf in self.leaves)
