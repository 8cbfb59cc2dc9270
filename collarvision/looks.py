"""Looks: running the network on the whole photo, then on a square around the plant.

A look is the network's raw answer with the place of its cells in the photo; `collarvision.parts`
turns the second one into parts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np

from collarvision.network import BLADE, CARD, MAP_STRIDE, STALK, Network
from collarvision.shrinking import field_picture_is, resized

LOOK_PX = 320
"""Long side of the first look."""

READ_PX = 640
"""Side of the second look."""

PADDING = (114, 114, 114)
"""What the network sees where the photo ends, as in training."""

MARGIN = 0.12
"""Share of the plant's larger side left free around it in the second look, as in training."""

PLANT_FLOOR = 0.4
"""P(blade or stalk) from which a cell belongs to a plant."""

SPECK = 0.03
"""What is smaller than this share of a look is no plant; nothing could be read of it if it were."""

CARD_SEEN, CARD_CELLS = 0.2, 6
"""A card may be there where so many cells have that P(card). The 38 cards that only hard searches
found on own photos all have more, by a third at least; most photos without one have less."""

BASE = 7
"""Map of where stalks meet the soil."""

TIP_ROUNDED, TIP_WHOLE = 14, 24
"""Maps of a tip's shape and of whether it is whole; not every network tells the latter."""

NMS_RADIUS = 1.3
"""Map px: the collars of a plant just past a stage stand only this far apart."""

Box = tuple[float, float, float, float]
Square = tuple[int, int, int]
"""Left, top and side, photo px."""

Strip = Literal["whole", "upright", "level"]
"""Part of a square that is looked at: all, or its middle half from top to bottom or across."""


@dataclass(frozen=True)
class Look:
    """One run of the network, and where its cells lie in the photo.

    `maps` is (25, h, w) logits and regressions, `summary` (31,), `photo_from_map` (2, 3);
    `plant` is P(blade or stalk), (h, w).
    """

    maps: np.ndarray
    summary: np.ndarray
    photo_from_map: np.ndarray
    plant: np.ndarray


# --------------------------------------------------------------------------- the two looks


def look_at_whole(
    rgb: np.ndarray, network: Network, *, step: int = 1, small: np.ndarray | None = None
) -> Look:
    """First look: the whole photo, its long side at `LOOK_PX`, centred on a padded canvas.

    `step` is the number of photo px per px of `rgb`; so it is in the other looks. `small` is what
    `field_picture` makes of `rgb`, if that was asked for: mostly just what is needed here.
    """
    height, width = rgb.shape[:2]
    scale = LOOK_PX / max(height, width)
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    canvas = np.full((_multiple_of_32(size[1]), _multiple_of_32(size[0]), 3), PADDING, np.uint8)
    left, top = (canvas.shape[1] - size[0]) // 2, (canvas.shape[0] - size[1]) // 2
    if small is None or not field_picture_is(rgb, size):
        small = resized(rgb, size)
    canvas[top : top + size[1], left : left + size[0]] = small
    step_x, step_y = step * width / size[0], step * height / size[1]
    return _look(canvas, network, -left * step_x, -top * step_y, step_x, step_y)


def square_about(box: Box | None, photo_size: tuple[int, int]) -> Square:
    """Square of the second look: around `box`, or without one around the whole photo.

    `photo_size` is the photo's width and height, px.
    """
    x0, y0, x1, y1 = box or (0.0, 0.0, float(photo_size[0]), float(photo_size[1]))
    margin = MARGIN if box else 0.0
    side = max(32, int(np.ceil(max(x1 - x0, y1 - y0) * (1 + 2 * margin))))
    return round((x0 + x1 - side) / 2), round((y0 + y1 - side) / 2), side


