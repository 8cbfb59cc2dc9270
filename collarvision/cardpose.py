"""Card pose: where the camera may stand, from the corners of the markers that were found.

`collarvision.card` goes on from here by the markers' edges. Whether these bear out the lens that
was noted is asked here too: a photo that was cropped keeps the note, though it shows less than the
lens did, and its middle isn't the camera's.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from collarvision.cardfit import CARD_MM, Camera, Fit, fit_card, fit_points
from collarvision.cardmarks import Seen, card_corners_mm, corner_pairs
from collarvision.photo import Photo

_MAX_TILT_DEG = 75.0
_CORNER_MISFIT = 0.012  # of a marker's side; the detector's corners are good to half of that

# Blur and an unknown tone curve displace the edges of a marker together, which their scatter does
# not show, and a lone marker has no other to tell. Read off drawn cards, shaken and out of focus.
_TOGETHER_PX = 0.1
_TOGETHER_EDGES = 4.0  # so many edges err as one, where two poses are compared
_LEAST_RIVAL = 0.02  # so likely the other pose always is

_SHAPES = (4 / 3, 3 / 2, 16 / 9, 1.0, 5 / 4)
_SHAPE_TOLERANCE = 0.01  # sensors' sides are rounded to whole blocks of px

# Cropping to a half in each direction doubles the focal length (0.7 in logarithms) and moves the
# middle by up to a quarter of a side, of which a focal length is about 0.9: these are half of that.
_CROPPED_LOG_FOCAL_SIGMA = 0.4
_CROPPED_CENTER_SIGMA = 0.25
_ROUNDS = 4
_CROPPED_ROUNDS = 8  # its start, the fit of the whole photo's lens, can be a fifth off
_LOG_FOCAL_TOLD = 0.1  # a focal length known so well from the card alone is checked by it
_TRIM_CENTER = 0.1  # focal lengths
_TRIM_LOG_FOCAL = 0.2

_FEET_MM = np.array([[-40.0, 230.0], [190.0, 230.0], [-40.0, 270.0], [190.0, 270.0]])
"""Where plants' feet are seen: beside the card and a little under it, on own photos."""


def camera_shaped(width: float, height: float) -> bool:
    """Say whether a picture's sides have a proportion that cameras give; a free crop's hasn't."""
    ratio = max(width, height) / min(width, height)
    return any(abs(ratio / shape - 1.0) < _SHAPE_TOLERANCE for shape in _SHAPES)


def looks_cropped(photo: Photo) -> bool:
    """Say whether a photo isn't as the camera took it, by its notes or its sides."""
    return photo.resized or not camera_shaped(*photo.size)


def cropped_lens(lens: Camera) -> Camera:
    """Give the lens as it is known if the photo may have been cropped anyhow."""
    return replace(
        lens, log_focal_sigma=_CROPPED_LOG_FOCAL_SIGMA, center_sigma=_CROPPED_CENTER_SIGMA
    )


def fit_as_cropped(
    rgb: np.ndarray, fit: Fit, lens: Camera, markers: tuple[int, ...], *, near: float = 0.0
) -> Fit | None:
    """Fit again as if the photo were cropped, from the fit that takes it as whole.

    The first round already tells how far the two disagree: where that is less than `near` (see
    `foot_spread`) it is the last, as whole photos are to cost no more than that.
    """
    loose = cropped_lens(lens)
    first = fit_card(rgb, fit.camera, loose, markers, rounds=1)
    if first is None or foot_spread(fit.camera, first.camera) < near:
        return first
    freed = fit_card(rgb, first.camera, loose, markers, rounds=_CROPPED_ROUNDS)
    return None if freed is None else error_anew(rgb, freed, loose, markers)


def error_anew(rgb: np.ndarray, fit: Fit, lens: Camera, markers: tuple[int, ...]) -> Fit:
    """Give a fit the covariance where it ended: its own is that of the step before.

    Under a lens hardly known the last step can be long though hardly an edge moves. What the edges
    leave open points elsewhere then, and lengths would seem to be ten times as unsure.
    """
    last = fit_card(rgb, fit.camera, lens, markers, rounds=1)
    return fit if last is None else replace(last, camera=fit.camera)


def rounds_for(lens: Camera) -> int:
    """Times that edges are located anew: the less is known of the lens, the longer is the way."""
    return _CROPPED_ROUNDS if lens.center_sigma >= _CROPPED_CENTER_SIGMA else _ROUNDS


def no_mere_trim(camera: Camera, lens: Camera) -> bool:
    """Say whether a camera's middle or focal length is far from what was known of its lens."""
    away = np.subtract(camera.center_px, lens.center_px) / lens.focal_px
    longer = abs(float(np.log(camera.focal_px / lens.focal_px)))
    return float(np.hypot(*away)) > _TRIM_CENTER or longer > _TRIM_LOG_FOCAL


