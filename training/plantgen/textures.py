"""Procedural textures, all as linear RGB reflectance in 0..1, float32.

Natural surfaces are built from noise with a power spectrum that falls with frequency, as
photographs of them have (1/f amplitude: Field 1987, J. Opt. Soc. Am. A 4:2379, from memory).
"""

from __future__ import annotations

import colorsys

import cv2
import numpy as np

from .plantparts import Leaf, Plant
from .shape import TILES
from .wear import tear_of

TILE_PX = 64
BLADE_PX = 512


def linear(srgb: np.ndarray) -> np.ndarray:
    """sRGB 0..1 to linear (IEC 61966-2-1)."""
    srgb = np.asarray(srgb, np.float32)
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4).astype(
        np.float32
    )


def colour(hue_deg: float, saturation: float, value: float) -> np.ndarray:
    """Linear RGB of an HSV colour (hue in degrees)."""
    return linear(np.array(colorsys.hsv_to_rgb(hue_deg / 360 % 1, saturation, value)))


def cloud(
    rng: np.random.Generator,
    height: int,
    width: int,
    *,
    coarsest: int = 3,
    fall: float = 1.0,
    stretch: float = 1.0,
) -> np.ndarray:
    """Noise with amplitude falling as 1/f**fall, zero mean, unit variance, (height, width).

    ``coarsest`` cells across at the lowest octave; ``stretch`` > 1 draws it out vertically.
    """
    total = np.zeros((height, width), np.float32)
    cells, weight = float(coarsest), 1.0
    while cells < min(height, width) * 0.9:
        rows = max(2, int(cells * height / width / stretch) + 1)
        grid = rng.standard_normal((rows, max(2, int(cells) + 1))).astype(np.float32)
        total += weight * cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
        cells *= 2.0
        weight *= 0.5**fall
    total -= total.mean()
    return total / (total.std() + 1e-6)


def speckle(
    rng: np.random.Generator, height: int, width: int, share: float, size: float
) -> np.ndarray:
    """Soft spots covering about ``share`` of the area, 0..1; ``size`` in pixels."""
    noise = cv2.GaussianBlur(
        rng.standard_normal((height, width)).astype(np.float32), (0, 0), max(size, 0.6)
    )
    level = np.quantile(noise[::4, ::4], 1 - np.clip(share, 1e-4, 0.9))
    return np.clip((noise - level) / (0.35 * noise.std() + 1e-6), 0, 1)


def _mix(image: np.ndarray, other: np.ndarray, amount: np.ndarray) -> np.ndarray:
    return image + (other - image) * amount[..., None]


def _leaf_green(rng: np.random.Generator) -> np.ndarray:
    hue = np.clip(rng.normal(88, 11), 62, 112)
    return colour(
        hue, rng.uniform(0.38, 0.8) - 0.15 * max(0.0, (hue - 95) / 20), rng.uniform(0.36, 0.72)
    )


def _collar_colour(rng: np.random.Generator, green: np.ndarray) -> np.ndarray:
    kind = rng.random()
    if kind < 0.72:  # pale yellow-green to nearly white
        return colour(rng.uniform(58, 85), rng.uniform(0.12, 0.45), rng.uniform(0.62, 0.92))
    if kind < 0.86:  # hardly paler than the blade
        return np.clip(green * rng.uniform(1.25, 1.9), 0, 0.9)
    return colour(rng.uniform(-25, 20), rng.uniform(0.25, 0.5), rng.uniform(0.35, 0.6))  # reddish


def blade_atlas(plant: Plant, rng: np.random.Generator) -> np.ndarray:
    """(BLADE_PX, TILES * TILE_PX, 3): column tile r - 1 is leaf r, rows run base to tip."""
    atlas = np.zeros((BLADE_PX, TILES * TILE_PX, 3), np.float32)
    green = _leaf_green(rng)
    contrast = rng.uniform(0.0, 1.0)
    band_mm = rng.uniform(1.5, 8.5)
    band_colour = _collar_colour(rng, green)
    stress = rng.random() ** 3
    for leaf in plant.leaves:
        if leaf.rank > TILES - 2:
            continue
        left = (leaf.rank - 1) * TILE_PX
        atlas[:, left : left + TILE_PX] = _blade(
            leaf, plant, rng, green, contrast, band_mm, band_colour, stress
        )
    atlas[:, (TILES - 2) * TILE_PX :] = green
    return np.clip(atlas, 0.003, 0.95)


