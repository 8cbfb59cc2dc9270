"""Field light and a phone's camera, on whole batches in torch.

Every function takes and gives (N, 3, H, W). Random numbers that are few come from a numpy
generator on the CPU, fields of them from a torch generator on the device.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training.jpeg import jpeg_round_trip

GAMMA = 2.2
LIGHT_KERNEL, HEAVY_KERNEL = 11, 23


def _column(values: np.ndarray | Sequence[float], device: torch.device) -> Tensor:
    return torch.as_tensor(np.asarray(values), dtype=torch.float32, device=device).view(-1, 1, 1, 1)


def to_linear(image: Tensor) -> Tensor:
    """Undo the display curve, nearly enough for light to add up."""
    return image.clamp(0, 1) ** GAMMA


def _fields(
    count: int, channels: int, side: int, shape: Sequence[int], generator: torch.Generator
) -> Tensor:
    """Smooth random fields: normal values on a side x side lattice, grown to the shape."""
    seeds = torch.randn(count, channels, side, side, generator=generator, device=generator.device)
    return functional.interpolate(seeds, tuple(shape), mode="bicubic", align_corners=False)


def paint_background(
    image: Tensor, mask: Tensor, rng: np.random.Generator, generator: torch.Generator
) -> Tensor:
    """Replace what is neither plant, soil nor card by noise with a natural 1/f spectrum.

    Photographs' amplitude falls about as 1/frequency (Field 1987, J. Opt. Soc. Am. A 4:2379).
    Half of the time the old surface's shading stays on the new one.
    """
    count, _, height, width = image.shape
    texture = torch.zeros_like(image)
    slope = rng.uniform(0.7, 1.4)
    side = 4
    while side <= max(height, width):
        size = (min(side, height), min(side, width))
        octave = torch.randn(count, 3, *size, generator=generator, device=image.device)
        grey = octave.mean(1, keepdim=True) * 3**0.5
        octave = 0.75 * grey + 0.25 * octave
        texture = (
            texture
            + functional.interpolate(octave, (height, width), mode="bilinear", align_corners=False)
            * float(side) ** -slope
        )
        side *= 2
    texture = texture / texture.std((2, 3), keepdim=True).clamp(min=1e-4)
    contrast = _column(np.exp(rng.uniform(np.log(0.02), np.log(0.22), count)), image.device)
    colour = torch.from_numpy(rng.uniform(0.05, 0.95, (count, 3))).float().to(image.device)
    painted = (colour[..., None, None] + contrast * texture).clamp(0, 1)
    luma = image.mean(1, keepdim=True)
    shade = (luma / luma.mean((2, 3), keepdim=True).clamp(min=0.02)).clamp(0.2, 1.6)
    keep = _column(rng.random(count) < 0.5, image.device)
    painted = painted * (1 + keep * (shade - 1))
    alpha = functional.avg_pool2d((mask == 0).float(), 3, 1, 1)
    alpha = alpha * _column(
        np.where(rng.random(count) < 0.7, 1.0, rng.uniform(0.4, 1.0, count)), image.device
    )
    return image * (1 - alpha) + painted.clamp(0, 1) * alpha


def recolour_parts(
    light: Tensor, mask: Tensor, chosen: np.ndarray, rng: np.random.Generator
) -> Tensor:
    """Tint plant, soil and what is behind apart from each other, in linear light.

    No generator's greens and browns are everyone's. Blades and sheaths are tinted as one: where
    they meet is what a collar is told by.

    Parameters
    ----------
    light : (N, 3, H, W); mask : (N, 1, H, W) class ids; chosen : (N,) bool, which of them.
    """
    parts = (mask == 0, (mask == 1) | (mask == 2), mask == 3)
    tint = torch.ones_like(light)
    for part in parts:
        brighter = rng.normal(0, 0.22, (len(chosen), 1))
        gain = np.exp((brighter + rng.normal(0, 0.13, (len(chosen), 3))) * chosen[:, None])
        share = functional.avg_pool2d(part.float(), 3, 1, 1)
        tint = tint + share * (torch.from_numpy(gain).to(light)[..., None, None] - 1)
    return light * tint


def illumination(
    count: int,
    shape: Sequence[int],
    rng: np.random.Generator,
    generator: torch.Generator,
    light: np.ndarray,
) -> Tensor:
    """What multiplies linear light: exposure, white balance, gradients, shadows, vignette."""
    device = generator.device
    low = (max(int(shape[0]) // 8, 8), max(int(shape[1]) // 8, 8))
    balance = np.exp(rng.normal(0, 0.09, (count, 3)))
    odd = rng.random(count) < 0.1  # now and then a camera misjudges the light badly
    balance[odd] *= np.exp(rng.normal(0, 0.22, (int(odd.sum()), 3)))
    field = torch.from_numpy(balance * light[:, None]).float().to(device)[..., None, None]
    y = torch.linspace(-1, 1, low[0], device=device).view(1, 1, -1, 1)
    x = torch.linspace(-1, 1, low[1], device=device).view(1, 1, 1, -1)
    slope = np.where(rng.random((count, 2)) < 0.5, rng.normal(0, 0.35, (count, 2)), 0.0)
    ramp = torch.exp(_column(slope[:, 0], device) * x + _column(slope[:, 1], device) * y)
    fall = _column(np.where(rng.random(count) < 0.4, rng.uniform(0, 0.45, count), 0), device)
    vignette = 1.0 - fall * (x**2 + y**2) / 2
    # Shadows: one field cut at a random level, its edge soft or hard.
    blobs = _fields(count, 1, int(rng.integers(3, 9)), low, generator)
    level = _column(rng.normal(0.4, 0.6, count), device)
    edge = _column(np.exp(rng.uniform(np.log(1.5), np.log(25), count)), device)
    depth = _column(np.where(rng.random(count) < 0.4, rng.uniform(0.1, 0.75, count), 0), device)
    shadow = 1.0 - depth * torch.sigmoid((blobs - level) * edge)
    tint = torch.from_numpy(np.array([0.97, 1.0, 1.06]) ** rng.uniform(0, 1.5)).float().to(device)
    shadow = shadow ** (1.0 / tint.view(1, 3, 1, 1))  # sky light fills shadows with blue
    coarse = field * ramp * vignette * shadow
    return functional.interpolate(
        coarse, tuple(int(v) for v in shape), mode="bilinear", align_corners=False
    )


def _kernel(kind: str, sigma: float, size: int, rng: np.random.Generator) -> np.ndarray:
    """One blur kernel, (size, size), of a given spread along each axis."""
    middle = size // 2
    y, x = np.mgrid[-middle : middle + 1, -middle : middle + 1].astype(np.float64)
    if kind == "disk":  # out of focus: sigma is half the radius
        kernel = np.clip(2 * sigma + 0.5 - np.hypot(x, y), 0, 1)
    elif kind == "motion":
        angle = rng.uniform(0, np.pi)
        along = x * np.cos(angle) + y * np.sin(angle)
        across = -x * np.sin(angle) + y * np.cos(angle)
        half = min(sigma * 12**0.5 / 2, middle)
        kernel = np.exp(-(across**2) / (2 * 0.5**2)) * np.clip(half + 0.5 - abs(along), 0, 1)
    else:
        stretch = rng.uniform(0.8, 1.25)
        kernel = np.exp(-((x / stretch) ** 2 + (y * stretch) ** 2) / (2 * max(sigma, 0.05) ** 2))
    return kernel / kernel.sum()


def _filter_each(image: Tensor, kernels: np.ndarray) -> Tensor:
    """Filter each image of a batch with its own kernel."""
    count, channels, height, width = image.shape
    side = kernels.shape[-1]
    weight = torch.from_numpy(kernels).to(image).view(count, 1, side, side)
    weight = weight.repeat_interleave(channels, dim=0)
    padded = functional.pad(image, (side // 2,) * 4, mode="replicate")
    flat = padded.reshape(1, count * channels, *padded.shape[2:])
    return functional.conv2d(flat, weight, groups=count * channels).view(
        count, channels, height, width
    )


def blur(light: Tensor, sigma: np.ndarray, ruined: np.ndarray, rng: np.random.Generator) -> Tensor:
    """Defocus, shake or softness of given spread in px; `ruined` ones at half resolution."""
    kinds = rng.choice(["disk", "motion", "gauss"], len(sigma), p=[0.4, 0.3, 0.3])
    slight = [i for i in range(len(sigma)) if sigma[i] > 0.25 and sigma[i] <= 2.5]
    heavy = [i for i in range(len(sigma)) if sigma[i] > 2.5]
    if slight:
        kernels = np.stack([_kernel(kinds[i], sigma[i], LIGHT_KERNEL, rng) for i in slight])
        light[slight] = _filter_each(light[slight], kernels)
    if heavy:
        small = functional.avg_pool2d(light[heavy], 2)
        kernels = np.stack([_kernel(kinds[i], sigma[i] / 2, HEAVY_KERNEL, rng) for i in heavy])
        light[heavy] = functional.interpolate(
            _filter_each(small, kernels), light.shape[2:], mode="bilinear", align_corners=False
        )
    return light


def add_noise(
    light: Tensor, gain: np.ndarray, rng: np.random.Generator, generator: torch.Generator
) -> Tensor:
    """Shot and read noise of a sensor, in linear light, partly blurred by demosaicing.

    Variance is (read + shot * light); a photo lifted from darkness is lifted with its noise.
    """
    count = light.shape[0]
    strength = np.where(rng.random(count) < 0.7, np.exp(rng.uniform(-1.5, 1.2, count)), 0.05)
    dark = gain < 0.05
    strength = np.where(dark, strength * 0.3, strength)
    shot = _column(1.5e-4 * strength**2, light.device)
    read = _column(2e-6 * strength**2, light.device)
    noise = torch.randn(light.shape, generator=generator, device=light.device)
    soft = functional.avg_pool2d(noise, 3, 1, 1, count_include_pad=False) * 2.2
    mix = _column(rng.uniform(0, 1, count), light.device)
    noise = noise * (1 - mix) + soft * mix
    grey = _column(rng.uniform(0, 0.8, count), light.device)
    noise = noise * (1 - grey) + noise.mean(1, keepdim=True) * 1.7 * grey
    return (light + noise * (read + shot * light.clamp(min=0)).sqrt()).clamp(min=0)


def _colour_matrices(count: int, rng: np.random.Generator) -> np.ndarray:
    """Saturation and hue changes that keep luma: (N, 3, 3)."""
    to_yiq = np.array([[0.299, 0.587, 0.114], [0.596, -0.274, -0.322], [0.211, -0.523, 0.312]])
    back = np.linalg.inv(to_yiq)
    out = np.empty((count, 3, 3))
    for i in range(count):
        saturation = np.exp(rng.normal(0, 0.25)) if rng.random() > 0.02 else 0.0
        hue = np.deg2rad(rng.normal(0, 6))
        turn = np.array(
            [
                [1, 0, 0],
                [0, saturation * np.cos(hue), -saturation * np.sin(hue)],
                [0, saturation * np.sin(hue), saturation * np.cos(hue)],
            ]
        )
        out[i] = back @ turn @ to_yiq
    return out


def to_display(light: Tensor, rng: np.random.Generator, protect: Sequence[bool]) -> Tensor:
    """Tone curve, contrast and colour: linear light to display values 0..1.

    `protect` marks samples that must stay dark, so no curve may lift them.
    """
    count = light.shape[0]
    image = light.clamp(0, 1.5)
    # A soft shoulder instead of a hard clip, for some.
    shoulder = _column(rng.random(count) < 0.5, light.device)
    rolled = torch.where(image > 0.7, 0.7 + 0.3 * torch.tanh((image - 0.7) / 0.3), image)
    image = (image * (1 - shoulder) + rolled * shoulder).clamp(1e-6, 1) ** (1 / GAMMA)
    gamma = np.exp(rng.normal(0, 0.13, count))
    gamma[np.asarray(protect, bool)] = 1.0
    image = image ** _column(gamma, light.device)
    contrast = rng.normal(0.1, 0.25, count)
    contrast[np.asarray(protect, bool)] = 0.0
    curve = (
        image
        + _column(np.clip(contrast, -0.4, 0.7), light.device)
        * (image * (1 - image) * (2 * image - 1))
        * 2.0
    )
    matrices = torch.from_numpy(_colour_matrices(count, rng)).float().to(light.device)
    flat = torch.bmm(matrices, curve.flatten(2))
    return flat.view_as(curve).clamp(0, 1)


def occlude(image: Tensor, rng: np.random.Generator, generator: torch.Generator) -> Tensor:
    """A few small patches of noise or plain colour, in a tenth of the photos."""
    count, _, height, width = image.shape
    for i in np.flatnonzero(rng.random(count) < 0.1):
        for _ in range(int(rng.integers(1, 4))):
            h = int(height * rng.uniform(0.008, 0.035))
            w = int(width * rng.uniform(0.008, 0.035))
            top, left = int(rng.integers(0, height - h)), int(rng.integers(0, width - w))
            colour = torch.rand(3, 1, 1, generator=generator, device=image.device)
            image[i, :, top : top + h, left : left + w] = colour
    return image


def sharpen(image: Tensor, rng: np.random.Generator) -> Tensor:
    """Phones oversharpen: unsharp masking with its halos, in half of the photos."""
    chosen = np.flatnonzero(rng.random(image.shape[0]) < 0.5).tolist()
    if not chosen:
        return image
    part = image[chosen]
    kernels = np.stack([_kernel("gauss", rng.uniform(0.6, 2.2), LIGHT_KERNEL, rng) for _ in chosen])
    amount = _column(rng.uniform(0.1, 1.3, len(chosen)), image.device)
    image[chosen] = (part + amount * (part - _filter_each(part, kernels))).clamp(0, 1)
    return image


def lose_resolution(
    image: Tensor, allowed: Sequence[int], rng: np.random.Generator, look: bool
) -> Tensor:
    """Down and up again, for a quarter of the photos (one factor a batch)."""
    chosen = [i for i in allowed if rng.random() < 0.25]
    if not chosen:
        return image
    factor = rng.uniform(0.75, 0.97) if look else rng.uniform(0.5, 0.95)
    image[chosen] = _enlarged(_reduced(image[chosen], factor), image, rng)
    return image


BLOWN_UP_SHARE = 0.6
BLOWN_UP_PARTS = (0.28, 0.9)


def blow_up(image: Tensor, close: Sequence[int], rng: np.random.Generator) -> Tensor:
    """What a closer look at a photo sees: its own pixels and JPEG blocks, enlarged.

    A photo of a megapixel has a third of a pixel for each that the closer look wants, one of twelve
    has as many. `close` are the pictures that show part of a stalk, of which most become so, two
    factors a batch.
    """
    chosen = [i for i in close if rng.random() < BLOWN_UP_SHARE]
    for part in (chosen[::2], chosen[1::2]):
        if not part:
            continue
        small = _reduced(image[part], float(np.exp(rng.uniform(*np.log(BLOWN_UP_PARTS)))))
        levels = rng.uniform(70, 97, len(part))
        small = jpeg_round_trip(small, levels, bool(rng.random() < 0.7))
        image[part] = _enlarged(small, image, rng)
    return image


def _reduced(image: Tensor, factor: float) -> Tensor:
    size = (int(image.shape[2] * factor), int(image.shape[3] * factor))
    return functional.interpolate(image, size, mode="bilinear", align_corners=False, antialias=True)


def _enlarged(small: Tensor, image: Tensor, rng: np.random.Generator) -> Tensor:
    """As large as `image`."""
    how = str(rng.choice(["bilinear", "bicubic"]))
    return functional.interpolate(small, image.shape[2:], mode=how, align_corners=False).clamp(0, 1)


def compress(image: Tensor, rng: np.random.Generator) -> Tensor:
    """JPEG in two thirds of the photos, mostly good, sometimes poor, chroma halved or not."""
    chosen = np.flatnonzero(rng.random(image.shape[0]) < 0.65).tolist()
    if not chosen:
        return image
    quality = np.where(
        rng.random(len(chosen)) < 0.7,
        rng.uniform(70, 97, len(chosen)),
        rng.uniform(35, 70, len(chosen)),
    )
    half = len(chosen) * 7 // 10
    for part, levels, subsample in (
        (chosen[:half], quality[:half], True),
        (chosen[half:], quality[half:], False),
    ):
        if part:
            image[part] = jpeg_round_trip(image[part], levels, subsample)
    return image
