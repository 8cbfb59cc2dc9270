"""From a field's radiance to a picture: for training (plain), or a drone's or phone's JPEG.

Training keeps a clean picture at the working scale: the trainer adds blur, lost resolution,
noise and compression itself. Validation photos are finished once, at their own ground scale.
"""

from __future__ import annotations

import cv2
import numpy as np

from training.plantgen.optics import encode, shoulder


def _expose(radiance: np.ndarray, rng: np.random.Generator, ev_spread: float) -> np.ndarray:
    """Scale to a mid grey, and balance the light part of the way to grey."""
    luminance = radiance @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    key = float(np.exp(np.log(luminance + 1e-4).mean()))
    sun = radiance.reshape(-1, 3)
    bright = np.percentile(sun, 98, axis=0).max()
    gain = min(0.2 / max(key, 1e-4) * 2.0 ** rng.normal(0, ev_spread), 1.6 / max(bright, 1e-4))
    neutral = sun.mean(0)
    balance = (neutral.mean() / np.maximum(neutral, 1e-6)) ** rng.uniform(0, 0.4)
    balance = balance * np.exp(rng.normal(0, 0.04, 3))
    exposed: np.ndarray = (radiance * (gain * balance)).astype(np.float32)
    return exposed


def develop(radiance: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A clean (H, W, 3) uint8 sRGB picture."""
    x = _expose(radiance, rng, 0.35)
    return (encode(shoulder(x, float(rng.uniform(0.6, 0.95)))) * 255 + 0.5).astype(np.uint8)


def motion_kernel(length_px: float, angle_rad: float) -> np.ndarray:
    """A straight blur as a (K, K) kernel."""
    size = int(np.ceil(length_px)) | 1
    size = max(size + 2, 3)
    middle = size // 2
    y, x = np.mgrid[-middle : middle + 1, -middle : middle + 1].astype(np.float64)
    along = x * np.cos(angle_rad) + y * np.sin(angle_rad)
    across = -x * np.sin(angle_rad) + y * np.cos(angle_rad)
    kernel = np.exp(-2 * across**2) * np.clip(length_px / 2 + 0.5 - np.abs(along), 0, 1)
    return (kernel / kernel.sum()).astype(np.float32)


def photograph(radiance: np.ndarray, rng: np.random.Generator) -> tuple[np.ndarray, int]:
    """A finished photo, (H, W, 3) uint8 sRGB, and its JPEG quality.

    Lens blur, flight or hand motion, vignetting, shot and read noise, a tone curve, sharpening.
    """
    x = _expose(radiance, rng, 0.45)
    sigma = float(abs(rng.normal(0, 0.6)))
    if sigma > 0.3:
        x = cv2.GaussianBlur(x, (0, 0), sigma)
    if rng.random() < 0.3:
        x = cv2.filter2D(x, -1, motion_kernel(rng.uniform(1.2, 4.5), rng.uniform(0, np.pi)))
    height, width = x.shape[:2]
    gy, gx = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    slope = rng.normal(0, 0.08, 2)
    x = x * (1 + slope[0] * gx + slope[1] * gy)[..., None]
    shot, read = rng.uniform(0.002, 0.02), rng.uniform(0.0005, 0.006)
    noise = rng.standard_normal(x.shape) * np.sqrt(np.maximum(x, 0) * shot**2 + read**2)
    if rng.random() < 0.6:
        noise = cv2.GaussianBlur(noise, (0, 0), 0.7) * 1.6
    x = shoulder(np.maximum(x + noise, 0), float(rng.uniform(0.65, 0.95)))
    y = encode(x)
    y = y + rng.uniform(-0.05, 0.3) * (y - 0.5) * (1 - np.abs(2 * y - 1))
    grey = y.mean(-1, keepdims=True)
    y = grey + (y - grey) * rng.uniform(0.8, 1.25)
    if rng.random() < 0.7:  # cameras sharpen
        y = y + rng.uniform(0.1, 0.9) * (y - cv2.GaussianBlur(y, (0, 0), rng.uniform(0.7, 1.4)))
    return (np.clip(y, 0, 1) * 255 + 0.5).astype(np.uint8), int(rng.integers(60, 94))
