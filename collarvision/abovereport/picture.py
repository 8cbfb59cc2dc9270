"""Picture: plants, doubles, gaps and rows drawn on a photo from above, to check them by.

The photo is shown at a size at which single plants can still be told; a key with the counts stands
under it. An orthomosaic is shown as a whole, with its plants as dots.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from collarvision import marks
from collarvision.above.values import FrameAbove, Plants
from collarvision.abovereport.words import range_words, rounded
from collarvision.marks import Canvas, Colour
from collarvision.overlay import save_picture

LONG_SIDE_PX: Final = 2400
_LEAST_PX: Final = 900

_FEW: Colour = (68, 119, 170)
_SOME: Colour = (238, 221, 136)
_MANY: Colour = (204, 85, 51)
"""Blue, pale, orange-red: told apart by eyes of every kind, and dark to light to dark."""


def draw_above(rgb: np.ndarray, frame: FrameAbove) -> np.ndarray:
    """Draw what was found.

    Parameters
    ----------
    rgb : ndarray, (H, W, 3) uint8
        The photo, at any size.
    frame : FrameAbove

    Returns
    -------
    ndarray, (H', W', 3) uint8
        At most `LONG_SIDE_PX` wide and high, and the key under it.
    """
    height, width = rgb.shape[:2]
    long = max(height, width)
    size_px = min(LONG_SIDE_PX, max(long, _LEAST_PX))
    shape = (max(1, round(width * size_px / long)), max(1, round(height * size_px / long)))
    how = cv2.INTER_AREA if size_px < long else cv2.INTER_LINEAR
    canvas = Canvas(cv2.resize(rgb, shape, interpolation=how))
    scale = shape[0] / frame.size_px[0]
    unit = max(canvas.width, canvas.height) / 1600
    plants = frame.plants
    if plants is not None and len(plants):
        _mark_gaps(canvas, frame, plants, scale, unit)
        _mark_plants(canvas, plants, scale, unit, _apart_px(frame, scale))
    return np.concatenate([canvas.finished(), _key(frame, canvas.width)])


def save_above(rgb: np.ndarray, frame: FrameAbove, path: Path) -> None:
    """Draw and write as JPEG; see `collarvision.overlay.save_picture`."""
    save_picture(draw_above(rgb, frame), path)


def _apart_px(frame: FrameAbove, scale: float) -> float:
    """Usual distance from plant to plant on the picture."""
    if frame.scale is None or frame.stand is None or frame.stand.spacing_m is None:
        return 40.0
    return frame.stand.spacing_m * 1000 / frame.scale.mm_per_px * scale


def _mark_plants(
    canvas: Canvas, plants: Plants, scale: float, unit: float, apart_px: float
) -> None:
    """A dot a plant, coloured by its tips; a diamond for two as one; a ring off the rows."""
    radius = float(np.clip(0.16 * apart_px, 1.2, 7 * unit))
    rim = 1.0 if radius > 2.5 else 0.0
    low, high = _tip_span(plants)
    if radius >= 4.0:
        _mark_tips(canvas, plants, scale, unit)
    for i in range(len(plants)):
        x, y = plants.x_px[i] * scale, plants.y_px[i] * scale
        colour = _colour((plants.tip_count[i] - low) / max(high - low, 1e-6))
        if plants.row[i] < 0:
            canvas.ring(x, y, radius, marks.WHITE, max(rim, 0.6))
        elif plants.double[i] >= 0.5:
            canvas.polygon(marks.diamond(x, y, 1.7 * radius), colour, max(rim, 0.6))
        elif rim:
            canvas.disc(x, y, radius, colour, rim)
        else:
            canvas.disc(x, y, radius, colour, 0.4)


def _mark_tips(canvas: Canvas, plants: Plants, scale: float, unit: float) -> None:
    owner = np.repeat(np.arange(len(plants)), np.diff(plants.tip_start))
    for x, y, i in zip(plants.tip_x_px, plants.tip_y_px, owner, strict=True):
        here, there = (x * scale, y * scale), (plants.x_px[i] * scale, plants.y_px[i] * scale)
        canvas.line([here, there], marks.WHITE, max(1.0, 0.8 * unit))


def _mark_gaps(
    canvas: Canvas, frame: FrameAbove, plants: Plants, scale: float, unit: float
) -> None:
    """A dashed line along each gap."""
    if not frame.gaps:
        return
    to_px = _to_px(plants, frame.scale is not None and frame.scale.tilt_deg > 0.0)
    for gap in frame.gaps:
        at = to_px @ np.array([(*gap.start_m, 1.0), (*gap.end_m, 1.0)]).T
        ends = [(float(u), float(v)) for u, v in (at[:2] / at[2] * scale).T]
        long = math.dist(*ends)
        canvas.line(
            ends,
            marks.VERMILION,
            max(1.5, 3.2 * unit),
            rim=max(0.6, 1.2 * unit),
            dashes=max(2, round(long / (12 * unit))),
        )


def _to_px(plants: Plants, tilted: bool) -> np.ndarray:
    """Photo px from local metres, (3, 3): by the plants, whose places are known in both."""
    metres = np.column_stack([plants.x_m, plants.y_m])
    px = np.column_stack([plants.x_px, plants.y_px])
    if tilted and len(plants) >= 4:
        found, _ = cv2.findHomography(metres, px, 0)
        if found is not None:
            return np.asarray(found)
    ones = np.ones((len(plants), 1))
    flat, *_ = np.linalg.lstsq(np.hstack([metres, ones]), px, rcond=None)
    return np.vstack([flat.T, [0.0, 0.0, 1.0]])


def _tip_span(plants: Plants) -> tuple[float, float]:
    """Tip counts that the colours run between."""
    low, high = np.percentile(plants.tip_count, [5, 95])
    return float(math.floor(low)), float(max(math.ceil(high), math.floor(low) + 1))


def _colour(share: float) -> Colour:
    share = min(max(float(share), 0.0), 1.0)
    ends = (_FEW, _SOME) if share < 0.5 else (_SOME, _MANY)
    place = 2 * share if share < 0.5 else 2 * share - 1
    red, green, blue = (round(a + (b - a) * place) for a, b in zip(*ends, strict=True))
    return red, green, blue


def _key(frame: FrameAbove, width: int) -> np.ndarray:
    """Counts, what the marks mean, and what is in doubt; (h, `width`, 3)."""
    # Words a fortieth of the width high can still be read on a phone.
    size, pad = max(15, round(width * 0.025)), max(10, round(width * 0.012))
    step = 1.5 * size
    room = width - 2 * pad
    reasons = [line for reason in frame.reasons for line in marks.wrap(reason, size, room)]
    headline = marks.wrap(_headline(frame), size, room)
    legend = _legend(frame)
    widths = [_MARK_WIDTHS[mark] * size + marks.text_width(words, size) for mark, words in legend]
    apart = 1.6 * size
    rows = marks.in_rows(list(zip(legend, widths, strict=True)), widths, room, apart)
    height = round(2 * pad + step * (len(headline) + len(rows) + len(reasons)))
    canvas = Canvas(np.full((height, width, 3), marks.BLACK, np.uint8))
    y = float(pad)
    for line in headline:
        canvas.words(pad, y, line, size, marks.WHITE)
        y += step
    for row in rows:
        x = float(pad)
        for (mark, words), entry_px in row:
            _draw_mark(canvas, mark, x, y + 0.55 * size, size)
            canvas.words(x + _MARK_WIDTHS[mark] * size, y, words, size, marks.WHITE)
            x += entry_px + apart
        y += step
    for line in reasons:
        canvas.words(pad, y, line, size, marks.ORANGE)
        y += step
    return canvas.finished()


def _headline(frame: FrameAbove) -> str:
    if frame.plants is None:
        return f"{frame.photo}: nothing was counted"
    count = len(frame.plants)
    said = f"{frame.photo}: {count:,} plant{'' if count == 1 else 's'}"
    if frame.stages is not None:
        said += f", {range_words(frame.stages)} by leaf tips (a range, not the stage)"
    stand = frame.stand
    if stand is not None and stand.per_ha is not None and stand.per_acre is not None:
        said += f", {rounded(stand.per_acre)} an acre ({rounded(stand.per_ha)} a hectare)"
    return said


_MARK_WIDTHS: Final = {"tips": 2.896, "double": 1.024, "off": 1.024, "gap": 2.7}
"""Room of a mark before its words, of the words' size."""


