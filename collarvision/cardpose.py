"""Card pose: where the camera may stand, from the corners of the markers that were found.

`collarvision.card` goes on from here by the markers' edges.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from collarvision.cardfit import Camera, fit_points
from collarvision.cardmarks import Seen, card_corners_mm, corner_pairs

_MAX_TILT_DEG = 75.0
_CORNER_MISFIT = 0.012  # of a marker's side; the detector's corners are good to half of that


def starting_poses(lens: Camera, found: list[Seen]) -> tuple[list[Camera], Camera, bool]:
    """Give starting poses from the detector's corners: a planar target allows up to two.

    Also gives the lens to go on with. A photo cropped off its middle has another centre than was
    thought: when only that explains the corners, the lens is taken as hardly known, and True.
    """
    mm, px = corner_pairs(found)
    side_px = float(np.mean([one.side_px for one in found]))
    starts = planar_poses(lens, mm, px)
    settled = [fit_points(start, lens, mm, px) for start in starts]
    misfit = min((rms for _, rms in settled), default=np.inf)
    contradicted = False
    if len(found) >= 3 and misfit > _CORNER_MISFIT * side_px:
        loose = replace(lens, log_focal_sigma=0.6, center_sigma=0.4)
        freed = [fit_points(camera, loose, mm, px) for camera, _ in settled]
        if min((rms for _, rms in freed), default=np.inf) < misfit / 3:
            settled, lens, contradicted = freed, loose, True
    return [camera for camera, _ in settled if plausible(camera)], lens, contradicted


def planar_poses(lens: Camera, mm: np.ndarray, px: np.ndarray) -> list[Camera]:
    """Give poses (IPPE, then Levenberg-Marquardt) under the lens as it is; a second only if close.

    Parameters
    ----------
    mm, px : ndarray, (n, 2)
        The same points on the card and in the photo.
    """
    intrinsic = np.array(
        [
            [lens.focal_px, 0, lens.center_px[0]],
            [0, lens.focal_px, lens.center_px[1]],
            [0, 0, 1],
        ]
    )
    centre = mm.mean(axis=0)
    points = np.column_stack([mm - centre, np.zeros(len(mm))])
    try:
        count, turns, shifts, errors = cv2.solvePnPGeneric(
            points, px, intrinsic, None, flags=cv2.SOLVEPNP_IPPE
        )
    except cv2.error:
        return []
    errors = errors.ravel()
    if count == 2 and float(errors[1]) > 4.0 * float(errors[0]) + 0.5:
        count = 1
    poses = []
    for k in range(count):
        turn, shift = cv2.solvePnPRefineLM(points, px, intrinsic, None, turns[k], shifts[k])
        rotation, _ = cv2.Rodrigues(turn)
        translation = shift.ravel() - rotation[:, :2] @ centre
        poses.append(replace(lens, rotation=rotation, translation_mm=translation))
    return poses


def plausible(camera: Camera) -> bool:
    """Say whether the card faces the camera, lies ahead of it, and isn't seen edge-on."""
    corners = camera.project(card_corners_mm())
    if not np.isfinite(corners).all() or camera.translation_mm[2] <= 0:
        return False
    sides = np.roll(corners, -1, axis=0) - corners
    ahead = np.roll(sides, -1, axis=0)
    clockwise = float((sides[:, 0] * ahead[:, 1] - sides[:, 1] * ahead[:, 0]).min()) > 0
    return clockwise and float(camera.rotation[2, 2]) > np.cos(np.radians(_MAX_TILT_DEG))
