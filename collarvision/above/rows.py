"""Rows: the straight lines that plants stand on, found from their places alone.

A field is cut into patches of some metres, since rows bend over a field and hardly over a patch. In
each, the direction is the one across which plants lie in the sharpest lines, the lines are the
peaks of their places across it, and a line is fitted that outliers can't pull. Plants off every
line are no part of a row: volunteers, or weeds that passed for corn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from collarvision.above.rowdirection import (
    BIN_M,
    FEWEST,
    SMOOTH_M,
    Box,
    cut,
    main_angle,
    no_chance,
    own_angle,
    patches,
    turn,
)
from collarvision.above.rowjoining import join
from collarvision.above.rowline import OFF_ROW_M, Line

__all__ = ["LEAST_SPACING_M", "MOST_SPACING_M", "OFF_ROW_M", "Line", "RowsFound", "find_rows"]

FEWEST_ON_ROW: Final = 3

LEAST_SPACING_M, MOST_SPACING_M = 0.25, 1.65
_FEW: Final = 60
"""Plants up to which rows could be chance."""


@dataclass(frozen=True, eq=False)
class RowsFound:
    """Rows of a field.

    Attributes
    ----------
    angle_deg : float
        Most plants' rows, from the x axis anticlockwise, 0..180.
    spacing_m : float or None
        Between rows; None where no patch has two side by side.
    lines : tuple of Line
    """

    angle_deg: float
    spacing_m: float | None
    lines: tuple[Line, ...]


def find_rows(points_m: np.ndarray, stated_spacing_m: float | None = None) -> RowsFound | None:
    """Find the rows that plants stand on.

    Parameters
    ----------
    points_m : ndarray, (n, 2)
        Local metres.
    stated_spacing_m : float, optional
        What the user says of the rows' distance; lines that don't fit it are let go.

    Returns
    -------
    RowsFound or None
        None where no row can be told.
    """
    points_m = np.asarray(points_m, np.float64)
    if len(points_m) < FEWEST:
        return None
    angle = main_angle(points_m)
    if len(points_m) <= _FEW and not no_chance(points_m, angle):
        return None
    across = turn(angle)
    turned = points_m @ across.T
    lines: list[Line] = []
    boxes: list[Box] = []
    every: dict[Box, np.ndarray] = {}
    spacings: list[float] = []
    for box, near in patches(turned):
        every[box] = near
        own = turned[near]
        lean = own_angle(own)
        rest = turn(lean)
        found, spacing = _lines_of(own @ rest.T, stated_spacing_m)
        if spacing is not None:
            spacings.append(spacing)
        back = (rest @ across).T
        for members, slope, offset in found:
            line = _clipped(own @ rest.T, members, slope, offset, box, rest, near, back)
            if line is not None:
                lines.append(line)
                boxes.append(box)
    if not lines:
        return None
    middle = float(np.median(spacings)) if spacings else None
    whole = join(points_m, across, every, lines, boxes, middle)
    return RowsFound(angle % 180.0, middle, whole)


# --------------------------------------------------------------------------- lines


def _lines_of(
    points: np.ndarray, stated_m: float | None
) -> tuple[list[tuple[np.ndarray, float, float]], float | None]:
    """Lines y = slope x + offset near the x direction: their members, slope, offset; and spacing.

    `points` are already turned so that rows run along x.
    """
    if len(points) < FEWEST_ON_ROW:
        return [], None
    slope = 0.0
    places = np.zeros(0)
    for _ in range(3):
        across = points[:, 1] - slope * points[:, 0]
        places = _peaks(across)
        if len(places) == 0:
            return [], None
        which, off = _nearest(across, places)
        on = np.abs(off) <= OFF_ROW_M
        if on.sum() < FEWEST_ON_ROW:
            return [], None
        # One slope for the patch: its rows are parallel, and short ones tell none.
        x = points[on, 0]
        x = x - np.bincount(which[on], x)[which[on]] / np.bincount(which[on])[which[on]]
        tilt = float((x * off[on]).sum() / max((x**2).sum(), 1e-9))
        slope += float(np.clip(tilt, -0.03, 0.03))
    across = points[:, 1] - slope * points[:, 0]
    which, off = _nearest(across, places)
    lines = []
    for number in range(len(places)):
        near = np.flatnonzero((which == number) & (np.abs(off) <= 1.5 * OFF_ROW_M))
        if len(near) < FEWEST_ON_ROW:
            continue
        middle = float(np.median(across[near]))
        members = near[np.abs(across[near] - middle) <= OFF_ROW_M]
        if len(members) < FEWEST_ON_ROW:
            continue
        bend = _bend(points[members, 0], across[members])
        lines.append((members, slope + bend[0], bend[1]))
    return _regular(points, lines, stated_m)


def _peaks(across: np.ndarray) -> np.ndarray:
    """Places where plants are dense across the rows."""
    low = across.min() - 0.2
    count = int((across.max() + 0.2 - low) / BIN_M) + 1
    held = np.bincount(((across - low) / BIN_M).astype(int), minlength=count).astype(np.float32)
    smooth = cv2.GaussianBlur(held[None], (0, 0), SMOOTH_M / BIN_M)[0]
    inner = smooth[1:-1]
    peaks = 1 + np.flatnonzero((inner > smooth[:-2]) & (inner >= smooth[2:]))
    if len(peaks) == 0:
        return np.zeros(0)
    # From the highest down; lesser peaks within reach of a higher are its own shoulder.
    chosen: list[int] = []
    for peak in peaks[np.argsort(-smooth[peaks])]:
        if all(abs(peak - other) * BIN_M >= LEAST_SPACING_M for other in chosen):
            chosen.append(int(peak))
    heights = smooth[chosen]
    full = np.median(heights[heights >= 0.4 * heights.max()])
    kept = np.sort(np.array(chosen)[heights >= 0.12 * full])
    return low + (kept + 0.5) * BIN_M


def _nearest(across: np.ndarray, places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Index of the nearest place, and the distance from it."""
    which = np.abs(across[:, None] - places[None]).argmin(1)
    return which, across - places[which]


