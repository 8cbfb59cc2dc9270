"""Pixels: sample the views on the GPU, then put a phone between the plant and the network.

All random choices fall on the CPU (`Look`), so that a seed repeats a run and the GPU never waits;
all pixels are worked on as one batch. Units: light is linear, 0..1; blur is in network px.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

from training import phone
from training.network import MAP_STRIDE
from training.samples import Sample
from training.views import View

CLASS_COUNT = 5
PAD_GREY = 114.0 / 255.0  # what run time puts outside the photo
# Blur in READ px (sigma): up to the first a photo is fine, from the second it is "blurred".
FINE_BLUR, RUINED_BLUR = 1.6, (4.5, 11.0)
# Mean linear light: below the second a photo is "dark"; nothing is made between the two.
FINE_LIGHT, RUINED_LIGHT = (0.03, 0.5), (0.0006, 0.006)
BLURRED_SHARE, DARK_SHARE = 0.04, 0.03
BACKGROUND_SHARE = 0.25
RECOLOURED_SHARE = 0.35


@dataclass(frozen=True)
class Look:
    """A batch's views and what they became.

    ``reasons`` are the truth's, but "blurred" and "dark" where augmentation makes them so.
    """

    samples: Sequence[Sample]
    views: Sequence[View]
    reasons: Sequence[str]
    blur_sigma: np.ndarray  # (N,) in network px; 0 none
    ruined: np.ndarray  # (N,) bool: blurred past reading
    light: np.ndarray  # (N,) factor on linear light
    seed: int


def decide(samples: Sequence[Sample], views: Sequence[View], rng: np.random.Generator) -> Look:
    """Choose blur and light for each view, and with them what its reason becomes."""
    count = len(samples)
    reasons = [view.reason for view in views]
    blur, ruined, light = np.zeros(count), np.zeros(count, bool), np.ones(count)
    for i, (sample, view) in enumerate(zip(samples, views, strict=True)):
        fate = rng.random()
        mean = max(sample.mean_light, 1e-4)
        if reasons[i] == "dark":
            light[i] = np.exp(rng.uniform(-0.3, 0.2))
        else:
            aim = np.clip(mean * np.exp(rng.normal(0, 0.55)), *FINE_LIGHT)
            light[i] = aim / mean
        if rng.random() < 0.4:
            blur[i] = rng.uniform(0.3, FINE_BLUR) / max(view.read_px_per_px, 1e-3)
        if reasons[i] == "ok" and fate < BLURRED_SHARE:
            reasons[i] = "blurred"
            ruined[i] = True
            blur[i] = np.exp(rng.uniform(*np.log(RUINED_BLUR))) / view.read_px_per_px
        elif reasons[i] == "ok" and fate < BLURRED_SHARE + DARK_SHARE:
            reasons[i] = "dark"
            light[i] = np.exp(rng.uniform(*np.log(RUINED_LIGHT))) / mean
    return Look(samples, views, reasons, blur, ruined, light, int(rng.integers(2**31)))


def _grid(views: Sequence[View], device: torch.device) -> Tensor:
    """Sample px under each network px centre: (N, H, W, 2)."""
    width, height = views[0].width, views[0].height
    matrices = torch.from_numpy(np.stack([view.sample_from_net for view in views]))
    matrices = matrices.float().to(device)
    x = torch.arange(width, device=device) + 0.5
    y = torch.arange(height, device=device) + 0.5
    rows, columns = torch.meshgrid(y, x, indexing="ij")
    rows = torch.stack([view.unstretched(rows) for view in views])
    # Term by term: a matrix product might run in reduced precision and move points by a pixel.
    m = matrices[..., None, None]
    mapped = [m[:, k, 0] * columns + m[:, k, 1] * rows + m[:, k, 2] for k in range(3)]
    return torch.stack([mapped[0] / mapped[2], mapped[1] / mapped[2]], dim=-1)


def _window_mask(views: Sequence[View], device: torch.device) -> Tensor:
    """1 inside each view's photo window: (N, 1, H, W)."""
    edges = torch.tensor([view.window for view in views], device=device)
    x = torch.arange(views[0].width, device=device) + 0.5
    y = torch.arange(views[0].height, device=device) + 0.5
    in_x = (x >= edges[:, 0:1]) & (x < edges[:, 2:3])
    in_y = (y >= edges[:, 1:2]) & (y < edges[:, 3:4])
    return (in_y[:, None, :, None] & in_x[:, None, None, :]).float()


