"""Overlay: the photo with what was read from it, to be looked at on a phone in a field.

Words stand above and below the photo, never on the plant. On the photo stand only marks: each
counted collar with its number, leaf tips, the soil line, the arch and the height beside the plant.
Where the collars are small, a close-up of them follows, so that a person can check each one.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from collarvision import marks
from collarvision.answer import Pixel, Reading
from collarvision.captions import banner, both_heights, key, reasons_panel
from collarvision.gathering import OVERLAY_SUFFIX
from collarvision.marks import Box, Canvas

SHORT_SIDE_PX = 1080
LONG_SIDE_PX = 1600
MIN_WIDTH_PX = 900

_PART = ".part"
_LONGEST_NAME_BYTES = 255


def draw_overlay(rgb: np.ndarray | None, reading: Reading) -> np.ndarray:
    """Draw a reading over its photo.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8, or None
        The upright photo; None when it could not be opened: only words are drawn then.
    reading : Reading

    Returns
    -------
    ndarray, (H', W', 3) uint8
        Photo scaled to about 1080 px on its short side, with a banner above and text below.
    """
    if rgb is None:
        width = SHORT_SIDE_PX
        return np.concatenate(
            [banner(reading, width), reasons_panel(reading, width), key(reading, width)]
        )
    height, width = rgb.shape[:2]
    scale = min(SHORT_SIDE_PX / min(height, width), LONG_SIDE_PX / max(height, width))
    size = (max(1, round(width * scale)), max(1, round(height * scale)))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    canvas = Canvas(cv2.resize(rgb, size, interpolation=how))
    _mark_plant(canvas, reading, lambda x, y: (x * scale, y * scale))
    picture = _widened(canvas.finished(), MIN_WIDTH_PX)
    width = picture.shape[1]
    strips = [banner(reading, width), reasons_panel(reading, width), picture]
    close_up = _close_up(rgb, reading, width, scale)
    if close_up is not None:
        strips.append(close_up)
    return np.concatenate([*strips, key(reading, width)])


def save_overlay(rgb: np.ndarray | None, reading: Reading, path: str | Path) -> Path:
    """Draw the overlay and write it as JPEG, whole or not at all.

    Raises
    ------
    OSError
        When the file can't be written.
    """
    path = Path(path)
    save_picture(draw_overlay(rgb, reading), path)
    return path


def save_picture(picture: np.ndarray, path: Path) -> None:
    """Write a picture, (H, W, 3) uint8 RGB, as JPEG, whole or not at all.

    Raises
    ------
    OSError
        When the file can't be written.
    """
    part = path.with_name(path.name + _PART)
    try:
        Image.fromarray(picture).save(part, format="JPEG", quality=88)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def overlay_name(stem: str, tail: str = "") -> str:
    """File name for the overlay of the photo `stem`, which is cut where no file's is so long.

    `tail` is never cut: it tells names apart.
    """
    room = _LONGEST_NAME_BYTES - len(os.fsencode(f"{tail}{OVERLAY_SUFFIX}{_PART}"))
    while len(os.fsencode(stem)) > room:
        stem = stem[:-1]
    return f"{stem}{tail}{OVERLAY_SUFFIX}"


ToPage = Callable[[float, float], tuple[float, float]]


def _mark_plant(canvas: Canvas, reading: Reading, to_page: ToPage) -> None:
    if reading.outcome == "rejected":
        return
    unit = min(canvas.width, canvas.height) / 1080
    if reading.card is not None:
        corners = [to_page(*corner) for corner in reading.card.corners]
        canvas.line([*corners, corners[0]], marks.SKY, 3 * unit, rim=1.5 * unit)
    for midline in reading.leaf_lines:
        if len(midline) > 1:
            canvas.line([to_page(*p) for p in midline], marks.WHITE, 2 * unit, rim=unit)

    # What must stay in sight is known before anything is placed beside it.
    taken = [_box(*to_page(x, y), 18 * unit) for x, y in _points(reading)]
    if reading.arch is not None:
        taken.append(_box(*to_page(*reading.arch), 34 * unit))
    taken += _mark_height(canvas, reading, to_page, unit, taken)
    _mark_soil(canvas, reading, to_page, unit)
    _mark_arch(canvas, reading, to_page, unit)
    _mark_tips(canvas, reading, to_page, unit)
    for collar in reading.collars:
        canvas.disc(*to_page(collar.x, collar.y), 7 * unit, marks.BLUE, 2.5 * unit)
    _mark_collar_numbers(canvas, reading, to_page, unit, taken)


def _close_up(
    rgb: np.ndarray, reading: Reading, page_width: int, scale: float
) -> np.ndarray | None:
    """The stalk from soil to top collar, enlarged from the photo itself; None if no gain."""
    if not reading.collars or reading.outcome == "rejected":
        return None
    points = [(c.x, c.y) for c in reading.collars]
    points += [] if reading.soil_line is None else [reading.soil_line]
    low, high = np.min(points, axis=0), np.max(points, axis=0)
    # Room for a thumb's breadth around the collars, in the shape of the strip.
    tall = max(1.5 * (high[1] - low[1]), 1.5 * (high[0] - low[0]) * 0.62, 0.06 * rgb.shape[0])
    # A long stalk gets a taller strip, up to a point: enlarging is what it is for.
    page_height = round(np.clip(2.2 * scale * tall, 0.62 * page_width, 0.95 * page_width))
    zoom = min(page_height / tall, 6.0)
    if zoom < 1.6 * scale:
        return None
    (x, y), unit = (low + high) / 2, page_width / 1080
    # One affine step from the photo: whole-pixel cuts would shift the marks.
    to_strip = np.array(
        [
            [zoom, 0.0, page_width / 2 - zoom * x + (zoom - 1) / 2],
            [0.0, zoom, page_height / 2 - zoom * y + (zoom - 1) / 2],
        ]
    )
    strip = cv2.warpAffine(
        rgb, to_strip, (page_width, page_height), flags=cv2.INTER_CUBIC, borderValue=marks.BLACK
    )
    canvas = Canvas(strip)

    def to_page(px: float, py: float) -> tuple[float, float]:
        return page_width / 2 + zoom * (px - x), page_height / 2 + zoom * (py - y)

    _mark_soil(canvas, reading, to_page, unit)
    taken: list[Box] = []
    for collar in reading.collars:
        spot = to_page(collar.x, collar.y)
        canvas.ring(*spot, 15 * unit, marks.BLUE, 1.3 * unit)
        taken.append(_box(*spot, 24 * unit))
    _mark_collar_numbers(canvas, reading, to_page, unit, taken, start=19.0)
    canvas.block((0, 0, page_width, 4 * unit), marks.BLACK)
    canvas.words(
        0.022 * page_width,
        0.022 * page_width,
        "close-up of the collars",
        round(0.028 * page_width),
        marks.WHITE,
        halo=round(3 * unit),
    )
    return canvas.finished()


def _mark_soil(canvas: Canvas, reading: Reading, to_page: ToPage, unit: float) -> None:
    if reading.soil_line is None:
        return
    ends = _soil_ends(reading, to_page, unit)
    canvas.line(ends, marks.YELLOW, 6 * unit, rim=2.5 * unit, dashes=6)


def _soil_ends(reading: Reading, to_page: ToPage, unit: float) -> tuple[Pixel, Pixel]:
    assert reading.soil_line is not None
    x, y = to_page(*reading.soil_line)
    _, level = _directions(reading)
    half = 110 * unit
    dx, dy = level[0] * half, level[1] * half
    return (x - dx, y - dy), (x + dx, y + dy)


def _mark_tips(canvas: Canvas, reading: Reading, to_page: ToPage, unit: float) -> None:
    for tip in reading.tips:
        x, y = to_page(tip.x, tip.y)
        r = 13 * unit
        if tip.shape == "rounded":
            canvas.ring(x, y, 1.1 * r, marks.ORANGE, 2.2 * unit)
        else:
            canvas.polygon(marks.triangle(x, y, r), marks.ORANGE, 2.2 * unit)


def _mark_arch(canvas: Canvas, reading: Reading, to_page: ToPage, unit: float) -> None:
    if reading.arch is None:
        return
    x, y = to_page(*reading.arch)
    tips = [to_page(tip.x, tip.y) for tip in reading.tips]
    if all(math.dist((x, y), tip) > 1.5 * 15 * unit for tip in tips):
        canvas.polygon(marks.diamond(x, y, 15 * unit), marks.PURPLE, 2.2 * unit)
        return
    # On a leaf's tip the diamond is only a rim, wide enough to show the tip's own mark inside.
    rim = marks.diamond(x, y, 27 * unit)
    canvas.line([*rim, rim[0], rim[1]], marks.PURPLE, 5 * unit, rim=2.2 * unit)


def _mark_collar_numbers(
    canvas: Canvas,
    reading: Reading,
    to_page: ToPage,
    unit: float,
    taken: list[Box],
    start: float = 10.0,
) -> None:
    """Number each collar a little aside, on a line that leads to it: the collar stays in sight."""
    radius = 25 * unit
    frame = (4.0, 4.0, canvas.width - 4.0, canvas.height - 4.0)
    placed = []
    for collar in reading.collars:
        anchor = to_page(collar.x, collar.y)
        side = 2 * radius + 10 * unit
        x, y = marks.place_label(anchor, (side, side), taken, frame, 34 * unit)
        taken.append(_box(x, y, side / 2))
        placed.append((anchor, (x, y), "?" if collar.rank is None else str(collar.rank)))
    for anchor, spot, _ in placed:
        canvas.line(
            [_toward(anchor, spot, start * unit), spot], marks.WHITE, 4 * unit, rim=2 * unit
        )
    for _, (x, y), number in placed:
        canvas.disc(x, y, radius, marks.BLUE, 2.5 * unit)
        canvas.words(x, y, number, round(33 * unit), marks.WHITE, anchor="mm", halo=round(unit))


def _mark_height(
    canvas: Canvas, reading: Reading, to_page: ToPage, unit: float, taken: list[Box]
) -> list[Box]:
    """A bar beside the plant from the soil to the arch, the way that the height is measured."""
    if reading.height_mm is None or reading.soil_line is None or reading.arch is None:
        return []
    base, top = np.array(to_page(*reading.soil_line)), np.array(to_page(*reading.arch))
    along, across = (np.array(way) for way in _directions(reading))
    # What lies `rise` up and `aside` on the level: the two need not look square to each other.
    parted = np.linalg.inv(np.column_stack([along, across]))
    rise = float((parted @ (top - base))[0])
    points = [np.array(to_page(x, y)) for x, y in _points(reading)]
    spread = [float((parted @ (p - base))[1]) for p in [*points, top]]
    blocked = [] if reading.card is None else [to_page(*c) for c in reading.card.corners]
    bar_offset = _free_side(canvas, base, across, rise * along, spread, blocked, 60 * unit)
    foot = base + bar_offset * across
    head = foot + rise * along
    for end, start in ((foot, base), (head, top)):
        dashes = max(2, round(float(np.linalg.norm(end - start)) / (22 * unit)))
        way = [tuple(start), tuple(end)]
        canvas.line(way, marks.PURPLE, 3 * unit, rim=1.5 * unit, dashes=dashes)
    canvas.line([tuple(foot), tuple(head)], marks.PURPLE, 6 * unit, rim=2.5 * unit)
    for end in (foot, head):
        cap = 16 * unit * across
        canvas.line([tuple(end - cap), tuple(end + cap)], marks.PURPLE, 6 * unit, rim=2.5 * unit)

    words = both_heights(reading.height_mm, reading.height_in_doubt)
    size = round(34 * unit)
    w = max(marks.text_width(line, size) for line in words) + 20 * unit
    h = 2.5 * size
    frame = (4.0, 4.0, canvas.width - 4.0, canvas.height - 4.0)
    bar = _boxes_along(tuple(foot), tuple(head), 9 * unit)
    bar += [_box(end[0], end[1], 18 * unit) for end in (foot, head)]
    soil = _boxes_along(*_soil_ends(reading, to_page, unit), 8 * unit)
    kept = [*taken, *bar, *soil]
    # Beside its middle where there is room; beside a seedling's short bar there may be none but
    # at its ends.
    anchors = [foot + share * (head - foot) for share in (0.5, 0.35, 0.65, 1.0, 0.0)]
    places = [marks.place_label((u, v), (w, h), kept, frame, 14 * unit) for u, v in anchors]
    boxes = [marks.label_box(u, v, w, h) for u, v in places]
    covered = [round(marks.in_the_way(box, kept, frame), 2) for box in boxes]
    best = covered.index(min(covered))
    x, y = places[best]
    canvas.block(boxes[best], marks.BLACK)
    for row, line in enumerate(words):
        canvas.words(x, y + (row - 0.5) * 1.15 * size, line, size, marks.WHITE, anchor="mm")
    return [*bar, boxes[best]]


def _free_side(
    canvas: Canvas,
    base: np.ndarray,
    across: np.ndarray,
    rise: np.ndarray,
    spread: list[float],
    blocked: list[tuple[float, float]],
    gap: float,
) -> float:
    """Offset of the height bar across the stalk: past the leaves on the side with more room.

    With no room on either side the bar stands just inside the photo; it keeps off `blocked`, the
    card's corners, where it can.
    """
    axis = int(np.argmax(np.abs(across)))  # 0: the bar moves along x, 1: along y
    limit = (canvas.width, canvas.height)[axis]
    best, best_room = gap, -math.inf
    for offset in (max([0.0, *spread]) + gap, min([0.0, *spread]) - gap):
        # A bar that leans must have both its ends inside.
        low, high = gap - min(0.0, rise[axis]), limit - gap - max(0.0, rise[axis])
        place = float(np.clip(base[axis] + offset * across[axis], low, max(low, high)))
        offset = (place - base[axis]) / across[axis]
        foot = base + offset * across
        xys = xs, ys = np.stack([foot, foot + rise], axis=1)
        room = float(min(*xys[axis], limit - max(xys[axis]))) - 2 * gap * (abs(offset) < gap)
        other = (canvas.height, canvas.width)[axis]
        room -= 0.0 if min(xys[1 - axis]) >= 0 and max(xys[1 - axis]) <= other else limit
        if blocked:
            card = np.array(blocked)
            bar = (min(xs) - gap, min(ys) - gap, max(xs) + gap, max(ys) + gap)
            apart = (
                bar[2] < card[:, 0].min()
                or bar[0] > card[:, 0].max()
                or bar[3] < card[:, 1].min()
                or bar[1] > card[:, 1].max()
            )
            room -= 0.0 if apart else limit
        if room > best_room:
            best, best_room = float(offset), room
    return best


def _directions(reading: Reading) -> tuple[Pixel, Pixel]:
    """Unit vectors that the height is measured along, from the soil upward, and level with it."""
    if len(reading.upright) == 2:
        up, level = reading.upright
        if abs(up[0] * level[1] - up[1] * level[0]) > 0.3:  # else too slantwise to draw along
            return up, level
    if reading.height_basis == "along-stalk" and len(reading.stalk) > 1:
        (x0, y0), (x1, y1) = reading.stalk[0], reading.stalk[-1]
        length = math.hypot(x1 - x0, y1 - y0)
        if length > 0:
            up = ((x1 - x0) / length, (y1 - y0) / length)
            return up, (-up[1], up[0])
    return (0.0, -1.0), (1.0, 0.0)


def _widened(rgb: np.ndarray, width: int) -> np.ndarray:
    """Set a narrow picture in the middle of a wider dark ground, so that words have room."""
    short = width - rgb.shape[1]
    if short <= 0:
        return rgb
    left = short // 2
    return np.pad(rgb, ((0, 0), (left, short - left), (0, 0)), constant_values=marks.BLACK[0])


def _points(reading: Reading) -> list[tuple[float, float]]:
    tips = [(tip.x, tip.y) for tip in reading.tips]
    return tips + [(collar.x, collar.y) for collar in reading.collars]


def _box(x: float, y: float, r: float) -> Box:
    return (x - r, y - r, x + r, y + r)


def _boxes_along(start: Pixel, end: Pixel, r: float) -> list[Box]:
    """Small boxes that cover a line: one box round an aslant line would cover far more."""
    count = max(2, math.ceil(math.dist(start, end) / (2 * r)) + 1)
    return [_box(x, y, r) for x, y in np.linspace(start, end, count)]


def _toward(
    start: tuple[float, float], end: tuple[float, float], distance: float
) -> tuple[float, float]:
    length = math.dist(start, end) or 1.0
    return (
        start[0] + (end[0] - start[0]) * distance / length,
        start[1] + (end[1] - start[1]) * distance / length,
    )
