"""Row joining: the lines of neighbouring patches, put together into whole rows.

A patch's line ends at its border and the row doesn't. Each line is followed into the next patch,
to the line there that lies where it points. Where a patch has no plant of the row, but of the rows
beside it, the row is drawn on through it: planters skip, and rows don't end between two others.
Where those beside it are gone too it isn't: that is ground without rows
(`collarvision.above.rowless`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from collarvision.above.rowdirection import Box, cut
from collarvision.above.rowline import OFF_ROW_M, Line

_PARALLEL: Final = 0.995
"""Cosine between lines of one direction: rows bend a degree or two from patch to patch."""

_NEXT_ROW: Final = (0.5, 1.6)
"""Row spacings between which the row beside a line is looked for; nearer it would be itself."""

_STANDS_M: Final = 2.0
"""Along a row, within which it has a plant where it counts as standing: our own choice."""

_INSIDE_M: Final = 0.01
_LEAST_M: Final = 0.05
_FEWEST_LATE: Final = 2
"""Plants of its own with which a row at the field's side goes on past a skip."""


class _Patches:
    """Lines by the patch that they lie in, and plants on none of them."""

    def __init__(
        self,
        points_m: np.ndarray,
        turn: np.ndarray,
        near: dict[Box, np.ndarray],
        lines: list[Line],
        boxes: Sequence[Box],
        spacing_m: float | None,
    ) -> None:
        self.points, self.turn, self.near, self.spacing = points_m, turn, near, spacing_m
        self.lines = lines
        self.free = np.ones(len(points_m), bool)
        for line in lines:
            self.free[line.members] = False
        self.lefts = np.unique([box[0] for box in near])
        self.bottoms = np.unique([box[1] for box in near])
        self.boxes = {self._cell(*box[:2]): box for box in near}
        self.real: dict[tuple[int, int], list[int]] = {}
        self.drawn: dict[tuple[int, int], list[int]] = {}
        for number, box in enumerate(boxes):
            self.real.setdefault(self._cell(*box[:2]), []).append(number)
        self.before = np.zeros(len(lines), bool)
        """Whether another line goes on in it."""

    def _cell(self, x: float, y: float) -> tuple[int, int]:
        return (
            int(np.searchsorted(self.lefts, x, "right")) - 1,
            int(np.searchsorted(self.bottoms, y, "right")) - 1,
        )

    def cell_at(self, place: np.ndarray) -> tuple[int, int] | None:
        """The patch that local metres lie in."""
        x, y = self.turn @ place
        cell = self._cell(x, y)
        box = self.boxes.get(cell)
        return cell if box is not None and x < box[2] and y < box[3] else None

    def around(self, cell: tuple[int, int], of: dict[tuple[int, int], list[int]]) -> list[Line]:
        i, j = cell
        beside = [(i + a, j + b) for a in (-1, 0, 1) for b in (-1, 0, 1)]
        return [self.lines[number] for one in beside for number in of.get(one, ())]

    def going_on(self, cell: tuple[int, int], at: np.ndarray, along: np.ndarray, tol: float) -> int:
        """The line of a patch, or just over its side, in which one goes on that ends `at`; or -1.

        At a side a row's two fits may lie a little this way and that of it.
        """
        best, number = tol, -1
        cells = {cell}
        for off in (-OFF_ROW_M, OFF_ROW_M):
            over = self.cell_at(at + _INSIDE_M * along + off * np.array([-along[1], along[0]]))
            if over is not None:
                cells.add(over)
        for one in [n for c in sorted(cells) for n in self.real.get(c, ())]:
            line = self.lines[one]
            if self.before[one] or line.direction @ along < _PARALLEL:
                continue
            place, off = _on(line, at)
            if line.end_m > place + _LEAST_M and abs(off) < best:
                best, number = abs(off), one
        return number

    def beside(
        self, cell: tuple[int, int], at: np.ndarray, along: np.ndarray
    ) -> tuple[Line | None, Line | None] | None:
        """Rows that stand on both sides of a place; None where the place is another row's own."""
        assert self.spacing is not None
        nearest: list[tuple[float, Line | None]] = [(np.inf, None), (np.inf, None)]
        low, high = (share * self.spacing for share in _NEXT_ROW)
        drawn = self.around(cell, self.drawn)
        for line in self.around(cell, self.real) + drawn:
            if abs(line.direction @ along) < _PARALLEL:
                continue
            place, off = _on(line, at)
            if not line.start_m <= place < line.end_m or abs(off) > high:
                continue
            if abs(off) < low:
                return None
            if not len(line.members):
                continue
            side = int(off > 0)
            every = line.whole_along_m
            first = int(np.searchsorted(every, place - _STANDS_M))
            stands = first < len(every) and every[first] <= place + _STANDS_M
            if stands and abs(off) < nearest[side][0]:
                nearest[side] = abs(off), line
        return nearest[0][1], nearest[1][1]

    def draw_on(
        self, cell: tuple[int, int], at: np.ndarray, along: np.ndarray
    ) -> tuple[Line, bool] | None:
        """A row through a patch that has no line of it, and whether it stands between two others.

        None where no row stands beside it, or it would run into one.
        """
        if self.spacing is None:
            return None
        box = self.boxes[cell]
        between = False
        for turned in range(2):
            start, end = cut(self.turn @ at, self.turn @ along, box)
            if end - max(start, 0.0) <= 0.0:
                return None
            # A border that the last line ended at is this one's beginning.
            middle = at + 0.5 * (max(start, 0.0) + end) * along
            sides = self.beside(cell, middle, along)
            if sides is None or not any(sides):
                return None
            between = all(sides)
            if not turned:
                # Rows bend, and those beside it tell how.
                leaning = [line.direction for line in sides if line is not None]
                mean = np.mean([d * np.sign(d @ along) for d in leaning], 0)
                along = mean / np.hypot(*mean)
        near = self.near[box]
        near = near[self.free[near]]
        off = self.points[near] - at
        place, across = off @ along, off @ np.array([-along[1], along[0]])
        own = (np.abs(across) <= OFF_ROW_M) & (place >= 0.0) & (place < end)
        order = np.argsort(place[own], kind="stable")
        members, place = near[own][order], place[own][order]
        return Line(members, place, at, along, 0.0, end, place), between


