"""Way up: whether a photo shows its plant upside down or on its side.

A file that lost the note of how its camera was held gives pixels as the sensor lay. The network
knows standing plants upright, and takes any other for laid on the board, with collars and a top
where none are. A card may hang on any side and a laid plant may point anywhere, so that no sign is
believed alone: there are the card, the stalk, and the side that soil lies on.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from collarvision.network import SOIL
from collarvision.parts import Parts

if TYPE_CHECKING:
    from collarvision.card import Scale

AGREE_DEG: Final = 50.0
"""The stalk points within this of the quarter turn nearest to the card's way up. Of own upright
photos none is more than 20 degrees off. Our own choice."""

_BAND: Final = 0.2
_ON_SOIL, _OFF_SOIL = 0.35, 0.1
"""Share of soil in the map's outer band at the plant's foot, from which the plant stands on it, and
in the band across from that, up to which. Our own choice."""


def quarter_turns(parts: Parts, stalk: np.ndarray, scale: Scale | None) -> int:
    """How far a photo is turned clockwise against the scene: 0, 1, 2 or 3 quarters.

    Parameters
    ----------
    parts : Parts
    stalk : ndarray, (n, 2)
        The plant's stalk from the foot up, photo px.
    scale : Scale or None

    Returns
    -------
    int
        0 also where the signs are too few or speak against each other.
    """
    ways = [stalk[-1] - stalk[0]] if len(stalk) > 1 else []
    if scale is not None:
        corners = scale.corners_px
        ways.append(corners[:2].mean(0) - corners[2:].mean(0))
    if not ways:
        return 0
    angles = [float(np.rad2deg(np.arctan2(x, -y))) for x, y in ways]
    turns = round(angles[-1] / 90.0) % 4
    if turns == 0:
        return 0
    off = abs((angles[0] - 90.0 * turns + 180.0) % 360.0 - 180.0)
    stalk_agrees = len(stalk) > 1 and off <= AGREE_DEG
    on_soil = _stands_on_soil(parts, turns)
    # A laid plant may well be taken with the camera on its side, but then no soil lies at its foot.
    # Upside down it is read no better than a standing one, so one sign beside the card will do.
    enough = (stalk_agrees or on_soil) if turns == 2 and scale else (stalk_agrees and on_soil)
    return turns if enough else 0


def _stands_on_soil(parts: Parts, turns: int) -> bool:
    """Whether soil is at the plant's foot and not across from it, in a photo turned so."""
    soil = np.rot90(parts.classes == SOIL, turns)  # anticlockwise: upright again
    band = max(1, round(_BAND * len(soil)))
    return bool(soil[-band:].mean() >= _ON_SOIL and soil[:band].mean() <= _OFF_SOIL)
