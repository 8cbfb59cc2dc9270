"""The board's face: a plane that leaves lie against and never pass through.

World: mm, x right, y into the board, z up.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .mesh import turn_about

BoardFrame = Callable[[np.ndarray, np.ndarray, float], np.ndarray]
"""From board coordinates x, z (N,) and a distance off the face, mm, to world points (N, 3)."""

CLEAR_MM, NEAREST_MM = 2.8, 1.5
"""What comes nearer to the face than the first is pressed against it, and nothing comes nearer than
the second: the card is not as thick."""

PRESS_MM = 40.0
"""A leaf that would reach this far behind the face is pressed by three quarters of the way."""

MOST_LEAN = 0.6
"""A board may lean over the plant until, at the plant's top, this share of its distance is gone."""


@dataclass(frozen=True)
class BoardFace:
    """A face at `board_y_mm` behind the stalk where z is 0, turned by `turn` (3, 3)."""

    board_y_mm: float
    turn: np.ndarray

    def frame(self, pivot: np.ndarray) -> BoardFrame:
        """Give the board's own coordinates; `pivot` (3,), on the face, has its middle x and z."""

        def to_world(x: np.ndarray, z: np.ndarray, off_mm: float) -> np.ndarray:
            flat = np.stack([x - pivot[0], np.full_like(x, -off_mm), z - pivot[2]], -1)
            world: np.ndarray = flat @ self.turn.T + pivot
            return world

        return to_world

    def before_mm(self, points: np.ndarray) -> np.ndarray:
        """Distance (N,) of world points (N, 3) before the face; negative behind it."""
        distance: np.ndarray = (points - [0.0, self.board_y_mm, 0.0]) @ self._normal
        return distance

    def held_off(self, points: np.ndarray) -> np.ndarray:
        """World points (N, 3), those that reach the face pressed against it instead."""
        over = CLEAR_MM - self.before_mm(points)
        pressed = CLEAR_MM - (CLEAR_MM - NEAREST_MM) * np.tanh(over / PRESS_MM)
        push = np.where(over > 0, pressed - (CLEAR_MM - over), 0.0)
        moved: np.ndarray = points + push[:, None] * self._normal
        return moved

    def y_at(self, z_mm: float) -> float:
        """Give the face's y, mm, at a height."""
        return self.board_y_mm - z_mm * float(self._normal[2] / self._normal[1])

    @property
    def _normal(self) -> np.ndarray:
        normal: np.ndarray = self.turn @ np.array([0.0, -1.0, 0.0])
        return normal


def draw_face(
    rng: np.random.Generator, *, laid: bool, board_y_mm: float, lean_rad: float, top_mm: float
) -> BoardFace:
    """Draw how a board stands behind a plant `top_mm` high, or lies under a laid one."""
    if laid:
        roll = rng.normal(0, 0.15) + (lean_rad if rng.random() < 0.4 else 0)
        return BoardFace(board_y_mm, turn_about("y", float(roll)))
    tilt = min(rng.normal(0, 0.03), math.atan(MOST_LEAN * board_y_mm / top_mm))
    # Turned within its own plane first, so that the plane doesn't depend on the pivot.
    turn = turn_about("x", float(tilt)) @ turn_about("y", float(rng.normal(0, 0.025)))
    return BoardFace(board_y_mm, turn)