def _bend(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Slope and offset of a row against its patch's slope, by weights that let outliers go."""
    if len(x) < 5 or np.ptp(x) < 1.0:
        return 0.0, float(np.median(y))
    slope, offset = 0.0, float(np.median(y))
    for _ in range(5):
        off = y - slope * x - offset
        width = max(4.0 * float(np.median(np.abs(off))), 0.02)
        weight = np.clip(1 - (off / width) ** 2, 0, None) ** 2 + 1e-6
        mx, my = np.average(x, weights=weight), np.average(y, weights=weight)
        # A little of level ground beneath: short rows don't tilt.
        spread = float((weight * (x - mx) ** 2).sum()) + 2.0
        slope = float(np.clip((weight * (x - mx) * (y - my)).sum() / spread, -0.02, 0.02))
        offset = float(my - slope * mx)
    return slope, offset


def _regular(
    points: np.ndarray, lines: list[tuple[np.ndarray, float, float]], stated_m: float | None
) -> tuple[list[tuple[np.ndarray, float, float]], float | None]:
    """Lines that lie at whole row spacings from each other, and the spacing.

    Few plants in a line between two rows are weeds or volunteers that happen to stand so.
    """
    if len(lines) < 2:
        return lines, None
    middle = float(points[:, 0].mean())
    lines.sort(key=lambda line: line[1] * middle + line[2])
    places = np.array([slope * middle + offset for _, slope, offset in lines])
    # By squares: lines of a few weeds between full rows must not halve the spacing.
    weight = np.array([len(members) for members, _, _ in lines], np.float64) ** 2
    spacing = _comb(places, weight, stated_m)
    if spacing is None:
        return lines, None
    phase = np.angle((weight * np.exp(2j * np.pi * places / spacing)).sum()) / (2 * np.pi) * spacing
    number = np.round((places - phase) / spacing)
    off = np.abs(places - phase - number * spacing)
    fits = off <= 0.2 * spacing
    dense = weight >= 0.5 * np.median(weight[fits]) if fits.any() else fits
    kept = [i for i in range(len(lines)) if fits[i] or dense[i]]
    if fits.sum() >= 2 and np.ptp(number[fits]) > 0:
        fit = np.polyfit(number[fits], places[fits], 1, w=weight[fits] ** 0.25)
        spacing = float(fit[0])
    return [lines[i] for i in kept], spacing


def _comb(places: np.ndarray, weight: np.ndarray, stated_m: float | None) -> float | None:
    """Spacing at which lines fit a comb; the widest of those that fit nearly as well."""
    if stated_m is not None:
        tried = np.arange(0.85 * stated_m, 1.15 * stated_m, 0.0025)
    else:
        tried = np.arange(LEAST_SPACING_M, MOST_SPACING_M, 0.0025)
    tried = tried[tried <= np.ptp(places) * 1.02 + 0.01]
    if len(tried) == 0:
        return None
    fits = np.abs((weight * np.exp(2j * np.pi * places[None] / tried[:, None])).sum(1))
    fits /= weight.sum()
    good = np.flatnonzero(fits >= 0.92 * fits.max())
    # Among neighbours of the widest good one, the best.
    near = good[tried[good] >= 0.9 * tried[good[-1]]]
    return float(tried[near[fits[near].argmax()]])


def _clipped(
    points: np.ndarray,
    members: np.ndarray,
    slope: float,
    offset: float,
    box: Box,
    rest: np.ndarray,
    near: np.ndarray,
    back: np.ndarray,
) -> Line | None:
    """A line cut to its patch, in the field's metres; None where it has no plant of its own there.

    `points` are in the patch's turned axes, `rest` turned the field's turned axes into those, `box`
    is in the latter, and ``points @ back.T`` are local metres.
    """
    along = np.array([1.0, slope]) / math.hypot(1.0, slope)
    origin = np.array([0.0, offset])
    place = (points[members] - origin) @ along
    order = np.argsort(place, kind="stable")
    members, place = members[order], place[order]
    to_box = rest.T  # patch axes to the field's turned axes
    start, end = cut(to_box @ origin, to_box @ along, box)
    if start >= end:
        return None
    own = (place >= start) & (place < end)
    if not own.any():
        return None
    return Line(
        members=near[members[own]],
        along_m=place[own],
        origin=back @ origin,
        direction=back @ along,
        start_m=start,
        end_m=end,
        whole_along_m=place,
    )
