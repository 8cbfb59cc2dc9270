"""Ground seen from above: clods, furrows and wheel tracks, soil's colour, straw and stones."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from .field import Stand
from .plantlibrary import LightMesh, hsv
from .textures import speckle

CELLS = 288
"""Squares a side of the ground's height grid."""
TEXTURE_PX = 768
FAR_MM = 1.15e4
"""Half the side of the plain that closes the scene."""


NOISE_BANDS: dict[str, tuple[tuple[float, float], float, float]] = {
    "fine": ((0.4, 1.1), 160.0, 2.0),  # crumbs, ripples
    "clods": ((-0.3, 0.4), 42.0, 9.0),
    "coarse": ((1.3, 2.0), 800.0, 20.0),  # patches
}
"""Range of the amplitude's fall with frequency; longest and shortest wavelength, px."""


def spectral_noise(
    rng: np.random.Generator, fall: float, longest_px: float, shortest_px: float
) -> np.ndarray:
    """(TEXTURE_PX, TEXTURE_PX) noise that repeats without a seam, zero mean, unit variance."""
    frequency = np.hypot(
        np.fft.fftfreq(TEXTURE_PX)[:, None], np.fft.rfftfreq(TEXTURE_PX)[None]
    ).astype(np.float32)
    amplitude = np.maximum(frequency, 1e-6) ** np.float32(-fall)
    amplitude[(frequency < 1 / longest_px) | (frequency > 1 / shortest_px)] = 0
    white = np.fft.rfft2(rng.standard_normal((TEXTURE_PX, TEXTURE_PX)))
    image = np.fft.irfft2(white * amplitude, (TEXTURE_PX, TEXTURE_PX)).astype(np.float32)
    return (image - image.mean()) / image.std()