def _blade(
    leaf: Leaf,
    plant: Plant,
    rng: np.random.Generator,
    green: np.ndarray,
    contrast: float,
    band_mm: float,
    band_colour: np.ndarray,
    stress: float,
) -> np.ndarray:
    rows, columns = BLADE_PX, TILE_PX
    u = np.abs(np.linspace(-1, 1, columns, dtype=np.float32))[None]
    v = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    base = green * rng.uniform(0.82, 1.2) * (1 + np.array([0.14, 0.05, 0.0]) * rng.normal())
    image = np.broadcast_to(base, (rows, columns, 3)).astype(np.float32).copy()
    veins = cloud(rng, rows, columns, coarsest=12, fall=0.3, stretch=40.0)
    patches = cloud(rng, rows, columns, coarsest=2, fall=1.0)
    image *= (1 + 0.11 * contrast * veins + 0.10 * patches)[..., None]
    # Pale midrib, broad at the base.
    rib = np.exp(-((u / (0.035 + 0.10 * (1 - v))) ** 2)) * np.clip(1.15 - 1.05 * v, 0, 1)
    image = _mix(image, np.clip(base * 1.9 + 0.05, 0, 0.8), rib * rng.uniform(0.2, 0.85))
    # Young growth in the whorl is lighter and yellower.
    if not leaf.collared:
        image *= 1 + (1 - leaf.emerged) * np.array([0.5, 0.3, 0.1], np.float32) * rng.uniform(0, 1)
    if stress > 0.1 and leaf.rank <= 4:
        yellow = np.clip((v - 1 + 0.9 * stress) * 3 + 0.3 * patches, 0, 1) * stress
        image = _mix(image, colour(rng.uniform(42, 60), 0.6, 0.7), yellow)
    if rng.random() < 0.45:
        brown = colour(rng.uniform(22, 45), rng.uniform(0.3, 0.6), rng.uniform(0.3, 0.62))
        burn = np.clip((v + 0.35 * u - 1.0) * 9 + 0.8 * patches - rng.uniform(0, 2.5), 0, 1)
        image = _mix(image, brown, burn)
    if rng.random() < 0.4:
        spots = speckle(rng, rows, columns, rng.uniform(0.002, 0.05), rng.uniform(0.8, 3.0))
        tint = colour(rng.uniform(18, 70), rng.uniform(0.2, 0.7), rng.uniform(0.25, 0.85))
        image = _mix(image, tint, spots * rng.uniform(0.3, 0.95))
    if rng.random() < 0.3:
        dust = np.clip(0.35 + 0.4 * cloud(rng, rows, columns, coarsest=4), 0, 1) * rng.uniform(
            0.1, 0.5
        )
        image = _mix(image, colour(rng.uniform(18, 40), 0.35, rng.uniform(0.35, 0.65)), dust)
    if rng.random() < 0.15 + 0.25 * (leaf.rank <= 2):  # purple margins of cold or hungry plants
        purple = np.clip(u * 1.6 - 0.9 + 0.3 * patches, 0, 1) * rng.uniform(0.1, 0.6)
        image = _mix(image, colour(rng.uniform(-45, 5), 0.5, 0.38), purple)
    if leaf.status == "withered":
        straw = colour(rng.uniform(28, 48), rng.uniform(0.2, 0.55), rng.uniform(0.35, 0.75))
        dry = np.clip(0.55 + 1.2 * v + 0.4 * patches, 0, 1) * rng.uniform(0.7, 1.0)
        image = _mix(image, straw * (1 + 0.25 * veins[..., None]), dry)
    if leaf.torn_at < 1.0:
        image = _dried_end(image, leaf, patches, u)
    if leaf.collared:
        # The collar: a pale wedge at each side of the midrib, wider at the margins.
        length = band_mm * (0.55 + 0.05 * leaf.width_mm) * (0.35 + 0.75 * u) / leaf.length_mm
        soft = 0.35 * length + 1e-4
        band = np.clip((length - v) / soft, 0, 1) * rng.uniform(0.55, 1.0)
        image = _mix(image, band_colour * (1 + 0.08 * veins[..., None]), band)
        line = np.exp(-(((v - length * 1.15) / (0.3 * length + 1e-4)) ** 2)) * rng.uniform(0, 0.35)
        image *= (1 - line)[..., None]
    return image


