"""Card fit: the camera that explains every black-white edge of the card's markers.

Corners alone throw most of a marker away, and under blur they wander. Here each module edge of the
known patterns is located across its own profile, in linear light, and one small least-squares
problem finds the pose, the focal length, the principal point and how far white has bled into
black. Its covariance is what the card room knows about the error of the scale.

Photo px have their centres at integers + 0.5; the card's axes are x right, y down, z into the
board, origin at its top-left corner, mm.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np

CARD_MM = (148.0, 210.0)
MARKER_MM = 36.0
MODULES = 6
"""Modules across a marker: 4 x 4 bits and a black border of one module."""

MARKER_TOP_LEFT_MM = {0: (8.0, 8.0), 1: (104.0, 8.0), 2: (104.0, 166.0), 3: (8.0, 166.0)}

MODULE_MM = MARKER_MM / MODULES
_ALONG = np.array([-0.33, -0.11, 0.11, 0.33])  # samples along a module edge, in modules
_ACROSS = np.linspace(-1.0, 1.0, 17)  # samples across it, in half-widths
_MAX_HALF_PX = 8.0
_INNER_EDGES_FROM_PX = 6.0  # smaller modules bleed into each other
_BLEED_SIGMA_PX = 0.25
_SIGMA_FLOOR_PX = 0.02
_SETTLED_PX = 0.02
_FORECAST_PX = 0.5
_CORNER_SIGMA_PX = 0.5
_LEAST_EDGES = 12
_DIVERGED = 5.0  # radians, distances, focal lengths, or their logarithm, in one step
_LINEAR = np.where(
    np.arange(256) <= 0.04045 * 255,
    np.arange(256) / 255 / 12.92,
    ((np.arange(256) / 255 + 0.055) / 1.055) ** 2.4,
).astype(np.float32)  # IEC 61966-2-1 (sRGB)
_LUMA = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True)
class Camera:
    """A pinhole camera looking at the card.

    `log_focal_sigma` and `center_sigma` (in focal lengths) are how well the focal length and the
    principal point were known before the card was seen; phones' lie within 1-2 % of the middle.
    """

    rotation: np.ndarray
    translation_mm: np.ndarray
    focal_px: float
    center_px: tuple[float, float]
    log_focal_sigma: float
    center_sigma: float = 0.015

    def project(self, card_mm: np.ndarray) -> np.ndarray:
        """Photo px (n, 2) of points (n, 2) in the card's plane; nan behind the camera."""
        seen = card_mm @ self.rotation[:, :2].T + self.translation_mm
        with np.errstate(divide="ignore", invalid="ignore"):
            depth = np.where(seen[:, 2] > 1e-6, seen[:, 2], np.nan)
            return self.focal_px * seen[:, :2] / depth[:, None] + np.array(self.center_px)

    def px_from_mm(self) -> np.ndarray:
        """(3, 3) homography from the card's plane to the photo."""
        intrinsic = np.array(
            [
                [self.focal_px, 0.0, self.center_px[0]],
                [0.0, self.focal_px, self.center_px[1]],
                [0.0, 0.0, 1.0],
            ]
        )
        return intrinsic @ np.column_stack([self.rotation[:, :2], self.translation_mm])

    def moved(self, step: np.ndarray) -> Camera:
        """Take a step (9,): rotation vector, translation / distance, log focal, centre / focal."""
        turn, _ = cv2.Rodrigues(np.asarray(step[:3], dtype=float))
        distance = float(np.linalg.norm(self.translation_mm))
        shift = step[7:9] * self.focal_px
        x, y, z = self.translation_mm
        # Depth grows by a factor as the focal length does: the two nearly cancel in the photo, and
        # must go on cancelling in a long step.
        place = np.array([x, y, 0.0]) + distance * np.array([step[3], step[4], 0.0])
        place[2] = z * np.exp(np.clip(distance * step[5] / z, -5.0, 5.0))
        return replace(
            self,
            rotation=turn @ self.rotation,
            translation_mm=place,
            focal_px=float(self.focal_px * np.exp(step[6])),
            center_px=(self.center_px[0] + float(shift[0]), self.center_px[1] + float(shift[1])),
        )


@dataclass(frozen=True)
class Fit:
    """The fitted camera, the covariance (9, 9) of `Camera.moved` steps, and the misfit.

    `misfit_px2` is the sum of squared edge offsets, each capped at 1 px, to compare two fits of
    the same markers; `edge_sigma_px` is the scatter of single module edges.
    """

    camera: Camera
    covariance: np.ndarray
    misfit_px2: float
    edge_sigma_px: float