def look_at_square(
    rgb: np.ndarray,
    square: Square,
    network: Network,
    *,
    step: int = 1,
    wide: int = READ_PX,
    strip: Strip = "whole",
) -> Look:
    """Look at a square of photo px from `rgb`, brought to `wide` px; grey outside the photo."""
    height, width = rgb.shape[:2]
    left, top = round(square[0] / step), round(square[1] / step)
    side = round(square[2] / step)
    canvas = np.full((wide, wide, 3), PADDING, np.uint8)
    scale = wide / side
    in_x0, in_y0 = max(0, left), max(0, top)
    in_x1, in_y1 = min(width, left + side), min(height, top + side)
    x, y, step_x, step_y = float(left), float(top), 1 / scale, 1 / scale
    if in_x1 > in_x0 and in_y1 > in_y0:
        # Whole canvas px for the part inside, so that no seam of mixed colour appears.
        out_x0, out_y0 = round((in_x0 - left) * scale), round((in_y0 - top) * scale)
        out_x1 = max(out_x0 + 1, round((in_x1 - left) * scale))
        out_y1 = max(out_y0 + 1, round((in_y1 - top) * scale))
        inside = rgb[in_y0:in_y1, in_x0:in_x1]
        canvas[out_y0:out_y1, out_x0:out_x1] = resized(inside, (out_x1 - out_x0, out_y1 - out_y0))
        step_x = (in_x1 - in_x0) / (out_x1 - out_x0)
        step_y = (in_y1 - in_y0) / (out_y1 - out_y0)
        x, y = in_x0 - out_x0 * step_x, in_y0 - out_y0 * step_y
    if strip != "whole":
        half = _multiple_of_32(wide // 2)
        first = (wide - half) // 2
        upright = strip == "upright"
        canvas = canvas[:, first : first + half] if upright else canvas[first : first + half]
        x, y = (x + first * step_x, y) if upright else (x, y + first * step_y)
    return _look(canvas, network, step * x, step * y, step * step_x, step * step_y)


def made_look(maps: np.ndarray, summary: np.ndarray, photo_from_map: np.ndarray) -> Look:
    """Make a look of the network's answers and their place."""
    classes = softmax(maps[:5])
    return Look(maps, summary, photo_from_map, classes[BLADE] + classes[STALK])


def _look(
    canvas: np.ndarray, network: Network, x: float, y: float, step_x: float, step_y: float
) -> Look:
    """Run the network on `canvas`, whose px (0, 0) starts at photo (`x`, `y`)."""
    maps, summary = network.run(canvas)
    half = MAP_STRIDE / 2
    photo_from_map = np.array(
        [
            [MAP_STRIDE * step_x, 0.0, x + half * step_x],
            [0.0, MAP_STRIDE * step_y, y + half * step_y],
        ]
    )
    return made_look(maps, summary, photo_from_map)


def _multiple_of_32(length: int) -> int:
    return max(32, -(-length // 32) * 32)


# --------------------------------------------------------------------------- finding the plant


def find_plant(look: Look) -> Box | None:
    """Box (x0, y0, x1, y1), photo px, of the plant that the photo is about; None if there is none.

    It is the cluster of blade and stalk with the most of a stalk and of a base in it: leaves of
    plants behind and weeds show neither. Leaves that a shadow or a blade cuts off from the rest
    are brought back by their tips' link vectors.
    """
    plant = look.plant > PLANT_FLOOR
    if not plant.any():
        return None
    reach = 2 * (max(plant.shape) // 80) + 1
    joined = cv2.dilate(plant.astype(np.uint8), np.ones((reach, reach), np.uint8))
    count, labels = cv2.connectedComponents(joined, connectivity=8)
    base = sigmoid(look.maps[BASE])
    stalk = softmax(look.maps[:5])[STALK]
    weight = np.bincount(labels.ravel(), (look.plant * plant + 2.0 * stalk).ravel(), count)
    base_in = np.zeros(count)
    inside = labels > 0
    np.maximum.at(base_in, labels[inside].astype(np.intp), base[inside])
    score = weight * (0.1 + base_in)
    score[0] = 0.0
    main = int(score.argmax())
    kept = {main}
    near_main = cv2.dilate((labels == main).astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    rows, columns, _ = peaks(look.maps[6], look.maps[12:14], 0.3, NMS_RADIUS)
    link = 16.0 * look.maps[16:18]
    tips_x, tips_y = [], []
    for x, y in zip(columns, rows, strict=True):
        tip = cell(x, y, labels.shape)
        end = cell(x + link[0][tip], y + link[1][tip], labels.shape)
        if labels[tip] == main or near_main[end]:
            kept.add(int(labels[tip]))
            tips_x.append(x)
            tips_y.append(y)
    kept.discard(0)
    in_rows, in_columns = np.nonzero(np.isin(labels, list(kept)) & plant)
    xs = [*tips_x, in_columns.min() - 0.5, in_columns.max() + 0.5]
    ys = [*tips_y, in_rows.min() - 0.5, in_rows.max() + 0.5]
    if base_in[main] > 0.3:
        row, column = np.unravel_index(np.where(labels == main, base, 0.0).argmax(), base.shape)
        xs.append(column)
        ys.append(row)
    if max(max(xs) - min(xs), max(ys) - min(ys)) < SPECK * max(plant.shape):
        return None
    return _photo_box(look, (min(xs), max(xs)), (min(ys), max(ys)))


def card_boxes(look: Look) -> list[Box]:
    """Boxes of the patches that may be a scale card, photo px, largest patch first; at most three.

    Empty where no card is in view (see `CARD_SEEN`).
    """
    seen = (softmax(look.maps[:5])[CARD] >= CARD_SEEN).astype(np.uint8)
    if np.count_nonzero(seen) < CARD_CELLS:
        return []
    _, _, stats, _ = cv2.connectedComponentsWithStats(seen, connectivity=8)
    boxes = []
    for left, top, width, height, _ in sorted(stats[1:], key=lambda one: -one[4])[:3]:
        right, bottom = left + width, top + height
        boxes.append(_photo_box(look, (left - 0.5, right - 0.5), (top - 0.5, bottom - 0.5)))
    return boxes


def _photo_box(look: Look, x: tuple[float, float], y: tuple[float, float]) -> Box:
    """Box in photo px of a range of map px each way."""
    (x0, x1), (y0, y1) = to_photo(look.photo_from_map, np.array(x), np.array(y))
    return float(x0), float(y0), float(x1), float(y1)


def better_box(look: Look, box: Box | None, photo_size: tuple[int, int]) -> Box | None:
    """Box for another second look when this one was cropped badly, else None.

    Badly: the plant runs into the crop's edge where the photo goes on, or fills under half of it.
    """
    found = find_plant(look)
    if found is None:
        return None
    width, height = photo_size
    (left, right), (top, bottom) = to_photo(
        look.photo_from_map,
        np.array([-0.5, look.plant.shape[1] - 0.5]),
        np.array([-0.5, look.plant.shape[0] - 0.5]),
    )
    side = right - left
    reach = 0.015 * side
    cut = (
        found[0] < left + reach and left > reach,
        found[1] < top + reach and top > reach,
        found[2] > right - reach and right < width - reach,
        found[3] > bottom - reach and bottom < height - reach,
    )
    size = max(found[2] - found[0], found[3] - found[1])
    if any(cut):
        grow = 0.35 * size
        return (
            found[0] - grow * cut[0],
            found[1] - grow * cut[1],
            found[2] + grow * cut[2],
            found[3] + grow * cut[3],
        )
    if size < 0.5 * side:
        # Closer only where all that looks like a plant is in there: half a plant is no better box.
        rows, columns = np.nonzero(look.plant > PLANT_FLOOR)
        x, y = to_photo(look.photo_from_map, columns, rows)
        inside = (x >= found[0]) & (x <= found[2]) & (y >= found[1]) & (y <= found[3])
        if inside.mean() > 0.8:
            return found
    return found if box is None else None


# --------------------------------------------------------------------------- decoding


def peaks(
    heat: np.ndarray, offsets: np.ndarray | None, floor: float, radius: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Local maxima of a heat map, refined by the offset channels, weaker neighbours dropped.

    Parameters
    ----------
    heat : ndarray, (h, w)
        Logits.
    offsets : ndarray, (2, h, w) or None
        dx, dy in map px from cell centre to keypoint.
    floor : float
        Least score kept.
    radius : float
        Map px within which only the best peak stays.

    Returns
    -------
    rows, columns, scores : ndarray, (n,)
        Sub-cell positions, best score first.
    """
    top = cv2.dilate(heat, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    rows, columns = np.nonzero((heat >= top) & (heat >= np.log(floor / (1 - floor))))
    scores = sigmoid(heat[rows, columns])
    x, y = columns.astype(float), rows.astype(float)
    if offsets is not None:
        x = x + np.clip(offsets[0][rows, columns], -1.5, 1.5)
        y = y + np.clip(offsets[1][rows, columns], -1.5, 1.5)
    order = np.argsort(-scores, kind="stable")
    kept: list[int] = []
    for i in order:
        if all((x[i] - x[k]) ** 2 + (y[i] - y[k]) ** 2 > radius**2 for k in kept):
            kept.append(int(i))
    return y[kept], x[kept], scores[kept]


def refined(heat: np.ndarray, row: int, column: int) -> tuple[float, float]:
    """Sub-cell (x, y) of a peak: the network learns normal bells, whose logarithm is a parabola."""
    height, width = heat.shape
    if not (2 <= row < height - 2 and 2 <= column < width - 2):
        return float(column), float(row)
    window = heat[row - 2 : row + 3, column - 2 : column + 3].astype(float)
    log_p = -np.logaddexp(0.0, -window)
    return column + _vertex(log_p[1:4].mean(axis=0)), row + _vertex(log_p[:, 1:4].mean(axis=1))


def _vertex(values: np.ndarray) -> float:
    """Where the parabola through values (5,) at -2 .. 2 peaks (least squares), within a cell."""
    steps = np.arange(-2.0, 3.0)
    slope = float(steps @ values) / 10.0
    bend = float((steps**2 - 2.0) @ values) / 14.0
    return float(np.clip(-slope / (2 * bend), -1.0, 1.0)) if bend < -1e-4 else 0.0


def cell(x: float, y: float, shape: tuple[int, ...]) -> tuple[int, int]:
    """Cell (row, column) that holds map position (`x`, `y`), kept inside the map."""
    return min(max(round(y), 0), shape[0] - 1), min(max(round(x), 0), shape[1] - 1)


def tip_rounded(maps: np.ndarray, at: tuple[int, int]) -> float:
    """P(the tip at a cell is rounded), nearer to a half the more it looks torn.

    A torn end has no shape of its own: whatever it looks like, it tells nothing of leaf 1.
    """
    p = float(sigmoid(maps[TIP_ROUNDED][at]))
    whole = float(sigmoid(maps[TIP_WHOLE][at]))
    return 0.5 + whole * (p - 0.5)


def to_photo(affine: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Photo px (2, n) of map positions."""
    return np.asarray(affine @ np.stack([x, y, np.ones_like(x, dtype=float)]))


def xy(affine: np.ndarray, x: float, y: float) -> tuple[float, float]:
    """Photo px of one map position."""
    at = affine @ np.array([x, y, 1.0])
    return float(at[0]), float(at[1])


def likeliest_base(look: Look) -> tuple[float, float]:
    """Photo px where a stalk likeliest meets the soil, however unlikely that is."""
    heat = look.maps[BASE]
    row, column = np.unravel_index(int(heat.argmax()), heat.shape)
    return xy(look.photo_from_map, float(column), float(row))


def ordinal_distribution(logits: np.ndarray) -> np.ndarray:
    """Turn ordinal logits P(k collars or more), k = 1 .. 12, into P(0 .. 12 collars).

    Crossing thresholds are flattened (a running minimum), so that no probability is negative.
    """
    at_least = np.minimum.accumulate(sigmoid(np.asarray(logits, dtype=float)))
    return -np.diff(np.concatenate([[1.0], at_least, [0.0]]))


def sigmoid(x: np.ndarray) -> np.ndarray:
    """Probability of a logit."""
    return 1.0 / (1.0 + np.exp(-np.clip(x, -60.0, 60.0)))


def softmax(logits: np.ndarray) -> np.ndarray:
    """Softmax over the first axis."""
    raised = np.exp(logits - logits.max(axis=0))
    return np.asarray(raised / raised.sum(axis=0))