ZONE_SHARE = 0.6
"""Plants whose sheaths pale towards the collar, by up to one and a half stalk widths. One band with
two edges is one collar: without it a network counts the edges (EXPERIMENTS 24). Own choice."""


def _sheath_lengths_mm(plant: Plant) -> dict[int, float]:
    """Length of every sheath that ends in a collar, from the collar below or the soil, by rank."""
    lengths_mm: dict[int, float] = {}
    below_mm = 0.0
    for leaf in plant.leaves:
        if leaf.collared:
            lengths_mm[leaf.rank] = max(leaf.exit_height_mm - below_mm, 3.0)
            below_mm = leaf.exit_height_mm
    return lengths_mm


def stalk_atlas(plant: Plant, rng: np.random.Generator, below_share: float) -> np.ndarray:
    """(256, TILES * 32, 3): tile r - 1 is the sheath of leaf r.

    Rows run from the sheath's bottom to its rim; beyond 0.92 lies the ligule. The last but one is
    the coleoptile, which has neither.
    """
    rows, columns = 256, 32
    green = _leaf_green(np.random.default_rng(plant.colour_seed)) * rng.uniform(1.0, 1.6)
    green = green + (_leaf_green(rng) - green) * rng.uniform(0, 0.6)
    purple_up = int(rng.integers(0, 3)) if rng.random() < 0.5 else 0
    purple = colour(rng.uniform(-50, 8), rng.uniform(0.35, 0.6), rng.uniform(0.28, 0.5))
    pale = colour(rng.uniform(55, 90), rng.uniform(0.08, 0.3), rng.uniform(0.65, 0.92))
    rim = _collar_colour(rng, green)
    zone_stalks = rng.uniform(0.15, 1.5) if rng.random() < ZONE_SHARE else 0.0
    zone = np.clip(rim * rng.uniform(0.85, 1.1), 0, 0.95)
    lengths_mm = _sheath_lengths_mm(plant)
    atlas = np.zeros((rows, TILES * columns, 3), np.float32)
    v = np.linspace(0, 1, rows, dtype=np.float32)[:, None]
    for rank in range(1, TILES + 1):
        leaf = next((leaf for leaf in plant.leaves if leaf.rank == rank), None)
        image = (
            np.broadcast_to(green * rng.uniform(0.88, 1.15), (rows, columns, 3))
            .astype(np.float32)
            .copy()
        )
        veins = cloud(rng, rows, columns, coarsest=8, fall=0.3, stretch=40.0)
        patches = cloud(rng, rows, columns, coarsest=2, stretch=5.0)
        image *= (1 + 0.09 * veins + 0.08 * patches)[..., None]
        if rank <= purple_up:
            fade = np.clip(1.2 - v * rng.uniform(0.7, 1.6) + 0.15 * patches, 0, 1) * rng.uniform(
                0.3, 0.9
            )
            image = _mix(image, purple, fade)
        if rank == 1 or rank >= TILES - 1:
            white = np.clip((below_share * rng.uniform(0.9, 1.9) - v) * 8 + 0.4 * patches, 0, 1)
            image = _mix(image, pale, white)
        if rank == TILES - 1:
            image = _mix(image, _dry_sleeve(rng, pale), np.full_like(veins, rng.uniform(0.4, 1.0)))
            image *= (1 + 0.15 * veins)[..., None]
        else:
            edge = np.clip((v - rng.uniform(0.82, 0.88)) * 40, 0, 1) * np.ones_like(veins)
            image = _mix(image, rim, edge * rng.uniform(0, 0.5))
            if zone_stalks and leaf is not None and leaf.collared:
                deep = 2 * leaf.stalk_radius_mm * zone_stalks
                deep = min(0.6, deep * rng.uniform(0.6, 1.3) / lengths_mm[rank])
                below = (0.92 - v) / deep + 0.25 * patches
                fade = np.clip((1 - below) / rng.uniform(0.15, 0.9), 0, 1) * rng.uniform(0.4, 1)
                image = _mix(image, zone, fade)
            image[int(0.92 * rows) :] = rim * rng.uniform(0.7, 1.1)  # the ligule strip
        if leaf is not None and leaf.status in ("withered", "gone"):
            straw = colour(rng.uniform(25, 48), rng.uniform(0.15, 0.5), rng.uniform(0.3, 0.7))
            dry = np.clip(0.6 + 0.5 * patches, 0, 1) * rng.uniform(0.3, 1.0)
            image = _mix(image, straw * (1 + 0.3 * veins[..., None]), dry)
        left = (rank - 1) * columns
        atlas[:, left : left + columns] = image
    if rng.random() < 0.5:  # soil splashed up
        dirt = speckle(rng, *atlas.shape[:2], rng.uniform(0.01, 0.12), 1.2) * np.clip(
            1 - v * 1.5, 0, 1
        )
        atlas = _mix(atlas, colour(rng.uniform(15, 38), 0.45, rng.uniform(0.15, 0.45)), dirt)
    return np.clip(atlas, 0.003, 0.95)