@cache
def marker_pattern(marker: int) -> np.ndarray:
    """(8, 8) bool: modules of a marker and of the white ring around it; True is white."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    pattern = np.ones((MODULES + 2, MODULES + 2), bool)
    pattern[1:-1, 1:-1] = cv2.aruco.generateImageMarker(dictionary, marker, MODULES) > 127
    pattern.flags.writeable = False
    return pattern


def marker_corners_mm(marker: int) -> np.ndarray:
    """(4, 2) corners TL TR BR BL of a marker on the card, mm."""
    x, y = MARKER_TOP_LEFT_MM[marker]
    side = MARKER_MM
    return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])


@cache
def _edges(markers: tuple[int, ...], inner: bool) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Module edges: middles (n, 2) mm, unit normals (n, 2) into white, half-widths (n,) mm."""
    middles, normals, halves = [], [], []
    for marker in markers:
        white = marker_pattern(marker)
        left, top = MARKER_TOP_LEFT_MM[marker]
        for row in range(1, MODULES + 1):
            for column in range(1, MODULES + 1):
                if white[row, column]:
                    continue
                for down, right in ((0, 1), (0, -1), (1, 0), (-1, 0)):
                    near = (row + down, column + right)
                    if not white[near]:
                        continue
                    outer = not (1 <= near[0] <= MODULES and 1 <= near[1] <= MODULES)
                    if not (outer or inner):
                        continue
                    middles.append(
                        (
                            left + MODULE_MM * (column - 0.5 + 0.5 * right),
                            top + MODULE_MM * (row - 0.5 + 0.5 * down),
                        )
                    )
                    normals.append((right, down))
                    halves.append(MODULE_MM * (0.6 if outer else 0.45))
    return np.array(middles), np.array(normals, float), np.array(halves)


