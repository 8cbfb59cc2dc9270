"""What a scene is asked to show, and the site that its plant stands or lies on."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from .boardface import BoardFace
from .plantparts import Plant

LIGHTINGS = ("overcast", "shade", "sun", "hazy_sun", "low_sun", "back_light", "indoor")
REASONS = ("ok", "no_plant", "several", "cut_off", "not_maize")
"""What a photo is good for; the words are those of the truth lines."""

WITH_MAIZE = ("ok", "several", "cut_off")
"""Reasons for which a maize plant is in the scene."""


@dataclass(frozen=True)
class Grown:
    """A plant that is there already, to be photographed once more.

    Attributes
    ----------
    plant : Plant
        As it now stands to the camera.
    state : dict
        Of the generator that its surfaces were drawn from: from the same one they are the same.
    """

    plant: Plant
    state: Mapping[str, Any]

    def generator(self) -> np.random.Generator:
        """A generator of its own in that state."""
        bits = np.random.PCG64()
        bits.state = self.state
        return np.random.Generator(bits)


@dataclass(frozen=True)
class Wish:
    """What to make; everything left None is drawn at random.

    Attributes
    ----------
    stage_v : int or None
        Collars of the plant, 0 (VE) to 10.
    layout : {"standing", "laid"} or None
    reason : str
        One of `REASONS`.
    hard_case : {"none", "just_cleared", "about_to_clear"} or None
    lighting : str or None
        One of `LIGHTINGS`.
    board_kind : str or None
        One of `training.plantgen.textures.BOARD_KINDS`.
    card : bool or None
        Whether the scale card is in the scene.
    lost : int or None
        Lower leaves of which nothing is left.
    lower_status : {"ok", "withered", "torn"} or None
        State of the lowest leaf that is left.
    width_px, height_px : int
        Size of the upright photo; one in eight is turned on its side.
    grown : Grown or None
        The plant of another photo, to show again; `stage_v`, `hard_case`, `lost` and
        `lower_status` say nothing then.
    """

    stage_v: int | None = None
    layout: str | None = None
    reason: str = "ok"
    hard_case: str | None = None
    lighting: str | None = None
    board_kind: str | None = None
    card: bool | None = None
    lost: int | None = None
    lower_status: str | None = None
    width_px: int = 960
    height_px: int = 1280
    grown: Grown | None = None


@dataclass(frozen=True)
class Site:
    """Where the plant is, in world mm (x right, y into the board, z up; soil at the origin).

    Attributes
    ----------
    laid : bool
        Laid on a board on the ground; else standing before an upright one.
    face : BoardFace
    low, high : ndarray, (3,)
        Corners of the plant's box.
    lean_rad : float
        Turn of a laid plant on its board, from +z towards +x.
    reach_mm : float
        Half the width of the ground that is modelled.
    """

    laid: bool
    face: BoardFace
    low: np.ndarray
    high: np.ndarray
    lean_rad: float
    reach_mm: float