def _dried_end(image: np.ndarray, leaf: Leaf, patches: np.ndarray, u: np.ndarray) -> np.ndarray:
    """A blade's tile, the margin of its tear dried where it has: straw to brown, then yellow."""
    dry_mm = tear_of(leaf, 2).dry_mm
    if not dry_mm:
        return image
    rng = np.random.default_rng([leaf.rank, int(1e3 * dry_mm)])
    end = 1 - leaf.emerged + leaf.emerged * leaf.torn_at
    v = np.linspace(0, 1, image.shape[0], dtype=np.float32)[:, None] + 0 * u
    inside_mm = (end - v) * leaf.length_mm + 0.6 * dry_mm * patches
    yellow = np.clip(2.0 - inside_mm / dry_mm, 0, 1) * rng.uniform(0.2, 0.8)
    image = _mix(image, colour(rng.uniform(42, 60), 0.55, rng.uniform(0.5, 0.75)), yellow)
    straw = colour(rng.uniform(22, 46), rng.uniform(0.2, 0.55), rng.uniform(0.25, 0.7))
    return _mix(image, straw, np.clip(2.0 * (1.0 - inside_mm / dry_mm), 0, 1))


def _dry_sleeve(rng: np.random.Generator, pale: np.ndarray) -> np.ndarray:
    """Colour (3,) of a coleoptile, pale when fresh, straw or brown when it has dried up."""
    dry = colour(rng.uniform(20, 48), rng.uniform(0.12, 0.45), rng.uniform(0.35, 0.8))
    mixed: np.ndarray = pale + (dry - pale) * rng.random()
    return mixed


BOARD_KINDS = (
    "white", "grey", "beige", "pale_blue", "black", "blue", "green", "red", "yellow", "wood",
    "cloth", "cardboard", "stained", "gradient",
)  # fmt: skip