def luminance_at(rgb: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Linear luminance 0..1 at photo px (..., 2), bilinear; nan outside the photo."""
    height, width = rgb.shape[:2]
    x, y = points[..., 0] - 0.5, points[..., 1] - 0.5
    with np.errstate(invalid="ignore"):
        inside = (x >= 0) & (y >= 0) & (x < width - 1) & (y < height - 1)
    x, y = np.where(inside, x, 0.0), np.where(inside, y, 0.0)
    column, row = x.astype(np.intp), y.astype(np.intp)
    u, v = x - column, y - row
    pixels, at = rgb.reshape(-1, 3), row * width + column  # one index is twice as fast as two
    light = np.zeros(x.shape)
    for down, right, share in (
        (0, 0, (1 - u) * (1 - v)),
        (0, 1, u * (1 - v)),
        (1, 0, (1 - u) * v),
        (1, 1, u * v),
    ):
        light += share * (_LINEAR.take(pixels.take(at + (down * width + right), axis=0)) @ _LUMA)
    return np.where(inside, light, np.nan)


def pattern_agreement(rgb: np.ndarray, camera: Camera, marker: int) -> float:
    """Say how well a marker looks like itself: 1 whole, 0 nothing of it to be seen.

    It is the least of three shares of modules that look as they should: the white ring around the
    marker, its black modules and its white ones. A leaf laid flat over a marker has no white ones.
    """
    left, top = MARKER_TOP_LEFT_MM[marker]
    steps = (np.arange(MODULES + 2) - 0.5) * MODULE_MM
    spread = np.array([-0.2, 0.0, 0.2]) * MODULE_MM
    x = left + steps[None, :, None, None] + spread[None, None, None, :]
    y = top + steps[:, None, None, None] + spread[None, None, :, None]
    grid = np.stack(np.broadcast_arrays(x, y), axis=-1)
    light = luminance_at(rgb, camera.project(grid.reshape(-1, 2)).reshape(grid.shape))
    modules = light.mean(axis=(2, 3))
    white = marker_pattern(marker)
    ring = np.ones_like(white)
    ring[1:-1, 1:-1] = False
    seen = np.isfinite(modules)
    if not ((seen & white).any() and (seen & ~white).any()):
        return 0.0
    bright, dark = np.median(modules[seen & white]), np.median(modules[seen & ~white])
    if bright < 1.6 * dark:
        return 0.0
    # Equal distance in ratio: shade across the card scales black and white alike.
    middle = np.sqrt(bright * max(dark, 1e-3))
    agree = np.where(white, modules > middle, modules < middle)  # False where not seen
    return float(min(agree[part].mean() for part in (ring, ~white, white & ~ring)))


def fit_card(
    rgb: np.ndarray, camera: Camera, lens: Camera, markers: tuple[int, ...], rounds: int = 4
) -> Fit | None:
    """Fit the camera to the edges of some markers.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
    camera : Camera
        Start; its edges must fall within about half a module of the true ones.
    lens : Camera
        What was known of focal length and centre before the card was seen.
    markers : tuple of int
        Ids of the markers to use; hidden parts of them are left out by their contrast.
    rounds : int
        Times that edges are located anew.

    Returns
    -------
    Fit or None
        None when too few edges are to be seen.
    """
    side = np.linalg.norm(np.diff(camera.project(marker_corners_mm(markers[0])), axis=0), axis=1)
    inner = bool(side.mean() / MODULES >= _INNER_EDGES_FROM_PX)
    middles, normals, halves = _edges(markers, inner)
    along = np.stack([-normals[:, 1], normals[:, 0]], axis=1)
    # (n, k, 2): k places along every edge, in mm.
    places = middles[:, None] + MODULE_MM * _ALONG[None, :, None] * along[:, None]
    for _ in range(rounds):
        offsets, trust, across = _locate(rgb, camera, places, normals, halves)
        if trust.sum() < _LEAST_EDGES:
            return None
        step, fit = _solve(camera, lens, middles, across, offsets, trust)
        moved = _cautiously(camera, step, middles, across)
        far = np.abs(moved.project(middles) - camera.project(middles)).max()
        camera = moved
        if far < _SETTLED_PX:
            break
    return replace(fit, camera=camera)


def _cautiously(
    camera: Camera, step: np.ndarray, middles: np.ndarray, across: np.ndarray
) -> Camera:
    """Take a step, halved until the edges move as its straight-line forecast says.

    Otherwise the edges would be looked for where they are not.
    """
    here = camera.project(middles)
    forecast = edge_slopes(camera, middles, across)[:, :9] @ step
    moved = camera.moved(step)
    for _ in range(4):
        off = np.einsum("nc,nc->n", moved.project(middles) - here, across) - forecast
        if np.abs(off).max() < _FORECAST_PX:
            break
        step, forecast = step / 2, forecast / 2
        moved = camera.moved(step)
    return moved


def fit_points(
    camera: Camera, lens: Camera, card_mm: np.ndarray, photo_px: np.ndarray
) -> tuple[Camera, float]:
    """Move the camera so that points (n, 2) of the card fall on photo px (n, 2).

    Unlike a pose alone this also bends focal length and centre, as far as `lens` lets it. Gives
    the camera and the root-mean-square distance left, px: the first and inf where none fits.
    """
    start = camera
    points = np.repeat(card_mm, 2, axis=0)
    across = np.tile(np.eye(2), (len(card_mm), 1))
    for _ in range(8):
        offsets = (photo_px - camera.project(card_mm)).ravel()
        rows, values = _prior_rows(camera, lens)
        slopes = edge_slopes(camera, points, across)[:, :9] / _CORNER_SIGMA_PX
        jacobian = np.vstack([slopes, rows[:3, :9]])
        right = np.concatenate([offsets / _CORNER_SIGMA_PX, values[:3]])
        step = np.linalg.lstsq(jacobian, right, rcond=None)[0]
        if not np.abs(step).max() < _DIVERGED:  # nor where it isn't finite
            return start, float("inf")
        camera = camera.moved(step)
        if np.abs(step).max() < 1e-4:
            break
    away = np.linalg.norm(photo_px - camera.project(card_mm), axis=1)
    return camera, float(np.nan_to_num(np.sqrt((away**2).mean()), nan=np.inf))


def _locate(
    rgb: np.ndarray, camera: Camera, places: np.ndarray, normals: np.ndarray, halves: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Find each edge on its profiles.

    Returns offsets (n,) px of the edge along its normal, trust (n,) 0..1, and the unit normals
    (n, 2) in the photo.
    """
    count, per_edge = places.shape[:2]
    flat = places.reshape(-1, 2)
    at = camera.project(flat).reshape(count, per_edge, 2)
    # An edge's normal in the photo is perpendicular to the edge there, not the image of its
    # normal on the card: under tilt the two differ.
    line = at[:, -1] - at[:, 0]
    across = np.stack([line[:, 1], -line[:, 0]], axis=1)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    outwards = camera.project(places.mean(axis=1) + normals * halves[:, None]) - at.mean(axis=1)
    reach = np.einsum("nc,nc->n", outwards, across)
    across *= np.sign(reach)[:, None]
    half = np.minimum(np.abs(reach), _MAX_HALF_PX)
    profile = at[:, :, None] + half[:, None, None, None] * (
        _ACROSS[None, None, :, None] * across[:, None, None, :]
    )
    light = luminance_at(rgb, profile)
    black, white = light[..., :4].mean(axis=-1), light[..., -4:].mean(axis=-1)
    contrast = white - black
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (light.mean(axis=-1) - black) / contrast
        offset = half[:, None] * (1.0 - 2.0 * share)
    lit = contrast[contrast > 0]
    usual = float(np.median(lit)) if lit.size else np.inf
    with np.errstate(invalid="ignore"):
        sound = (contrast > 0.4 * usual) & (np.abs(offset) < 0.9 * half[:, None])
    found = sound.sum(axis=1)
    mean = np.where(sound, offset, 0.0).sum(axis=1) / np.maximum(found, 1)
    return mean, np.where(found >= 2, found / per_edge, 0.0), across


def _solve(
    camera: Camera,
    prior: Camera,
    middles: np.ndarray,
    across: np.ndarray,
    offsets: np.ndarray,
    trust: np.ndarray,
) -> tuple[np.ndarray, Fit]:
    """One robust Gauss-Newton step (9,) and the fit that it leads to."""
    jacobian = edge_slopes(camera, middles, across)
    prior_rows, prior_values = _prior_rows(camera, prior)
    prior_normal, prior_right = prior_rows.T @ prior_rows, prior_rows.T @ prior_values
    weights, sigma = trust.copy(), 1.0
    solution, residual = np.zeros(10), offsets
    for _ in range(6):
        weighted = jacobian * (weights / sigma**2)[:, None]
        normal = weighted.T @ jacobian + prior_normal
        # A breath of damping: a marker alone leaves some directions to the prior only.
        normal += 1e-9 * np.diag(np.diag(normal))
        solution = np.linalg.solve(normal, weighted.T @ offsets + prior_right)
        residual = offsets - jacobian @ solution
        scatter = 1.4826 * float(np.median(np.abs(residual[trust > 0])))
        sigma = max(scatter, _SIGMA_FLOOR_PX)
        weights = trust * np.clip(1.0 - (residual / (4.5 * sigma)) ** 2, 0.0, 1.0) ** 2
    freedom = max(float(weights.sum()) - 8.0, 1.0)
    sigma = max(float(np.sqrt((weights * residual**2).sum() / freedom)), sigma)
    normal = (jacobian * (weights / sigma**2)[:, None]).T @ jacobian + prior_normal
    covariance = np.linalg.inv(normal + 1e-9 * np.diag(np.diag(normal)))[:9, :9]
    misfit = float((trust * np.minimum(residual**2, 1.0) + (1.0 - trust)).sum())
    return solution[:9], Fit(camera, covariance, misfit, sigma)


def edge_slopes(camera: Camera, middles: np.ndarray, across: np.ndarray) -> np.ndarray:
    """(n, 10): px that each edge moves along its normal per unit of each parameter."""
    arm = middles @ camera.rotation[:, :2].T  # from the card's origin, in camera axes
    seen = arm + camera.translation_mm
    x, y, z = seen.T
    focal, distance = camera.focal_px, float(np.linalg.norm(camera.translation_mm))
    zero = np.zeros_like(z)
    # Rows of d(px)/d(point in camera axes), dotted with each edge's normal.
    slope = focal * (
        across[:, :1] * np.stack([1 / z, zero, -x / z**2], axis=1)
        + across[:, 1:] * np.stack([zero, 1 / z, -y / z**2], axis=1)
    )
    columns = [
        *np.cross(arm, slope).T,  # turning by w moves a point by w x arm
        *(distance * slope).T,
        focal * (across[:, 0] * x + across[:, 1] * y) / z,
        *(focal * across).T,
    ]
    # White that bleeds into black moves every edge against its normal, which points into white.
    columns.append(-np.ones(len(middles)))
    return np.nan_to_num(np.stack(columns, axis=1), posinf=1e9, neginf=-1e9)


def _prior_rows(camera: Camera, prior: Camera) -> tuple[np.ndarray, np.ndarray]:
    """Rows for what is known beforehand of focal length, centre and bleed, in sigmas."""
    rows = np.zeros((4, 10))
    values = np.zeros(4)
    rows[0, 6] = 1.0 / prior.log_focal_sigma
    values[0] = np.log(prior.focal_px / camera.focal_px) / prior.log_focal_sigma
    for k in (0, 1):
        away = (prior.center_px[k] - camera.center_px[k]) / camera.focal_px
        rows[1 + k, 7 + k] = 1.0 / prior.center_sigma
        values[1 + k] = away / prior.center_sigma
    rows[3, 9] = 1.0 / _BLEED_SIGMA_PX
    return rows, values