def join(
    points_m: np.ndarray,
    turn: np.ndarray,
    near: dict[Box, np.ndarray],
    lines: Sequence[Line],
    boxes: Sequence[Box],
    spacing_m: float | None,
) -> tuple[Line, ...]:
    """Tell which line goes on in which, with lines through patches that have no plant of a row.

    Parameters
    ----------
    points_m : ndarray, (n, 2)
        Plants in local metres.
    turn : ndarray, (2, 2)
        Turns local metres into the axes of the patches.
    near : dict of Box to ndarray
        Every patch that has plants, and which are in and near it.
    lines : sequence of Line
    boxes : sequence of Box
        Each line's patch.
    spacing_m : float or None
        Between rows.
    """
    kept, boxes = _once(lines, boxes, len(points_m))
    patches = _Patches(points_m, turn, near, kept, boxes, spacing_m)
    real = len(kept)
    for number in range(real):
        _follow(patches, number)
    for number in range(real):
        if not patches.before[number]:
            _draw_back(patches, number)
    return tuple(patches.lines)


def _follow(patches: _Patches, number: int) -> None:
    """Follow a line to the one that it goes on in, through patches without a plant of the row."""
    line = patches.lines[number]
    at, along = line.at(line.end_m), line.direction
    through: list[tuple[tuple[int, int], Line]] = []
    sure = 0
    while (cell := patches.cell_at(at + _INSIDE_M * along)) is not None:
        # A row drawn on over many metres errs a little more with each patch.
        most = OFF_ROW_M * (1 + len(through))
        if patches.spacing is not None:
            most = min(most, max(OFF_ROW_M, 0.3 * patches.spacing))
        found = patches.going_on(cell, at, along, most)
        if found >= 0:
            other = patches.lines[found]
            start, _ = _on(other, at)
            own = other.along_m >= start
            patches.free[other.members[~own]] = True
            patches.lines[found] = replace(
                other, members=other.members[own], along_m=other.along_m[own], start_m=start
            )
            patches.before[found] = True
            _link(patches, number, through, found)
            return
        drawn = patches.draw_on(cell, at, along)
        if drawn is None:
            break
        one, between = drawn
        through.append((cell, one))
        if sure == len(through) - 1 and (between or len(one.members) >= _FEWEST_LATE):
            sure = len(through)
        at, along = one.at(one.end_m), one.direction
    # The row ends here, or was skipped up to the field's end: between two rows, it was skipped.
    _link(patches, number, through[:sure], -1)


def _link(
    patches: _Patches, number: int, through: list[tuple[tuple[int, int], Line]], last: int
) -> None:
    for cell, one in through:
        patches.free[one.members] = False
        patches.lines[number] = replace(patches.lines[number], goes_on=len(patches.lines))
        number = len(patches.lines)
        patches.drawn.setdefault(cell, []).append(number)
        patches.lines.append(one)
    patches.lines[number] = replace(patches.lines[number], goes_on=last)


def _draw_back(patches: _Patches, number: int) -> None:
    """Draw a row from its first line back to the field's beginning, while it lies between two."""
    line = patches.lines[number]
    at, along = line.at(line.start_m), -line.direction
    while (cell := patches.cell_at(at + _INSIDE_M * along)) is not None:
        drawn = patches.draw_on(cell, at, along)
        if drawn is None:
            return
        one, between = drawn
        if not between and len(one.members) < _FEWEST_LATE:
            return
        patches.free[one.members] = False
        at, along = one.at(one.end_m), one.direction
        patches.drawn.setdefault(cell, []).append(len(patches.lines))
        # Turned about, so that all lines of a row run the same way.
        patches.lines.append(
            Line(
                members=one.members[::-1],
                along_m=-one.along_m[::-1],
                origin=one.origin,
                direction=-one.direction,
                start_m=-one.end_m,
                end_m=0.0,
                whole_along_m=-one.whole_along_m[::-1],
                goes_on=number,
            )
        )
        number = len(patches.lines) - 1


def _once(lines: Sequence[Line], boxes: Sequence[Box], plants: int) -> tuple[list[Line], list[Box]]:
    """Lines with each plant on one of them alone.

    A row along the side of two patches may have been found in both.
    """
    free = np.ones(plants, bool)
    kept: dict[int, Line] = {}
    for number in sorted(range(len(lines)), key=lambda i: -len(lines[i].members)):
        line = lines[number]
        own = free[line.members]
        if own.mean() <= 0.5:
            continue
        free[line.members] = False
        if not own.all():
            line = replace(line, members=line.members[own], along_m=line.along_m[own])
        kept[number] = line
    order = sorted(kept)
    return [kept[i] for i in order], [boxes[i] for i in order]


def _on(line: Line, at: np.ndarray) -> tuple[float, float]:
    """Where local metres lie along a line, and how far to its left."""
    x, y = at - line.origin
    dx, dy = line.direction
    return float(x * dx + y * dy), float(y * dx - x * dy)