def board(rng: np.random.Generator, kind: str, size: int = 512) -> np.ndarray:
    """A board's face, (size, size, 3)."""
    dice = rng.uniform
    base = {
        "white": lambda: colour(dice(0, 360), dice(0, 0.06), dice(0.78, 0.97)),
        "grey": lambda: colour(dice(0, 360), dice(0, 0.1), dice(0.3, 0.78)),
        "beige": lambda: colour(dice(22, 50), dice(0.1, 0.4), dice(0.5, 0.9)),
        "pale_blue": lambda: colour(dice(190, 225), dice(0.1, 0.4), dice(0.55, 0.92)),
        "black": lambda: colour(dice(0, 360), dice(0, 0.4), dice(0.03, 0.22)),
        "blue": lambda: colour(dice(200, 245), dice(0.45, 0.95), dice(0.25, 0.85)),
        "green": lambda: colour(dice(75, 165), dice(0.15, 0.7), dice(0.2, 0.8)),
        "red": lambda: colour(dice(-20, 15), dice(0.4, 0.9), dice(0.25, 0.8)),
        "yellow": lambda: colour(dice(40, 60), dice(0.35, 0.85), dice(0.6, 0.95)),
        "wood": lambda: colour(dice(18, 38), dice(0.25, 0.6), dice(0.35, 0.8)),
        "cloth": lambda: colour(dice(0, 360), dice(0, 0.7), dice(0.1, 0.8)),
        "cardboard": lambda: colour(dice(22, 36), dice(0.3, 0.5), dice(0.45, 0.75)),
        "stained": lambda: colour(dice(0, 360), dice(0, 0.3), dice(0.3, 0.9)),
        "gradient": lambda: colour(dice(0, 360), dice(0, 0.9), dice(0.1, 0.95)),
    }[kind]()
    image = np.broadcast_to(base, (size, size, 3)).astype(np.float32).copy()
    image *= np.clip(1 + dice(0.01, 0.09) * cloud(rng, size, size, fall=dice(0.3, 1.1)), 0.3, 2)[
        ..., None
    ]
    if kind == "wood":
        grain = cloud(rng, size, size, coarsest=6, fall=0.6, stretch=dice(8, 25))
        if rng.random() < 0.5:
            grain = grain.T
        image *= np.clip(1 + dice(0.08, 0.3) * grain, 0.2, 2)[..., None]
    if kind == "cloth":
        folds = cloud(rng, size, size, coarsest=2, fall=1.6, stretch=dice(1, 5))
        weave = rng.standard_normal((size, size)).astype(np.float32)
        image *= np.clip(1 + 0.25 * folds + dice(0, 0.12) * weave, 0.1, 2)[..., None]
    if kind == "gradient":
        ramp = np.linspace(0, 1, size, dtype=np.float32)[:, None] * np.ones((1, size), np.float32)
        image = _mix(image, colour(dice(0, 360), dice(0, 0.8), dice(0.1, 0.95)), ramp)
    if kind == "stained" or rng.random() < 0.5:
        stain = np.clip(cloud(rng, size, size, coarsest=3, fall=0.9) - dice(0.2, 1.6), 0, 1)
        image = _mix(image, image.mean((0, 1)) * dice(0.35, 0.9), stain * dice(0.2, 0.9))
    if rng.random() < 0.6:  # splashed soil along the lower edge
        v = np.linspace(0, 1, size, dtype=np.float32)[:, None]
        low = np.clip(1 - v * dice(3, 14), 0, 1) * np.clip(
            cloud(rng, size, size, coarsest=8) + 0.2, 0, 1
        )
        image = _mix(image, colour(dice(12, 38), 0.45, dice(0.15, 0.5)), low * dice(0.2, 0.9))
    for _ in range(int(rng.integers(0, 7))):  # scratches, pen marks
        a, b = rng.integers(0, size, 2), rng.integers(0, size, 2)
        mark = np.zeros((size, size), np.float32)
        cv2.line(mark, a.tolist(), b.tolist(), 1.0, int(rng.integers(1, 3)), cv2.LINE_AA)
        image = _mix(
            image, colour(dice(0, 360), dice(0, 0.5), dice(0.05, 0.95)), mark * dice(0.1, 0.7)
        )
    return np.clip(image, 0.004, 0.93)


def ground(rng: np.random.Generator, size: int = 512) -> np.ndarray:
    """Soil of any field (and, rarely, potting mix, sand, litter or grass), (size, size, 3)."""
    kind = rng.random()
    if kind < 0.8:
        base = colour(rng.uniform(8, 42), rng.uniform(0.1, 0.62), rng.uniform(0.10, 0.62))
    elif kind < 0.9:
        base = colour(rng.uniform(0, 360), rng.uniform(0, 0.12), rng.uniform(0.1, 0.7))
    else:
        base = colour(rng.uniform(40, 110), rng.uniform(0.15, 0.55), rng.uniform(0.15, 0.5))
    image = np.broadcast_to(base, (size, size, 3)).astype(np.float32).copy()
    rough = cloud(rng, size, size, coarsest=4, fall=rng.uniform(0.25, 0.8))
    image *= np.clip(1 + rng.uniform(0.1, 0.4) * rough, 0.15, 2.5)[..., None]
    image *= 1 + 0.12 * rng.standard_normal((size, size, 1)).astype(np.float32)
    wet = np.clip(cloud(rng, size, size, coarsest=2) - rng.uniform(-0.5, 2), 0, 1)
    image *= (1 - wet * rng.uniform(0.1, 0.6))[..., None]
    if rng.random() < 0.5:
        bits = speckle(rng, size, size, rng.uniform(0.003, 0.06), rng.uniform(0.7, 2.2))
        image = _mix(
            image, colour(rng.uniform(25, 55), rng.uniform(0.1, 0.5), rng.uniform(0.3, 0.9)), bits
        )
    return np.clip(image, 0.004, 0.85)
