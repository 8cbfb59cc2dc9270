"""Sharpness: whether leaf tips can be sharp in a photo from above.

Soil and leaves have about as much contrast in each octave of size. Blur, by shaking, wind, speed or
focus, takes it from the finest. The share that the finest octave still has of the next but one
tells how much is gone, whatever the light and the soil.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

BLURRED: Final = 0.09
"""Share under which a photo counts as blurred. Of rendered fields 2 in 100 lie under 0.25 as they
are; blurred by a Gaussian of 2 px, half of them lie under 0.083 and all under 0.13."""

SHAKEN: Final = 0.12
"""Fine contrast along one direction over that across it under which a photo counts as shaken."""

_SAMPLE_PX: Final = 512


def fine_share(rgb: np.ndarray) -> float:
    """Contrast of the finest octave over that of the next but one; 0 where shaken.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
        At the scale that matters.
    """
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    shares, highs = [], []
    for along in ((1, 0), (0, 1)):
        # A shaken photo is blurred in one direction: each is looked at alone.
        fine, mid, wide, coarse = (_smooth(grey, sigma, along) for sigma in (0.8, 1.6, 3.2, 6.4))
        high, low = float(((fine - mid) ** 2).mean()), float(((wide - coarse) ** 2).mean())
        shares.append(high / max(low, 1e-3))
        highs.append(high)
    # A straight shake takes from all octaves alike, but in its own direction alone.
    shaken = min(highs) < SHAKEN * max(highs)
    return 0.0 if shaken else min(shares)


def _smooth(grey: np.ndarray, sigma: float, along: tuple[int, int]) -> np.ndarray:
    """Smoothed along one direction by `sigma`, and across it by a pixel against noise."""
    found: np.ndarray = cv2.GaussianBlur(
        grey, (0, 0), sigmaX=sigma if along[0] else 1.0, sigmaY=sigma if along[1] else 1.0
    )
    return found


def is_blurred(rgb: np.ndarray) -> bool:
    """Say whether most of a picture is blurred; a flat one, of bare smooth ground, isn't.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
    """
    height, width = rgb.shape[:2]
    shares = []
    for y in (0.2, 0.5, 0.8):
        for x in (0.2, 0.5, 0.8):
            top = max(0, min(int(y * height) - _SAMPLE_PX // 2, height - _SAMPLE_PX))
            left = max(0, min(int(x * width) - _SAMPLE_PX // 2, width - _SAMPLE_PX))
            part = rgb[top : top + _SAMPLE_PX, left : left + _SAMPLE_PX]
            if part.size and part.std() > 3.0:
                shares.append(fine_share(part))
    return len(shares) > 0 and float(np.median(shares)) < BLURRED
