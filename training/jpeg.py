"""JPEG's losses in torch: 8 x 8 cosine transform, quantisation, halved chroma.

Tables are those of ITU-T Recommendation T.81 (1992), Annex K, scaled by quality as the
Independent JPEG Group's library does. No entropy coding: that step loses nothing.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional

LUMA_TABLE = np.array(
    [
        [16, 11, 10, 16, 24, 40, 51, 61],
        [12, 12, 14, 19, 26, 58, 60, 55],
        [14, 13, 16, 24, 40, 57, 69, 56],
        [14, 17, 22, 29, 51, 87, 80, 62],
        [18, 22, 37, 56, 68, 109, 103, 77],
        [24, 35, 55, 64, 81, 104, 113, 92],
        [49, 64, 78, 87, 103, 121, 120, 101],
        [72, 92, 95, 98, 112, 100, 103, 99],
    ]
)
CHROMA_TABLE = np.full((8, 8), 99)
CHROMA_TABLE[:4, :4] = [[17, 18, 24, 47], [18, 21, 26, 66], [24, 26, 56, 99], [47, 66, 99, 99]]

# JFIF 1.02: RGB to luma and two chroma, all on 0..255 and without the offset of 128.
TO_YCC = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])


def _transform() -> np.ndarray:
    """The orthonormal 8-point DCT-II as a matrix."""
    k, n = np.mgrid[0:8, 0:8]
    matrix = np.cos(np.pi * (2 * n + 1) * k / 16) * 0.5
    matrix[0] *= 0.5**0.5
    return matrix


def quality_tables(quality: Sequence[float] | np.ndarray) -> np.ndarray:
    """Quantisation tables of each quality 1..100: (N, 2, 8, 8), luma then chroma."""
    quality = np.asarray(quality, np.float64)
    scale = np.where(quality < 50, 5000 / quality, 200 - 2 * quality)[:, None, None, None]
    base = np.stack([LUMA_TABLE, CHROMA_TABLE])[None]
    return np.clip(np.floor((base * scale + 50) / 100), 1, 255)


def _quantise(plane: Tensor, table: Tensor, transform: Tensor) -> Tensor:
    """Round one plane (N, C, H, W; -128..127) in the cosine domain with (N, 8, 8) tables."""
    n, c, height, width = plane.shape
    pad = (0, -width % 8, 0, -height % 8)
    padded = functional.pad(plane, pad, mode="replicate") if any(pad) else plane
    rows, columns = padded.shape[2] // 8, padded.shape[3] // 8
    blocks = padded.reshape(n, c, rows, 8, columns, 8).permute(0, 1, 2, 4, 3, 5)
    # One 64 x 64 product for rows and columns together: many 8 x 8 products are slow on a GPU.
    both = torch.kron(transform, transform)
    steps = table.flatten(1)[:, None, None, None]
    coefficients = torch.round(blocks.flatten(-2) @ both.T / steps) * steps
    blocks = (coefficients @ both).unflatten(-1, (8, 8))
    whole = blocks.permute(0, 1, 2, 4, 3, 5).reshape(n, c, rows * 8, columns * 8)
    return whole[..., :height, :width]


def jpeg_round_trip(
    image: Tensor, quality: Sequence[float] | np.ndarray, subsample: bool = True
) -> Tensor:
    """Give images (N, 3, H, W; sRGB 0..1) as they come back from JPEG.

    Parameters
    ----------
    quality : one value 1..100 an image.
    subsample : halve the chroma both ways (4:2:0), else keep it (4:4:4).
    """
    to_ycc = torch.from_numpy(TO_YCC).float().to(image.device)
    back = torch.from_numpy(np.linalg.inv(TO_YCC)).float().to(image.device)
    tables = torch.from_numpy(quality_tables(quality)).float().to(image.device)
    transform = torch.from_numpy(_transform()).float().to(image.device)
    height, width = image.shape[2:]
    ycc = torch.einsum("ij,njhw->nihw", to_ycc, image * 255.0)
    luma = _quantise(ycc[:, :1] - 128.0, tables[:, 0], transform) + 128.0
    chroma = ycc[:, 1:]
    if subsample:
        chroma = functional.avg_pool2d(chroma, 2, ceil_mode=True, count_include_pad=False)
    chroma = _quantise(chroma, tables[:, 1], transform)
    if subsample:
        chroma = functional.interpolate(
            chroma,
            (chroma.shape[2] * 2, chroma.shape[3] * 2),
            mode="bilinear",
            align_corners=False,
        )[..., :height, :width]
    out = torch.einsum("ij,njhw->nihw", back, torch.cat([luma, chroma], 1)) / 255.0
    return out.clamp(0, 1)
