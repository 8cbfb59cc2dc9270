"""A phone's camera as a pinhole: where a world point lands in the photo."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)


@dataclass(frozen=True)
class Camera:
    """Pinhole camera; world mm, pixels with centres at integer + 0.5.

    ``axes`` (3, 3): rows are the camera's right, down and forward directions in the world.
    """

    position_mm: np.ndarray
    axes: np.ndarray
    focal_px: float
    width_px: int
    height_px: int

    @property
    def focal_eq_mm(self) -> float:
        """35 mm-equivalent focal length (by the diagonal, CIPA DCG-001, from memory)."""
        return self.focal_px * FULL_FRAME_DIAGONAL_MM / math.hypot(self.width_px, self.height_px)

    def project(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Pixels (N, 2) and depths (N,) in mm along the viewing axis of world points (N, 3)."""
        local = (np.atleast_2d(points) - self.position_mm) @ self.axes.T
        depth = np.maximum(local[:, 2], 1e-3)
        centre = np.array([self.width_px / 2, self.height_px / 2])
        return self.focal_px * local[:, :2] / depth[:, None] + centre, local[:, 2]

    def distance(self, points: np.ndarray) -> np.ndarray:
        """Distance (N,) in mm from the camera to world points."""
        return np.linalg.norm(np.atleast_2d(points) - self.position_mm, axis=1)


def focal_px_of(focal_eq_mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels of a 35 mm-equivalent one."""
    return focal_eq_mm * math.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM


def aim(
    position_mm: np.ndarray, target_mm: np.ndarray, up: np.ndarray, roll_rad: float
) -> np.ndarray:
    """Camera axes (right, down, forward) looking at a target, rolled about the view."""
    forward = target_mm - position_mm
    forward = forward / np.linalg.norm(forward)
    right = np.cross(forward, up)
    right = right / np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = math.cos(roll_rad), math.sin(roll_rad)
    return np.stack([c * right + s * down, -s * right + c * down, forward])