@dataclass
class Noises:
    """Noise fields kept by one process: new ground is mixed from turned and shifted copies."""

    rng: np.random.Generator
    kept: dict[str, list[np.ndarray]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for kind in NOISE_BANDS:
            self.kept[kind] = []
            for _ in range(4):
                self._add(kind)

    def _add(self, kind: str) -> None:
        falls, longest, shortest = NOISE_BANDS[kind]
        stretch = float(np.exp(self.rng.uniform(-0.4, 0.4)))
        self.kept[kind].append(
            spectral_noise(
                self.rng, self.rng.uniform(*falls), longest * stretch, shortest * stretch
            )
        )

    def renew(self) -> None:
        """Put a new field for an old one."""
        kind = list(NOISE_BANDS)[int(self.rng.integers(len(NOISE_BANDS)))]
        self._add(kind)
        del self.kept[kind][0]

    def draw(self, rng: np.random.Generator, kind: str, size: int) -> np.ndarray:
        """A (size, size) field, zero mean, about unit variance."""
        image = self.kept[kind][int(rng.integers(len(self.kept[kind])))]
        image = np.rot90(image, int(rng.integers(4)))
        image = np.roll(image, tuple(rng.integers(0, TEXTURE_PX, 2)), (0, 1))
        if size != TEXTURE_PX:
            image = cv2.resize(image, (size, size), interpolation=cv2.INTER_AREA)
        return np.ascontiguousarray(image * rng.choice([-1.0, 1.0]), np.float32)


@dataclass(frozen=True)
class Ground:
    """A square of ground about the origin.

    Attributes
    ----------
    vertices, faces, uv : ndarray
        Of the height field and the plain around it; uv repeats by mirroring.
    heights : ndarray, (CELLS, CELLS)
        mm, rows along y.
    half_mm : float
        Half the square's side.
    texture : ndarray, (TEXTURE_PX, TEXTURE_PX, 3)
        Linear reflectance.
    """

    vertices: np.ndarray
    faces: np.ndarray
    uv: np.ndarray
    heights: np.ndarray
    half_mm: float
    texture: np.ndarray

    def height(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Height of the ground at points, mm."""
        step = 2 * self.half_mm / (CELLS - 1)
        column = np.clip(np.round((np.asarray(x_mm) + self.half_mm) / step), 0, CELLS - 1)
        row = np.clip(np.round((np.asarray(y_mm) + self.half_mm) / step), 0, CELLS - 1)
        found: np.ndarray = self.heights[row.astype(int), column.astype(int)]
        return found


_CELL_FACES: list[np.ndarray] = []


def _faces() -> np.ndarray:
    from .mesh import grid_faces

    if not _CELL_FACES:
        _CELL_FACES.append(grid_faces(CELLS, CELLS))
    return _CELL_FACES[0]


def lay(rng: np.random.Generator, noises: Noises, stand: Stand, half_mm: float) -> Ground:
    """Draw a square of ground under a stand."""
    fine = noises.draw(rng, "fine", CELLS)
    coarse = noises.draw(rng, "coarse", CELLS)
    rough = float(np.exp(rng.uniform(np.log(0.8), np.log(11.0))))
    clods = np.clip(noises.draw(rng, "clods", CELLS) - rng.uniform(-0.3, 2.0), 0, 2.5)
    axis = np.linspace(-half_mm, half_mm, CELLS)
    x, y = np.meshgrid(axis, axis)
    across = stand.across(x, y)
    furrow = np.exp(-((across / rng.uniform(25, 90)) ** 2)) * rng.uniform(-22, 14)
    heights = rough * fine + rng.uniform(0, 20) * clods + rng.uniform(0, 9) * coarse + furrow
    heights = heights * np.clip(1 - 0.5 * np.exp(-((across / 40) ** 2)), 0, 1)
    track = rng.random() < 0.25
    if track:  # a wheel between two rows, its lugs pressed in
        wide = rng.uniform(110, 260)
        middle = np.abs(np.abs(across) - stand.row_spacing_mm / 2)
        lane = np.clip((wide / 2 + 30 - middle) / 60, 0, 1)
        along = x * math.cos(stand.row_direction_rad) + y * math.sin(stand.row_direction_rad)
        lugs = np.sin(2 * np.pi * along / rng.uniform(60, 180)) * rng.uniform(0, 6)
        pressed = 0.4 * heights - rng.uniform(3, 18) + lugs
        heights = heights + lane * (pressed - heights)
    rim = np.clip((half_mm - np.maximum(np.abs(x), np.abs(y))) / (0.06 * half_mm), 0, 1)
    heights = (heights - heights.mean()) * rim
    texture = _texture(rng, noises)
    grid = np.stack([x, y, heights], -1).reshape(-1, 3)
    repeat = half_mm * 2 / rng.uniform(900, 1700)
    uv = (grid[:, :2] + half_mm) / (2 * half_mm) * repeat
    far = np.array([[a, b, -2.0] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    far[:, :2] *= FAR_MM
    low = np.min(heights) - 1.0
    far[:, 2] = min(low, -30.0)
    count = len(grid)
    plain = np.array([[count, count + 1, count + 2], [count, count + 2, count + 3]], np.uint32)
    return Ground(
        np.concatenate([grid, far]),
        np.concatenate([_faces(), plain]),
        np.concatenate([uv, far[:, :2] / (2 * half_mm) * repeat]),
        heights,
        half_mm,
        texture,
    )


def _texture(rng: np.random.Generator, noises: Noises) -> np.ndarray:
    """Soil's colour: brown, grey, red or nearly black, dry and wet patches, crumbs."""
    kind = rng.random()
    if kind < 0.72:  # browns
        base = hsv(rng.uniform(14, 36), rng.uniform(0.18, 0.58), rng.uniform(0.2, 0.62))[0]
    elif kind < 0.86:  # greys and near black
        base = hsv(rng.uniform(15, 50), rng.uniform(0.03, 0.22), rng.uniform(0.14, 0.68))[0]
    else:  # red earth
        base = hsv(rng.uniform(4, 18), rng.uniform(0.4, 0.75), rng.uniform(0.25, 0.6))[0]
    fine = noises.draw(rng, "fine", TEXTURE_PX)
    coarse = noises.draw(rng, "coarse", TEXTURE_PX)
    shade = 1 + rng.uniform(0.1, 0.4) * fine + rng.uniform(0, 0.13) * coarse
    shade = shade + rng.uniform(0.05, 0.2) * rng.standard_normal(shade.shape).astype(np.float32)
    image = base.astype(np.float32) * np.clip(shade, 0.15, 2.2)[..., None]
    if rng.random() < 0.45:  # wet patches
        wet = np.clip(noises.draw(rng, "coarse", TEXTURE_PX) - rng.uniform(-0.5, 1.5), 0, 1)
        image *= (1 - wet * rng.uniform(0.15, 0.6))[..., None]
    if rng.random() < 0.4:  # crumbs of straw and pale grit
        bits = speckle(rng, TEXTURE_PX // 2, TEXTURE_PX // 2, rng.uniform(0.001, 0.015), 0.6)
        bits = cv2.resize(bits, (TEXTURE_PX, TEXTURE_PX))[..., None]
        grit = hsv(rng.uniform(25, 55), rng.uniform(0.1, 0.45), rng.uniform(0.35, 0.7))[0]
        image = image + (grit.astype(np.float32) - image) * bits
    if rng.random() < 0.08:  # algae, moss or a film of seedlings: green that is no plant
        film = np.clip(noises.draw(rng, "coarse", TEXTURE_PX) - rng.uniform(0.2, 1.5), 0, 1)
        green = hsv(rng.uniform(60, 110), rng.uniform(0.2, 0.5), rng.uniform(0.2, 0.45))[0]
        image = (
            image + (green.astype(np.float32) - image) * (film * rng.uniform(0.2, 0.7))[..., None]
        )
    return np.clip(image, 0.004, 0.8).astype(np.float32)


def litter(rng: np.random.Generator, stand: Stand, ground: Ground, reach_mm: float) -> LightMesh:
    """Straw, stalk pieces and stones on the ground, all at once as arrays."""
    area = 4 * reach_mm**2
    if rng.random() < 0.4:
        long, wide = rng.uniform(60, 240), rng.uniform(5, 13)  # stalks of last year's corn
    else:
        long, wide = rng.uniform(25, 120), rng.uniform(1.5, 5)  # straw
    count = int(min(stand.residue_share * area / (0.5 * long * wide), 6000))
    x, y = rng.uniform(-reach_mm, reach_mm, (2, count))
    if rng.random() < 0.4:  # the planter's row cleaners push it aside
        keep = np.abs(stand.across(x, y)) > rng.uniform(40, 130)
        x, y = x[keep], y[keep]
    count = len(x)
    length = long * rng.uniform(0.2, 1.5, count)
    half = wide * rng.uniform(0.25, 0.8, count)
    turn = rng.uniform(0, np.pi, count)
    if rng.random() < 0.3:
        turn = stand.row_direction_rad + rng.normal(0, 0.4, count)
    pieces = _strips(rng, ground, x, y, length, half, turn)
    hue, tone = rng.uniform(28, 48), rng.uniform(0.4, 0.85)
    colours = hsv(
        rng.normal(hue, 5, count),
        rng.uniform(0.08, 0.45, count),
        np.clip(tone * rng.uniform(0.5, 1.25, count), 0.1, 0.95),
    ).reshape(-1, 3)
    straw = LightMesh(
        pieces.reshape(-1, 3),
        _strip_faces(count),
        np.repeat(colours, 6, axis=0),
        np.zeros(4 * count, np.int32),
    )
    return _with_stones(rng, straw, ground, reach_mm)


def _strips(
    rng: np.random.Generator,
    ground: Ground,
    x: np.ndarray,
    y: np.ndarray,
    length: np.ndarray,
    half: np.ndarray,
    turn: np.ndarray,
) -> np.ndarray:
    """Six points each strip, (count, 6, 3): two edges of three points, a little bent."""
    count = len(x)
    t = np.array([-0.5, 0.0, 0.5])
    way = np.stack([np.cos(turn), np.sin(turn)], 1)
    side = np.stack([-way[:, 1], way[:, 0]], 1)
    bend = rng.normal(0, 0.06, count)[:, None] * (1 - (2 * t) ** 2) * length[:, None]
    middle = (
        np.stack([x, y], 1)[:, None]
        + way[:, None] * (t * length[:, None])[..., None]
        + side[:, None] * bend[..., None]
    )
    z = ground.height(middle[..., 0], middle[..., 1]) + rng.uniform(1, 5, count)[:, None]
    z = 0.5 * z + 0.5 * z.max(1, keepdims=True)
    edges = [middle + sign * side[:, None] * half[:, None, None] for sign in (-1, 1)]
    points = np.concatenate(edges, 1)
    tilt = rng.normal(0, 0.5, count)[:, None] * half[:, None]
    return np.concatenate([points, np.concatenate([z - tilt, z + tilt], 1)[..., None]], -1)


def _strip_faces(count: int) -> np.ndarray:
    one = np.array([[0, 1, 3], [1, 4, 3], [1, 2, 4], [2, 5, 4]], np.uint32)
    return (one[None] + (6 * np.arange(count, dtype=np.uint32))[:, None, None]).reshape(-1, 3)


def _with_stones(
    rng: np.random.Generator, straw: LightMesh, ground: Ground, reach_mm: float
) -> LightMesh:
    """Add stones and big clods as squashed octahedra."""
    count = int(rng.integers(0, 160) * rng.random() ** 2)
    if not count:
        return straw
    x, y = rng.uniform(-reach_mm, reach_mm, (2, count))
    size = np.clip(rng.lognormal(2.0, 0.6, count), 2, 45)
    axes = np.array([[1, 0, 0], [0, 1, 0], [-1, 0, 0], [0, -1, 0], [0, 0, 1], [0, 0, -1.0]])
    radii = size[:, None, None] * rng.uniform(0.55, 1.2, (count, 6, 1))
    turn = rng.uniform(0, 1.6, count)
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    points = axes[None] * radii
    points = np.stack(
        [
            points[..., 0] * c - points[..., 1] * s,
            points[..., 0] * s + points[..., 1] * c,
            points[..., 2] * 0.6,
        ],
        -1,
    )
    points += np.stack([x, y, ground.height(x, y) + 0.1 * size], 1)[:, None]
    one = np.array(
        [[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4], [1, 0, 5], [2, 1, 5], [3, 2, 5], [0, 3, 5]]
    )
    faces = (one[None] + (6 * np.arange(count))[:, None, None]).reshape(-1, 3).astype(np.uint32)
    colours = hsv(
        rng.normal(rng.uniform(15, 45), 4, count),
        rng.uniform(0.02, 0.4, count),
        rng.uniform(0.2, 0.8, count),
    )
    stones = LightMesh(
        points.reshape(-1, 3), faces, np.repeat(colours, 6, axis=0), np.zeros(len(faces), np.int32)
    )
    from .plantlibrary import join_light

    return join_light([straw, stones]) if len(straw.vertices) else stones
