"""Measuring: a height that follows the soil and arch handles as they are moved.

The reading knows more of how the plant stands than its record holds (`collarvision.parallax`). So
the handles are measured on the card's plane, and the result is scaled by what the reading had made
of its own two points there: where they aren't moved the height is the reading's own. The card's
plane is in true mm: of a card that was printed smaller or larger, by the check bar's measured
length.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from collarvision.cardfit import CARD_MM
from collarvision.survey.asread import READ_WITH

_WIDTH_MM, _HEIGHT_MM = CARD_MM
_CORNERS_MM: Final = ((0.0, 0.0), (_WIDTH_MM, 0.0), (_WIDTH_MM, _HEIGHT_MM), (0.0, _HEIGHT_MM))
_PRINTED_MM: Final = 100.0  # the check bar's length on a card of true size
_PLAUSIBLE_SCALING: Final = (0.6, 1.2)  # parallax alone takes a few per cent; our own choice
_CROOKED_RAD: Final = math.radians(20.0)  # as `collarvision.parallax`: a card may hang on any side


@dataclass(frozen=True)
class Yardstick:
    """All that a height needs but its two points.

    Attributes
    ----------
    board_from_px : tuple of 9 floats
        Homography from photo px to true mm in the card's plane, by rows.
    up : (x, y)
        Unit vector on the board along which the height is taken.
    scaling : float
        From the board's mm to the plant's.
    low, high : float
        The interval's ends as parts of the height; both 1 where the reading had none.
    """

    board_from_px: tuple[float, ...]
    up: tuple[float, float]
    scaling: float
    low: float
    high: float

    def height_mm(self, soil: tuple[float, float], arch: tuple[float, float]) -> float | None:
        """Height of the arch over the soil, mm; None where it isn't above it."""
        foot, top = self._on_board(soil), self._on_board(arch)
        rise = (top[0] - foot[0]) * self.up[0] + (top[1] - foot[1]) * self.up[1]
        height = self.scaling * rise
        return height if math.isfinite(height) and height > 0 else None

    def mm_per_px_at(self, x: float, y: float) -> float:
        """Mm on the board per photo px at (x, y), mean of all directions."""
        h = np.reshape(self.board_from_px, (3, 3))
        # The area that a homography makes of a px is det(H) / w^3.
        return math.sqrt(abs(float(np.linalg.det(h)) / float(h[2] @ (x, y, 1.0)) ** 3))

    def printed(self, factor: float) -> Yardstick:
        """The ruler of a card that was printed so many times as large."""
        h = self.board_from_px
        return replace(self, board_from_px=(*(factor * v for v in h[:6]), *h[6:]))

    def _on_board(self, point: tuple[float, float]) -> tuple[float, float]:
        h = self.board_from_px
        x, y = point
        w = h[6] * x + h[7] * y + h[8]
        return (h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w


def yardstick(record: Mapping[str, Any]) -> Yardstick | None:
    """Make one from a reading's record; None without a scale card."""
    card = record.get("card")
    if not card or len(card.get("corners") or ()) != len(_CORNERS_MM):
        return None
    homography = _homography(card["corners"])
    if homography is None:
        return None
    soil, arch = record.get("soil_line"), record.get("arch")
    ruler = Yardstick(tuple(float(v) for v in homography.ravel()), (0.0, -1.0), 1.0, 1.0, 1.0)
    ruler = replace(ruler.printed(_print_factor(record, ruler)), up=_up(record, ruler))
    height, interval = record.get("height_mm"), record.get("height_interval_mm")
    plain = ruler.height_mm(tuple(soil), tuple(arch)) if soil and arch else None
    if not height or not plain:
        return ruler
    scaling = height / plain
    if not _PLAUSIBLE_SCALING[0] <= scaling <= _PLAUSIBLE_SCALING[1]:
        return ruler
    low, high = (end / height for end in interval) if interval else (1.0, 1.0)
    return replace(ruler, scaling=scaling, low=low, high=high)


def _print_factor(record: Mapping[str, Any], ruler: Yardstick) -> float:
    """How many times as large as it should be the card was printed, as the reading was told."""
    asked = (record.get(READ_WITH) or {}).get("check_bar_mm")
    if asked:
        return float(asked) / _PRINTED_MM
    # Nobody noted it: the reading's own scale at the foot has it in it.
    soil, mm_per_px = record.get("soil_line"), record.get("mm_per_px")
    return float(mm_per_px) / ruler.mm_per_px_at(*soil) if soil and mm_per_px else 1.0


def _homography(corners: Sequence[Sequence[float]]) -> np.ndarray | None:
    """3 x 3 from four px corners to the card's mm, by the eight linear equations; None if flat."""
    rows, targets = [], []
    for (x, y), (u, v) in zip(corners, _CORNERS_MM, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        targets += [u, v]
    try:
        found = np.linalg.solve(np.array(rows, dtype=float), np.array(targets))
    except np.linalg.LinAlgError:
        return None
    return np.append(found, 1.0).reshape(3, 3)


def _up(record: Mapping[str, Any], ruler: Yardstick) -> tuple[float, float]:
    """Direction on the board along which the plant is measured."""
    soil = record.get("soil_line")
    width, height = record.get("photo_size") or (0, 0)
    at = tuple(soil) if soil else (width / 2, height / 2)
    collars = record.get("collars") or ()
    if record.get("layout") == "laid" and soil and collars:
        # A laid plant is measured along its stalk.
        return _direction(ruler, at, (collars[-1]["x"], collars[-1]["y"]))
    # Camera and card each are a few degrees off the vertical; their middle is off by less.
    plumb = _direction(ruler, at, (at[0], at[1] - max(height / 10, 10.0)))
    angle = math.atan2(plumb[0], -plumb[1])
    side = round(angle / (math.pi / 2)) * math.pi / 2
    if abs(angle - side) < _CROOKED_RAD:
        angle = (angle + side) / 2
    return math.sin(angle), -math.cos(angle)


def _direction(
    ruler: Yardstick, start: tuple[float, float], end: tuple[float, float]
) -> tuple[float, float]:
    (x0, y0), (x1, y1) = ruler._on_board(start), ruler._on_board(end)
    length = math.hypot(x1 - x0, y1 - y0)
    return ((x1 - x0) / length, (y1 - y0) / length) if length > 0 else (0.0, -1.0)
