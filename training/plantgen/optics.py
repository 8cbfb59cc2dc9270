"""From radiance to a phone's JPEG: exposure, colour, lens, sensor, processing.

Two ways out: :func:`develop` gives a plain 8-bit picture for training (the trainer adds phone
effects itself), :func:`photograph` gives a finished photo for validation sets and samples.
"""

from __future__ import annotations

import cv2
import numpy as np

CLEANED_SHARE = 0.7
"""Share of the pictures that the camera cleans of noise. Common practice of phones."""


def encode(linear: np.ndarray) -> np.ndarray:
    """Linear 0..1 to sRGB 0..1 (IEC 61966-2-1)."""
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)


def shoulder(x: np.ndarray, knee: float) -> np.ndarray:
    """Highlights roll off above the knee instead of clipping at once."""
    over = np.maximum(x - knee, 0)
    return np.where(x > knee, knee + (1 - knee) * (1 - np.exp(-over / (1 - knee))), x)


def _exposure(radiance: np.ndarray, weight: np.ndarray, ev: float) -> float:
    luminance = radiance @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    key = float(np.exp((np.log(luminance + 1e-4) * weight).sum() / weight.sum()))
    return 0.20 / key * 2.0**ev


def develop(
    radiance: np.ndarray, classes: np.ndarray, rng: np.random.Generator, *, ev: float | None = None
) -> np.ndarray:
    """(H, W, 3) uint8 sRGB: auto-exposed on a mix of plant and frame, slight colour cast."""
    if ev is None:
        ev = float(rng.normal(0.25, 0.55))
    weight = 1.0 + rng.uniform(0, 12) * np.isin(classes, (1, 2))
    balance = np.exp(rng.normal(0, 0.05, 3)).astype(np.float32)
    neutral = radiance.reshape(-1, 3).mean(0)
    grey_world = (neutral.mean() / np.maximum(neutral, 1e-6)) ** rng.uniform(0, 0.75)
    x = radiance * (balance * grey_world) * _exposure(radiance, weight, ev)
    y = (encode(shoulder(x, float(rng.uniform(0.6, 0.95)))) * 255 + 0.5).astype(np.uint8)
    return cleaned(y, rng) if rng.random() < CLEANED_SHARE else y


def cleaned(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A picture (H, W, 3) uint8 without much of its noise, as phones make them: edges stay.

    Few light paths leave grain that no phone's picture has by day, and that hides where two collars
    part.
    """
    smooth: np.ndarray = cv2.bilateralFilter(
        picture, int(rng.choice([5, 7])), float(rng.uniform(15, 45)), float(rng.uniform(1.0, 2.0))
    )
    return smooth


def photograph(
    radiance: np.ndarray,
    classes: np.ndarray,
    rng: np.random.Generator,
    *,
    fault: str | None = None,
) -> tuple[np.ndarray, int]:
    """A finished photo and its JPEG quality.

    Parameters
    ----------
    radiance : ndarray, (H, W, 3) float32
    classes : ndarray, (H, W) uint8
        Part map: exposure is weighed towards the plant.
    rng : numpy.random.Generator
    fault : {None, "blurred", "dark"}
        What makes the photo unusable.

    Returns
    -------
    picture : ndarray, (H, W, 3) uint8
        sRGB.
    quality : int
        JPEG quality, 72-95.
    """
    ev = float(rng.normal(0.1, 0.5))
    x: np.ndarray = radiance.astype(np.float32)
    sigma = float(abs(rng.normal(0, 0.7)))
    if fault == "blurred":
        sigma = float(rng.uniform(5.0, 10.0)) * max(x.shape) / 1280
    if sigma > 0.3:
        x = cv2.GaussianBlur(x, (0, 0), sigma)
    if rng.random() < 0.2 or fault == "blurred":
        # A hand shakes by an angle, so a larger photo of the same view smears over more pixels.
        length = rng.uniform(2, 4) if fault is None else rng.uniform(6, 22)
        x = _shake(x, float(length) * max(x.shape) / 1280, float(rng.uniform(0, np.pi)))
    weight = 1.0 + rng.uniform(0, 8) * np.isin(classes, (1, 2))
    gain = _exposure(radiance, weight, ev)
    if fault == "dark":
        gain *= 2.0 ** -rng.uniform(4.5, 6.5)
    neutral = radiance.reshape(-1, 3).mean(0)
    balance = (neutral.mean() / np.maximum(neutral, 1e-6)) ** rng.uniform(0.1, 0.9)
    x = x * gain * balance * np.exp(rng.normal(0, 0.06, 3))
    height, width = x.shape[:2]
    gy, gx = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    x = x * (1 - rng.uniform(0, 0.3) * (gx**2 + gy**2) / 2)[..., None]
    shot, read = rng.uniform(0.001, 0.012), rng.uniform(0.0005, 0.006)
    if fault == "dark":
        read *= 1.5
    noise = rng.standard_normal(x.shape) * np.sqrt(np.maximum(x, 0) * shot**2 * 4 + read**2)
    if rng.random() < 0.6:
        noise = cv2.GaussianBlur(noise, (0, 0), 0.7) * 1.6
    x = shoulder(np.maximum(x + noise, 0), float(rng.uniform(0.65, 0.95)))
    y = encode(x)
    if rng.random() < CLEANED_SHARE:
        y = cleaned((y * 255 + 0.5).astype(np.uint8), rng) / 255.0
    contrast = rng.uniform(-0.05, 0.3)
    y = y + contrast * (y - 0.5) * (1 - np.abs(2 * y - 1))
    grey = y.mean(-1, keepdims=True)
    y = grey + (y - grey) * rng.uniform(0.85, 1.25)
    if fault != "blurred" and rng.random() < 0.6:  # phones sharpen
        y = y + rng.uniform(0.1, 0.7) * (y - cv2.GaussianBlur(y, (0, 0), rng.uniform(0.7, 1.4)))
    return (np.clip(y, 0, 1) * 255 + 0.5).astype(np.uint8), int(rng.integers(72, 96))


def _shake(x: np.ndarray, length_px: float, angle: float) -> np.ndarray:
    size = int(length_px) * 2 + 3
    kernel = np.zeros((size, size), np.float32)
    centre = size // 2
    dx, dy = np.cos(angle) * length_px / 2, np.sin(angle) * length_px / 2
    cv2.line(
        kernel,
        (round(centre - dx), round(centre - dy)),
        (round(centre + dx), round(centre + dy)),
        1.0,
        1,
    )
    return cv2.filter2D(x, -1, kernel / kernel.sum())
