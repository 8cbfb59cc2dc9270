"""Stand: plants to a length of row and to an area, gaps and doubles, from plants on their rows.

What is too close and too far follows ISO 7256-1:1984 on seeders (from memory): with s the usual
distance from plant to plant, up to 0.5 s is a double, beyond 1.5 s a plant is missing.

Intervals hold two doubts: the scale's, and that the network misses or invents some plants in every
hundred. They are about the ground that the photo shows; how unlike the rest of the field is, photos
of other places tell (`collarvision.above.fields`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from collarvision.above.coverage import Coverage
from collarvision.above.rowless import rowless_share
from collarvision.above.rows import Line, RowsFound
from collarvision.above.values import SQUARE_M_PER_ACRE, Gap, Row, StandCount, interval_90

DOUBLE, MISSING = 0.5, 1.5
_STEP_M: Final = 0.02
_LEAST_LENGTH_M: Final = 0.5
_STRIP_M: Final = 0.045
_LEAFY: Final = 0.35
"""Cover of a strip this wide to both sides of a row from which it is no gap."""

_ROWLESS_ERROR: Final = 0.15
"""Of the border between ground with rows and without, as a share of the latter. Our own choice."""


@dataclass(frozen=True, eq=False)
class _Piece:
    """A line, the number of its `Row`, and the stretches of it on ground that was looked at."""

    line: Line
    number: int
    runs: list[tuple[float, float]]


LeafShare = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Stood:
    """Rows, gaps and counts.

    Attributes
    ----------
    rows : tuple of Row
    row_of, place_m : ndarray, (n,)
        Each plant's row, -1 off all, and place along it, NaN off all.
    stand : StandCount or None
    gaps : tuple of Gap
        Without longitude and latitude.
    hidden : int
        Plants that would stand where there are leaves and no plant was told apart.
    """

    rows: tuple[Row, ...]
    row_of: np.ndarray
    place_m: np.ndarray
    stand: StandCount | None
    gaps: tuple[Gap, ...]
    hidden: int = 0


def count_stand(
    found: RowsFound | None,
    double: np.ndarray,
    coverage: Coverage,
    *,
    scale_error: float,
    count_error: float,
    count_factor: float = 1.0,
    stated_spacing_m: float | None = None,
    leaf_share: LeafShare | None = None,
) -> Stood:
    """Count plants along their rows.

    Parameters
    ----------
    found : RowsFound or None
    double : ndarray, (n,)
        P(two plants in one centre) of each plant.
    coverage : Coverage
        Ground that was looked at; row outside of it isn't row.
    scale_error, count_error : float
        Relative standard errors.
    count_factor : float
        Plants there are for each one counted, on average.
    stated_spacing_m : float, optional
        Row spacing that the user states: areas then rest on it, and not on the scale twice.
    leaf_share : callable, optional
        Share of the ground under corn leaves by local metres. A stretch of row full of leaves is
        no gap, whatever the network told apart there.
    """
    row_of = np.full(len(double), -1, np.int32)
    place = np.full(len(double), np.nan)
    if found is None:
        return Stood((), row_of, place, None, ())
    spacing = _usual_spacing(found)
    rows: list[Row] = []
    gaps: list[Gap] = []
    length, plants, twins = 0.0, 0.0, 0.0
    steps: list[np.ndarray] = []
    pieces: list[_Piece] = []
    for line in found.lines:
        number = len(rows)
        runs, seen = _seen(line, coverage)
        pieces.append(_Piece(line, number, runs))
        if seen <= 0.0:
            continue
        row_of[line.members] = number
        place[line.members] = line.along_m
        length += seen
        plants += len(line.members) + float(double[line.members].sum())
        twins += float(double[line.members].sum())
        rows.append(
            Row(
                start_m=_at(line, runs[0][0]),
                end_m=_at(line, runs[-1][1]),
                length_m=seen,
                plants=len(line.members),
            )
        )
        between = np.diff(line.whole_along_m)
        own = np.isin(line.whole_along_m[:-1], line.along_m)
        steps.append(between[own])
        if spacing is not None:
            twins += int((between[own] <= DOUBLE * spacing).sum())
    if spacing is not None:
        for chain in _chains(found.lines):
            gaps += _gaps([pieces[i] for i in chain], spacing)
    hidden = 0
    if leaf_share is not None and spacing is not None:
        gaps, hidden = _without_leaves(gaps, leaf_share, spacing)
    if length < _LEAST_LENGTH_M or spacing is None:
        return Stood(tuple(rows), row_of, place, None, tuple(gaps), hidden)
    plants *= count_factor
    wide = stated_spacing_m or found.spacing_m
    error = math.hypot(scale_error, count_error)
    per_m = plants / length
    bare = 0.0
    if wide is not None:
        bare = rowless_share(
            rows,
            coverage,
            found.spacing_m or wide,
            None if leaf_share is None else lambda x, y: np.nan_to_num(leaf_share(x, y)) >= _LEAFY,
        )
    per_m2 = None if wide is None else (1.0 - bare) * per_m / wide
    # An area by rows seen twice through the same scale errs twice as much.
    twice = error if stated_spacing_m else math.hypot(2 * scale_error, count_error)
    twice = math.hypot(twice, _ROWLESS_ERROR * bare / max(1.0 - bare, 0.05))
    even = np.concatenate(steps) if steps else np.zeros(0)
    even = even[(even > DOUBLE * spacing) & (even <= MISSING * spacing)]
    stand = StandCount(
        plants=plants,
        row_length_m=length,
        row_spacing_m=wide,
        per_m_row=per_m,
        per_m_row_interval=interval_90(per_m, error),
        per_ha=None if per_m2 is None else per_m2 * 10_000,
        per_ha_interval=None if per_m2 is None else interval_90(per_m2 * 10_000, twice),
        per_acre=None if per_m2 is None else per_m2 * SQUARE_M_PER_ACRE,
        per_acre_interval=None
        if per_m2 is None
        else interval_90(per_m2 * SQUARE_M_PER_ACRE, twice),
        spacing_m=spacing,
        doubles=twins,
        spacing_cv=float(even.std() / even.mean()) if len(even) > 2 else None,
        unseen_share=1.0 - 1.0 / count_factor,
        rowless_share=bare,
    )
    return Stood(tuple(rows), row_of, place, stand, tuple(gaps), hidden)


def _usual_spacing(found: RowsFound) -> float | None:
    """Usual distance from plant to plant: the middle of those that are no doubles and no gaps."""
    steps = [np.diff(line.whole_along_m) for line in found.lines]
    every = np.concatenate(steps) if steps else np.zeros(0)
    every = every[every > 0.01]
    if len(every) == 0:
        return None
    middle = float(np.median(every))
    for _ in range(8):
        kept = every[(every > DOUBLE * middle) & (every <= MISSING * middle)]
        if len(kept) == 0:
            break
        middle = float(np.median(kept))
    return middle


def _at(line: Line, place: float) -> tuple[float, float]:
    x, y = line.at(place)
    return float(x), float(y)


def _seen(line: Line, coverage: Coverage) -> tuple[list[tuple[float, float]], float]:
    """Stretches of a line on ground that was looked at, and their length together."""
    count = max(2, math.ceil((line.end_m - line.start_m) / _STEP_M))
    places = line.start_m + (np.arange(count) + 0.5) * (line.end_m - line.start_m) / count
    at = line.origin + places[:, None] * line.direction
    inside = coverage.holds(at[:, 0], at[:, 1])
    if not inside.any():
        return [], 0.0
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    step = (line.end_m - line.start_m) / count
    runs = [
        (line.start_m + a * step, line.start_m + b * step)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    return runs, float(sum(b - a for a, b in runs))


def _chains(lines: Sequence[Line]) -> list[list[int]]:
    """Lines that go on in each other, one list a whole row, in order along it."""
    later = {line.goes_on for line in lines}
    chains = []
    for number in range(len(lines)):
        if number in later:
            continue
        chain = [number]
        while (number := lines[number].goes_on) >= 0:
            chain.append(number)
        chains.append(chain)
    return chains


def _gaps(pieces: Sequence[_Piece], spacing: float) -> list[Gap]:
    """Stretches of seen row longer than `MISSING` spacings without a plant, patches or not.

    `pieces` are those of one whole row in order along it.
    """
    # Places along the whole row: each piece begins where the last one ends.
    begins = np.cumsum([0.0] + [piece.line.end_m - piece.line.start_m for piece in pieces])
    runs: list[tuple[float, float]] = []
    every: list[np.ndarray] = []
    for begin, piece in zip(begins[:-1], pieces, strict=True):
        line = piece.line
        for low, high in piece.runs:
            start, end = begin + low - line.start_m, begin + high - line.start_m
            if runs and start - runs[-1][1] <= _STEP_M:
                start = runs.pop()[0]
            runs.append((start, end))
        # A plant at a border is on both lines or on neither by a hair: both are asked.
        near = line.whole_along_m
        near = near[(near >= line.start_m - spacing) & (near < line.end_m + spacing)]
        every.append(begin + near - line.start_m)
    plants = np.sort(np.concatenate(every))

    def at(place: float) -> tuple[_Piece, tuple[float, float]]:
        k = min(max(int(np.searchsorted(begins, place, "right")) - 1, 0), len(pieces) - 1)
        line = pieces[k].line
        return pieces[k], _at(line, line.start_m + place - float(begins[k]))

    found = []
    for start, end in runs:
        inside = plants[(plants >= start) & (plants < end)]
        for low, high in pairwise(np.concatenate([[start], inside, [end]])):
            apart = high - low
            if apart <= MISSING * spacing:
                continue
            # A gap over a border belongs to the patch that it starts in.
            piece, start_m = at(float(low))
            found.append(
                Gap(
                    row=piece.number,
                    start_m=start_m,
                    end_m=at(float(high))[1],
                    length_m=float(apart),
                    missing=max(1, round(apart / spacing) - 1),
                )
            )
    return found


def _without_leaves(
    gaps: list[Gap], leaf_share: LeafShare, spacing: float
) -> tuple[list[Gap], int]:
    """Gaps whose inner stretch is bare, and the plants missing in the others."""
    if not gaps:
        return gaps, 0
    points, owner = [], []
    for number, gap in enumerate(gaps):
        start, end = np.array(gap.start_m), np.array(gap.end_m)
        # The plants beside it reach into it.
        inner = np.linspace(0.5 * spacing, gap.length_m - 0.5 * spacing, 12) / gap.length_m
        across = np.array([start[1] - end[1], end[0] - start[0]]) / gap.length_m
        for off in (-_STRIP_M, 0.0, _STRIP_M):
            points.append(start + inner[:, None] * (end - start) + off * across)
            owner.append(np.full(len(inner), number))
    at, whose = np.concatenate(points), np.concatenate(owner)
    share = np.nan_to_num(leaf_share(at[:, 0], at[:, 1]))
    mean = np.bincount(whose, share, len(gaps)) / np.bincount(whose, minlength=len(gaps))
    bare = mean < _LEAFY
    return (
        [gap for gap, kept in zip(gaps, bare, strict=True) if kept],
        sum(gap.missing for gap, kept in zip(gaps, bare, strict=True) if not kept),
    )
