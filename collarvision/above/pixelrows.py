"""Rows in pixels: direction and spacing of rows from green alone, before any scale is known.

Green on soil, summed along a direction, makes sharp peaks where that is the rows' direction. The
distance of the peaks is the row spacing in pixels. That works while rows are apart and weeds are
few; where it doesn't, the answer is None.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from collarvision.fieldlook import green_mask

LONG_SIDE_PX: Final = 1400
_MOST_POINTS: Final = 40_000
_LEAST_GREEN: Final = 0.002
_FEWEST_ROWS: Final = 2.6
"""Row spacings that a picture must be wide for their distance to be believed."""

_CLEAR: Final = 0.3
"""Autocorrelation at the row spacing from which rows are believed; of plain weeds it is near 0."""


@dataclass(frozen=True)
class PixelRows:
    """Rows as the picture shows them.

    Attributes
    ----------
    spacing_px : float
        Between rows, px of the picture that was given.
    relative_error : float
    angle_deg : float
        Of the rows from the x axis, anticlockwise as seen, 0..180.
    """

    spacing_px: float
    relative_error: float
    angle_deg: float


def find_pixel_rows(rgb: np.ndarray, valid: np.ndarray | None = None) -> PixelRows | None:
    """Find rows in a picture of the ground.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
    valid : ndarray, (H, W) bool, optional
        What of it shows ground; without it all.

    Returns
    -------
    PixelRows or None
    """
    shrink = max(1.0, max(rgb.shape[:2]) / LONG_SIDE_PX)
    size = (max(1, round(rgb.shape[1] / shrink)), max(1, round(rgb.shape[0] / shrink)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    green = green_mask(small)
    if valid is not None:
        shown = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        green &= shown
    else:
        shown = np.ones(green.shape, bool)
    y, x = np.nonzero(green)
    if len(x) < max(200, _LEAST_GREEN * shown.sum()):
        return None
    if len(x) > _MOST_POINTS:
        chosen = np.random.default_rng(0).choice(len(x), _MOST_POINTS, replace=False)
        y, x = y[chosen], x[chosen]
    points = np.column_stack([x, -y]).astype(np.float64)
    # Rows' ends and the picture's own shape must not pass for rows: what is seen of the ground is
    # summed alike and divided by.
    gy, gx = np.nonzero(shown[::6, ::6])
    ground = np.column_stack([gx * 6, -gy * 6]).astype(np.float64)
    coarse = [(_contrast(points, ground, angle), angle) for angle in np.arange(0.0, 180.0, 2.0)]
    best = max(coarse)[1]
    fine = [
        (_contrast(points, ground, angle), angle) for angle in np.arange(best - 2, best + 2.1, 0.25)
    ]
    angle = max(fine)[1]
    found = _spacing(_profile(points, ground, angle))
    if found is None:
        return None
    spacing, clarity, error = found
    if clarity < _CLEAR:
        return None
    return PixelRows(spacing * rgb.shape[1] / size[0], error, float(angle % 180.0))


def _profile(points: np.ndarray, ground: np.ndarray, angle_deg: float) -> np.ndarray:
    """Share of the ground that is green, by distance across the direction, one px a bin."""
    turn = math.radians(angle_deg)
    across = np.array([-math.sin(turn), math.cos(turn)])
    base = ground @ across
    low = base.min()
    count = int(np.ptp(base)) + 2
    seen = np.bincount(np.clip((base - low).astype(int), 0, count - 1), minlength=count)
    seen = cv2.blur(seen.astype(np.float32)[None], (13, 1))[0]
    held = np.bincount(
        np.clip((points @ across - low).astype(int), 0, count - 1), minlength=count
    ).astype(np.float32)
    profile = np.where(seen > 0.15 * seen.max(), held / np.maximum(seen, 1e-3), np.nan)
    kept: np.ndarray = profile[np.isfinite(profile)]
    return kept


def _contrast(points: np.ndarray, ground: np.ndarray, angle_deg: float) -> float:
    """How unevenly green lies across a direction."""
    profile = _profile(points, ground, angle_deg)
    if len(profile) < 20:
        return 0.0
    smooth = cv2.GaussianBlur(profile.astype(np.float32)[None], (0, 0), 2.0)[0]
    return float(smooth.std() / (smooth.mean() + 1e-6))


def _spacing(profile: np.ndarray) -> tuple[float, float, float] | None:
    """Spacing in px, autocorrelation there and relative error; None without a clear peak."""
    count = len(profile)
    if count < 40:
        return None
    smooth = cv2.GaussianBlur(profile.astype(np.float32)[None], (0, 0), 2.0)[0].astype(np.float64)
    # Light and growth change over a photo, more slowly than rows come.
    slow = cv2.GaussianBlur(smooth.astype(np.float32)[None], (0, 0), count / 6)[0]
    smooth = smooth - slow
    spread = np.fft.rfft(smooth, 2 * count)
    raw = np.fft.irfft(np.abs(spread) ** 2)[:count]
    lags = np.arange(count)
    correlation = raw / np.maximum(count - lags, 1)
    correlation /= correlation[0] + 1e-12
    limit = int(count / _FEWEST_ROWS)
    inner = correlation[1:-1]
    peaks = 1 + np.flatnonzero((inner > correlation[:-2]) & (inner >= correlation[2:]))
    peaks = peaks[(peaks >= 8) & (peaks <= limit)]
    # The first valley must lie between the rows, else it is one row's own ripple.
    below = np.flatnonzero(correlation < 0.1)
    if len(below) == 0:
        return None
    peaks = peaks[peaks > below[0]]
    if len(peaks) == 0 or correlation[peaks].max() <= 0.0:
        return None
    heights = correlation[peaks]
    first = int(peaks[np.flatnonzero(heights >= 0.75 * heights.max())[0]])
    # The last of its multiples that is still clear tells it best.
    spacing, used = float(_top(correlation, first)), 1
    for times in range(2, 12):
        guess = spacing * times
        if guess > 0.75 * count:
            break
        reach = max(2, int(0.25 * spacing))
        low, high = int(guess) - reach, min(int(guess) + reach + 1, count)
        at = low + int(correlation[low:high].argmax())
        if correlation[at] < 0.5 * correlation[first] or at in (low, high - 1):
            break
        spacing, used = float(_top(correlation, at)) / times, times
    error = math.hypot(1.5 / (spacing * used), 0.01)
    return spacing, float(correlation[first]), error


def _top(values: np.ndarray, at: int) -> float:
    """Place of a peak between samples, by a parabola."""
    if not 0 < at < len(values) - 1:
        return float(at)
    low, mid, high = values[at - 1 : at + 2]
    bend = low - 2 * mid + high
    return at + (0.0 if bend >= 0 else 0.5 * float((low - high) / bend))