def sample_views(
    samples: Sequence[Sample], views: Sequence[View], device: torch.device
) -> tuple[Tensor, Tensor, Tensor]:
    """Read each view's pixels from its sample.

    Returns
    -------
    image : (N, 3, H, W) float, sRGB 0..1, whatever lies outside undefined.
    mask : (N, 1, H, W) float class ids; 0 outside.
    inside : (N, 1, H, W) float, 1 where there is photo.
    """
    grid = _grid(views, device)
    window = _window_mask(views, device)
    images, masks, insides = [], [], []
    sizes = torch.tensor([tuple(s.mask.shape[::-1]) for s in samples], dtype=torch.float32)
    grid = grid * (2.0 / sizes).to(device)[:, None, None] - 1.0
    for i, (sample, view) in enumerate(zip(samples, views, strict=True)):
        pixels = sample.image.to(device, non_blocking=True).permute(2, 0, 1)[None]
        pixels = pixels.float().contiguous()
        ids = sample.mask.to(device, non_blocking=True)[None, None].float()
        height, width = ids.shape[2:]
        where = grid[i : i + 1]
        # Shrinking would alias: average areas first, as run time does, and a little less than
        # all the way, since the bilinear step softens as well.
        shrink = 0.75 * np.sqrt(abs(np.linalg.det(view.sample_from_net[:2, :2])))
        if shrink > 1.0:
            small = (max(1, round(height / shrink)), max(1, round(width / shrink)))
            pixels = functional.interpolate(pixels, small, mode="area")
        images.append(
            functional.grid_sample(
                pixels, where, mode="bilinear", padding_mode="border", align_corners=False
            )
        )
        masks.append(
            functional.grid_sample(
                ids, where, mode="nearest", padding_mode="zeros", align_corners=False
            )
        )
        insides.append((where.abs() <= 1.0).all(-1)[:, None].float())
    inside = torch.cat(insides) * window
    return torch.cat(images) / 255.0, torch.cat(masks) * inside, inside


def class_shares(mask: Tensor) -> Tensor:
    """Share of each class in each map cell: (N, 1, H, W) ids -> (N, 5, H/4, W/4)."""
    return torch.cat(
        [functional.avg_pool2d((mask == k).float(), MAP_STRIDE) for k in range(CLASS_COUNT)],
        dim=1,
    )


def fill_outside(image: Tensor, inside: Tensor, fills: Tensor) -> Tensor:
    """Put a colour (N, 3) where the photo has ended; a negative colour keeps the edge's pixels."""
    fills = fills[..., None, None]
    keep = (fills < 0).float()
    return image * torch.maximum(inside, keep) + fills.clamp(min=0) * (1 - inside) * (1 - keep)


def plain_batch(
    samples: Sequence[Sample], views: Sequence[View], device: torch.device
) -> tuple[Tensor, Tensor]:
    """Views without augmentation: image (N, 3, H, W) and class shares (N, 5, H/4, W/4)."""
    image, mask, inside = sample_views(samples, views, device)
    grey = torch.full((len(samples), 3), PAD_GREY, device=device)
    return fill_outside(image, inside, grey), class_shares(mask)


def augmented_batch(look: Look, device: torch.device) -> tuple[Tensor, Tensor]:
    """Sample the views and pass them through field light and a phone's camera.

    Gives image (N, 3, H, W) in 0..1 and class shares (N, 5, H/4, W/4).
    """
    rng = np.random.default_rng(look.seed)
    generator = torch.Generator(device=device).manual_seed(look.seed)
    image, mask, inside = sample_views(look.samples, look.views, device)
    shares = class_shares(mask)
    count = image.shape[0]

    known = [sample.truth.known("classes") for sample in look.samples]
    # Only where nothing outside the mask decides the answer may the background be painted over.
    paint = [
        i
        for i in range(count)
        if look.reasons[i] in ("ok", "cut_off")
        and rng.random() < BACKGROUND_SHARE
        # Without a part map the plant itself would be painted over.
        and known[i]
    ]
    if paint:
        image[paint] = phone.paint_background(image[paint], mask[paint], rng, generator)

    light = phone.to_linear(image)
    light = phone.recolour_parts(light, mask, (rng.random(count) < RECOLOURED_SHARE) & known, rng)
    light = light * phone.illumination(count, image.shape[2:], rng, generator, look.light)
    light = phone.blur(light, look.blur_sigma, look.ruined, rng)
    light = phone.add_noise(light, look.light, rng, generator)
    image = phone.to_display(light, rng, protect=[r == "dark" for r in look.reasons])
    image = phone.occlude(image, rng, generator)
    image = phone.sharpen(image, rng)
    fine = [i for i in range(count) if not look.ruined[i]]
    close = [i for i in fine if look.samples[i].truth.view == "close"]
    image = phone.blow_up(image, close, rng)
    image = phone.lose_resolution(image, fine, rng, look.views[0].look)
    image = phone.compress(image, rng)

    kind = rng.random(count)
    colours = rng.uniform(0, 1, (count, 1)).repeat(3, axis=1)
    colours[kind < 0.7] = PAD_GREY
    colours[kind > 0.9] = -1.0
    fills = torch.from_numpy(colours).float().to(device)
    return fill_outside(image, inside, fills).clamp(0, 1), shares
