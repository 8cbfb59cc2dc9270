"""Marks: shapes and words drawn on a photo so that they show on any ground and to any eye.

Every mark is drawn three times: a dark rim, a light rim, its colour. Colours are from the palette
of Okabe & Ito ("Color Universal Design", 2008; values from memory), and no meaning hangs on colour
alone: each kind of mark has a shape of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import TypeVar

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]

BLACK: Colour = (16, 18, 20)
WHITE: Colour = (255, 255, 255)
GREY: Colour = (150, 154, 158)
BLUE: Colour = (0, 114, 178)
SKY: Colour = (86, 180, 233)
GREEN: Colour = (0, 158, 115)
ORANGE: Colour = (230, 159, 0)
VERMILION: Colour = (213, 94, 0)
YELLOW: Colour = (240, 228, 66)
PURPLE: Colour = (204, 121, 167)

_SHIFT = 4  # OpenCV takes 1/16 px in integers; marks then sit where the network put them


@lru_cache(maxsize=32)
def font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    """Pillow's own scalable font: nothing to install, the same on every machine."""
    return ImageFont.load_default(size=size_px)


def text_width(words: str, size_px: int) -> float:
    """Width of one line of text in px."""
    return float(font(size_px).getlength(words))


def wrap(words: str, size_px: int, width_px: float) -> list[str]:
    """Break a sentence into lines no wider than `width_px`; a longer word is cut."""
    lines: list[str] = []
    line = ""
    for word in words.split():
        joined = f"{line} {word}" if line else word
        if text_width(joined, size_px) <= width_px:
            line = joined
            continue
        if line:
            lines.append(line)
        while text_width(word, size_px) > width_px and len(word) > 1:
            fits = next(
                n
                for n in range(len(word), 0, -1)
                if n == 1 or text_width(word[:n], size_px) <= width_px
            )
            lines.append(word[:fits])
            word = word[fits:]
        line = word
    return [*lines, line] if line else lines


def shortened(words: str, size_px: int, width_px: float) -> str:
    """One line of text no wider than `width_px`; where something is cut off it ends with "…"."""
    words = " ".join(words.split())
    if text_width(words, size_px) <= width_px:
        return words
    fits = (f"{words[:n].rstrip()}…" for n in range(len(words) - 1, 0, -1))
    return next((cut for cut in fits if text_width(cut, size_px) <= width_px), "…")


Item = TypeVar("Item")


def in_rows(
    items: Sequence[Item], widths_px: Sequence[float], room_px: float, between_px: float = 0.0
) -> list[list[Item]]:
    """Break the entries of a key into rows no wider than `room_px`."""
    rows: list[list[Item]] = []
    used = 0.0
    for item, width in zip(items, widths_px, strict=True):
        if rows and used + between_px + width <= room_px:
            rows[-1].append(item)
            used += between_px + width
        else:
            rows.append([item])
            used = width
    return rows


class Canvas:
    """An RGB picture to draw on, (H, W, 3) uint8. Positions are px, pixel centres at + 0.5."""

    def __init__(self, rgb: np.ndarray) -> None:
        self.rgb = np.ascontiguousarray(rgb, dtype=np.uint8).copy()
        self._words: list[tuple[float, float, str, int, Colour, str, int]] = []

    @property
    def width(self) -> int:
        """Width in px."""
        return int(self.rgb.shape[1])

    @property
    def height(self) -> int:
        """Height in px."""
        return int(self.rgb.shape[0])

    def disc(self, x: float, y: float, radius: float, colour: Colour, rim: float) -> None:
        """A filled circle: a collar."""
        for r, c in ((radius + 2 * rim, BLACK), (radius + rim, WHITE), (radius, colour)):
            cv2.circle(
                self.rgb, _fixed(x, y), round(r * 2**_SHIFT), c, cv2.FILLED, cv2.LINE_AA, _SHIFT
            )

    def ring(self, x: float, y: float, radius: float, colour: Colour, rim: float) -> None:
        """An open circle: a rounded leaf tip. What is inside stays in sight."""
        for thickness, c in ((5 * rim, BLACK), (3.4 * rim, WHITE), (2 * rim, colour)):
            cv2.circle(
                self.rgb,
                _fixed(x, y),
                round(radius * 2**_SHIFT),
                c,
                max(1, round(thickness)),
                cv2.LINE_AA,
                _SHIFT,
            )

    def polygon(self, points: Iterable[Sequence[float]], colour: Colour | None, rim: float) -> None:
        """A closed shape with both rims; `colour` None leaves it open like `ring`."""
        shape = np.array([_fixed(x, y) for x, y in points], np.int32).reshape(-1, 1, 2)
        for thickness, c in ((4 * rim, BLACK), (2 * rim, WHITE)):
            cv2.polylines(self.rgb, [shape], True, c, max(1, round(thickness)), cv2.LINE_AA, _SHIFT)
        if colour is not None:
            cv2.fillPoly(self.rgb, [shape], colour, cv2.LINE_AA, _SHIFT)

    def line(
        self,
        points: Sequence[Sequence[float]],
        colour: Colour,
        thickness: float,
        rim: float = 0.0,
        dashes: int = 0,
    ) -> None:
        """A line through points; with `rim`, edged dark; `dashes` cuts a straight one in pieces."""
        pieces = _dash(points, dashes) if dashes else [points]
        for width, c in ((thickness + 2 * rim, BLACK), (thickness, colour)):
            if c is BLACK and rim <= 0:
                continue
            for piece in pieces:
                way = np.array([_fixed(x, y) for x, y in piece], np.int32).reshape(-1, 1, 2)
                cv2.polylines(self.rgb, [way], False, c, max(1, round(width)), cv2.LINE_AA, _SHIFT)

    def block(self, box: Box, colour: Colour) -> None:
        """A filled upright rectangle."""
        x0, y0, x1, y1 = (round(v) for v in box)
        cv2.rectangle(self.rgb, (x0, y0), (x1 - 1, y1 - 1), colour, cv2.FILLED)

    def words(
        self,
        x: float,
        y: float,
        words: str,
        size_px: int,
        colour: Colour,
        anchor: str = "la",
        halo: int = 0,
    ) -> None:
        """A line of text; `anchor` as in Pillow; `halo` px of dark edge. Drawn by `finished`."""
        self._words.append((x, y, words, size_px, colour, anchor, halo))

    def finished(self) -> np.ndarray:
        """The picture with its text, (H, W, 3) uint8."""
        picture = Image.fromarray(self.rgb)
        pen = ImageDraw.Draw(picture)
        for x, y, words, size_px, colour, anchor, halo in self._words:
            pen.text(
                (x, y),
                words,
                font=font(size_px),
                fill=colour,
                anchor=anchor,
                stroke_width=halo,
                stroke_fill=BLACK,
            )
        return np.asarray(picture)