def bears_out(fit: Fit, lens: Camera) -> bool:
    """Say whether a fit that hardly knew the focal length found it, and found the noted one."""
    sigma = float(np.sqrt(fit.covariance[6, 6]))
    away = abs(float(np.log(fit.camera.focal_px / lens.focal_px)))
    return sigma < _LOG_FOCAL_TOLD and away < 2.0 * float(np.hypot(sigma, lens.log_focal_sigma))


def foot_spread(camera: Camera, other: Camera) -> float:
    """Root-mean-square log ratio of two cameras' scales where plants' feet are seen."""
    places = camera.project(_FEET_MM)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratios = np.log(_mm_per_px(camera, places) / _mm_per_px(other, places))
    seen = ratios[np.isfinite(ratios)]
    # A foot past a camera's horizon has no scale.
    return float(np.sqrt(np.mean(seen**2))) if seen.size else 0.0


def _mm_per_px(camera: Camera, places: np.ndarray) -> np.ndarray:
    h = np.linalg.inv(camera.px_from_mm())
    w = places @ h[2, :2] + h[2, 2]
    return np.asarray(np.sqrt(abs(np.linalg.det(h) / w**3)))


def starting_poses(
    lens: Camera, found: list[Seen], *, cropped: bool = False
) -> tuple[list[Camera], Camera, bool]:
    """Give starting poses from the detector's corners: a planar target allows up to two.

    Also gives the lens to go on with. A photo cropped off its middle has another centre than was
    thought: where the photo looks `cropped` the lens is taken as hardly known; and where only that
    explains the corners, also with True.
    """
    mm, px = corner_pairs(found)
    side_px = float(np.mean([one.side_px for one in found]))
    starts = planar_poses(lens, mm, px)
    settled = [fit_points(start, lens, mm, px) for start in starts]
    misfit = min((rms for _, rms in settled), default=np.inf)
    contradicted = False
    told = len(found) >= 3 and misfit > _CORNER_MISFIT * side_px
    if told or cropped:
        loose = replace(lens, log_focal_sigma=0.6, center_sigma=0.4) if told else cropped_lens(lens)
        freed = [fit_points(camera, loose, mm, px) for camera, _ in settled]
        contradicted = told and min((rms for _, rms in freed), default=np.inf) < misfit / 3
        if contradicted or cropped:
            settled, lens = freed, loose
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


# --------------------------------------------------------------------------- its error


def scale_error(fit: Fit, rival: Fit | None, *, lone: bool) -> float:
    """1-sigma relative error of an upright length on and beside the card, from the fit alone."""
    bars_px = fit.camera.project(_bars_mm())
    lengths = _bar_lengths(fit.camera, bars_px)
    columns = []
    for k in range(9):
        step = np.zeros(9)
        step[k] = 1e-5
        ahead = _bar_lengths(fit.camera.moved(step), bars_px)
        behind = _bar_lengths(fit.camera.moved(-step), bars_px)
        columns.append((ahead - behind) / 2e-5)
    jacobian = np.stack(columns, axis=1) / lengths[:, None]
    edge_variance = _edge_variance(fit, lone)
    widened = fit.covariance * (edge_variance / fit.edge_sigma_px**2)
    variance = float(np.einsum("bi,ij,bj->b", jacobian, widened, jacobian).mean())
    if rival is not None:
        # Two poses explain the card: weigh the other by its likelihood and add the disagreement.
        excess = (rival.misfit_px2 - fit.misfit_px2) / misfit_unit_px2(fit, lone)
        chance = max(1.0 / (1.0 + np.exp(min(0.5 * excess, 60.0))), _LEAST_RIVAL)
        away = _bar_lengths(rival.camera, bars_px) / lengths - 1.0
        variance += chance * (1.0 - chance) * float((away**2).mean())
    return float(np.sqrt(variance))


def misfit_unit_px2(fit: Fit, lone: bool) -> float:
    """Squared sigma by which the misfits of two fits to the same edges are compared."""
    return _edge_variance(fit, lone) * _TOGETHER_EDGES


def _edge_variance(fit: Fit, lone: bool) -> float:
    return fit.edge_sigma_px**2 + (_TOGETHER_PX**2 if lone else 0.0)


def _bars_mm() -> np.ndarray:
    """(6, 2) ends of three upright bars: a card's half-width left, on, and right of the card."""
    width, height = CARD_MM
    ends = [(x, y) for x in (-0.5 * width, 0.5 * width, 1.5 * width) for y in (30.0, height - 30.0)]
    return np.array(ends)


def _bar_lengths(camera: Camera, bars_px: np.ndarray) -> np.ndarray:
    mapped = (
        np.column_stack([bars_px, np.ones(len(bars_px))]) @ np.linalg.inv(camera.px_from_mm()).T
    )
    ends = (mapped[:, :2] / mapped[:, 2:]).reshape(-1, 2, 2)
    return np.asarray(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1))