def _legend(frame: FrameAbove) -> list[tuple[str, str]]:
    """Marks of a picture and what they mean, those alone that are in it."""
    plants = frame.plants
    if plants is None or not len(plants):
        return []
    low, high = _tip_span(plants)
    entries = [
        ("tips", f"{low:.0f} to {high:.0f} leaf tips", True),
        ("double", "two plants as one", (plants.double >= 0.5).any()),
        ("off", "off the rows", (plants.row < 0).any()),
        ("gap", "gap", bool(frame.gaps)),
    ]
    return [(mark, words) for mark, words, wanted in entries if wanted]


def _draw_mark(canvas: Canvas, mark: str, x: float, middle: float, size: int) -> None:
    radius = 0.32 * size
    if mark == "tips":
        for place, share in enumerate((0.0, 0.5, 1.0)):
            canvas.disc(x + radius * (1 + 2.6 * place), middle, radius, _colour(share), 1.0)
    elif mark == "double":
        canvas.polygon(marks.diamond(x + radius, middle, 1.3 * radius), _SOME, 1.0)
    elif mark == "off":
        canvas.ring(x + radius, middle, radius, marks.WHITE, 0.8)
    else:
        ends = [(x, middle), (x + 2.2 * size, middle)]
        canvas.line(ends, marks.VERMILION, 3.0, rim=1.0, dashes=3)