def place_label(
    anchor: tuple[float, float],
    size: tuple[float, float],
    taken: Sequence[Box],
    frame: Box,
    reach: float,
) -> tuple[float, float]:
    """Find room for a label near its point: the nearest place that covers the least.

    Parameters
    ----------
    anchor : (x, y)
        The point that the label belongs to.
    size : (width, height)
        Of the label, px.
    taken : sequence of boxes
        What must stay in sight: other labels and marks.
    frame : box
        The label must stay inside it.
    reach : float
        Shortest distance from the point to the label's middle, px.

    Returns
    -------
    (x, y)
        Middle of the label.
    """
    w, h = size
    best, best_cost = anchor, float("inf")
    for step, far in enumerate((1.0, 1.5, 2.1, 2.8, 3.6, 4.6)):
        # To the side first: a corn plant is tall and narrow, its sides are free.
        for turn, degrees in enumerate((0, 180, -30, 210, 30, 150, -60, 240, 60, 120, -90, 90)):
            angle = np.deg2rad(degrees)
            x = anchor[0] + (reach * far + w / 2) * np.cos(angle)
            y = anchor[1] + (reach * far + h / 2) * np.sin(angle)
            box = label_box(x, y, w, h)
            cost = in_the_way(box, taken, frame) + 0.12 * step + 0.01 * turn
            if cost < best_cost:
                best, best_cost = (float(x), float(y)), cost
    return best


def label_box(x: float, y: float, w: float, h: float) -> Box:
    """Box of a label by its middle and size."""
    return (x - w / 2, y - h / 2, x + w / 2, y + h / 2)


def in_the_way(box: Box, taken: Sequence[Box], frame: Box) -> float:
    """How much of a label lies outside its frame or on what must stay in sight; 0 for none."""
    area = (box[2] - box[0]) * (box[3] - box[1])
    covered = sum(_overlap(box, other) for other in taken)
    return (4 * (area - _overlap(box, frame)) + 3 * covered) / area


def triangle(x: float, y: float, r: float) -> list[tuple[float, float]]:
    """Corners of a triangle: a leaf tip."""
    # Its middle, not its corner, lies on the tip: a rim then shows on every side.
    return [(x + r * math.cos(a), y + r * math.sin(a)) for a in np.deg2rad((-90, 30, 150))]


def diamond(x: float, y: float, r: float) -> list[tuple[float, float]]:
    """Corners of a square on its corner: the top of the arch."""
    return [(x, y - r), (x + r, y), (x, y + r), (x - r, y)]


def _overlap(a: Box, b: Box) -> float:
    return max(0.0, min(a[2], b[2]) - max(a[0], b[0])) * max(0.0, min(a[3], b[3]) - max(a[1], b[1]))


def _fixed(x: float, y: float) -> tuple[int, int]:
    # Pixel centres lie at + 0.5 here and at whole numbers in OpenCV.
    return round((x - 0.5) * 2**_SHIFT), round((y - 0.5) * 2**_SHIFT)


def _dash(points: Sequence[Sequence[float]], dashes: int) -> list[list[Sequence[float]]]:
    start, end = np.asarray(points[0], float), np.asarray(points[-1], float)
    cuts = np.linspace(0.0, 1.0, 2 * dashes)
    return [
        [tuple(start + a * (end - start)), tuple(start + b * (end - start))]
        for a, b in zip(cuts[0::2], cuts[1::2], strict=True)
    ]
