"""Orthomosaics: a georeferenced picture of a whole field, read window by window.

The file is never in memory as a whole, however many gigapixels it has: a block of some metres is
read, brought to the working scale, sent through the network, and its plants kept. With a folder for
them, finished blocks lie on disk, and a run that was stopped goes on where it was.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Final

import cv2
import numpy as np

from collarvision.above.assembling import Place, assemble
from collarvision.above.calibration import AboveCalibration
from collarvision.above.coverage import Coverage
from collarvision.above.finding import Found, find_plants, join, nothing_found
from collarvision.above.frames import NO_NETWORK, PLANT_REACH_PX, Within
from collarvision.above.ground import COARSEST_MM
from collarvision.above.network import CELL_PX, AboveNetwork
from collarvision.above.orthoblocks import Blocks, BlocksError, Part, run_key
from collarvision.above.orthofile import Ortho, OrthoError, is_ortho, open_ortho, taken_at
from collarvision.above.scale import Stated
from collarvision.above.values import FrameAbove, Georeference, GroundScale
from collarvision.boundary import metres_a_degree

BLOCK_PX: Final = 3072
"""Side of a block, working px: 9 m. Some seconds' work at most is lost when a run is stopped."""

_MOST_READ_PX: Final = 8000
"""Side of the largest window that is read at once, px of the file: 200 MB."""

COVERAGE_M: Final = 0.25

OVERVIEW_PX: Final = 2400
"""Long side of the small picture of the whole."""

_SCALE_ERROR: Final = 0.01
"""Of an orthomosaic made without ground control points; common practice."""

_PLACE_ERROR_M: Final = 2.0

__all__ = ["BlocksError", "OrthoError", "is_ortho", "open_ortho", "read_ortho"]


def read_ortho(
    path: Path,
    network: AboveNetwork | None,
    calibration: AboveCalibration,
    stated: Stated = Stated(),  # noqa: B008 - frozen
    *,
    lacking: str = NO_NETWORK,
    within: Within | None = None,
    keep: Path | None = None,
    tell: Callable[[int, int], None] = lambda done, total: None,
    done: Callable[[FrameAbove, np.ndarray | None], None] = lambda frame, picture: None,
) -> tuple[FrameAbove, np.ndarray | None]:
    """Read an orthomosaic; gives a small picture of all of it too, unless nothing was read.

    Parameters
    ----------
    path : Path
    network, calibration, stated, lacking, within
        As for `collarvision.above.frames.read_frame`.
    keep : Path, optional
        Folder for finished blocks; those of an earlier run over the same file are used.
    tell : callable
        Called with blocks done and all blocks.
    done : callable
        Called with the answer and the picture before the finished blocks are cleared away, to keep
        them: whenever a run is killed, one or the other lies on disk.

    Raises
    ------
    OrthoError
        When the file can't be used.
    BlocksError
        When finished blocks can't be kept.
    """
    ortho = open_ortho(path)
    import rasterio

    # GDAL would otherwise keep a twentieth of all memory full of what was read.
    with rasterio.Env(GDAL_CACHEMAX=64), ortho.dataset:
        across, down = ortho.px_mm
        per_px = math.sqrt(across * down)
        base = FrameAbove(
            photo=path.name,
            sha256=None,
            size_px=(ortho.dataset.width, ortho.dataset.height),
            taken_at=taken_at(ortho.dataset),
            scale=GroundScale(per_px, _SCALE_ERROR, "geotransform"),
            georeference=Georeference(ortho.lat, ortho.lon, 0.0, _PLACE_ERROR_M, "geotransform"),
            model=None if network is None else network.version,
        )
        if per_px > COARSEST_MM:
            said = (
                f"A pixel covers {per_px:.0f} mm of ground, too much to see a leaf's tip (up to "
                f"{COARSEST_MM:g} mm): fly lower, or export it at its full detail."
            )
            return replace(base, quality=("coarse",), reasons=(said,)), None
        if network is None:
            return replace(base, quality=("no-network",), reasons=(lacking,)), None
        with open(path, "rb") as file:
            base = replace(base, sha256=hashlib.file_digest(file, "sha256").hexdigest())
        side = _block_side(ortho)
        store = Blocks(keep, run_key(path, network.version, calibration, side, within))
        blocks = list(_blocks(*ortho.size, side))
        parts: list[Found] = []
        grid = _Grid(ortho)
        for number, block in enumerate(blocks):
            part = store.load(number)
            if part is None:
                part = _read_block(ortho, block, network, calibration, within)
                store.save(number, part)
            parts.append(part.found)
            grid.add(block, part)
            tell(number + 1, len(blocks))
        coverage = grid.coverage(within)
        frame = assemble(
            base,
            join(parts),
            Place(ortho.metres, ortho.file_px, ortho.from_metres, base.georeference),
            coverage,
            calibration,
            stated_spacing_m=stated.row_spacing_m,
        )
        done(frame, grid.picture)
        store.forget()
        return frame, grid.picture


_Block = tuple[int, int, int, int]


def _block_side(ortho: Ortho) -> int:
    """Side of a block, working px, a whole number of coarse squares."""
    most = _MOST_READ_PX / max(ortho.working_px) - 2 * PLANT_REACH_PX
    return max(2 * _SQUARE_PX, int(min(BLOCK_PX, most)) // _SQUARE_PX * _SQUARE_PX)


def _blocks(width: int, height: int, side: int) -> Iterator[_Block]:
    for top in range(0, height, side):
        for left in range(0, width, side):
            yield left, top, min(left + side, width), min(top + side, height)


_SQUARE_PX: Final = 64
"""Coarse squares that ground is noted by, working px: 19 cm."""


def _read_block(
    ortho: Ortho,
    block: _Block,
    network: AboveNetwork,
    calibration: AboveCalibration,
    within: Within | None,
) -> Part:
    left, top, right, bottom = block
    width, height = ortho.size
    low_x, low_y = max(0, left - PLANT_REACH_PX), max(0, top - PLANT_REACH_PX)
    high_x, high_y = min(width, right + PLANT_REACH_PX), min(height, bottom + PLANT_REACH_PX)
    rgb, seen = ortho.read(low_x, low_y, high_x - low_x, high_y - low_y)
    own = seen[top - low_y : bottom - low_y, left - low_x : right - low_x]
    squares = _squares(own)
    small = _small(rgb, block, (low_x, low_y), ortho.size)
    nothing = Part(nothing_found(), squares, small)
    if not squares.any():
        return nothing
    field = None if within is None else _in_field(ortho, block, within)
    if field is not None and not field.any():
        return nothing
    rgb[~seen] = 0
    maps = network.read(
        lambda x, y, w, h: rgb[y : y + h, x : x + w], high_x - low_x, high_y - low_y
    )
    shape = maps.shape
    ground = _cells(seen, shape)
    found = find_plants(
        maps,
        calibration,
        left=low_x,
        top=low_y,
        core=(left, top, right, bottom),
        seen=ground,
        counted=None if field is None else _cells_of(field, block, (low_x, low_y), shape),
        working_mm=ortho.working_mm,
    )
    return Part(found, squares, small)


def _in_field(ortho: Ortho, block: _Block, within: Within) -> np.ndarray:
    """Which of a block's coarse squares lie in the field, by their middles."""
    left, top, right, bottom = block
    x, y = np.meshgrid(
        np.arange(left, right, _SQUARE_PX) + _SQUARE_PX / 2,
        np.arange(top, bottom, _SQUARE_PX) + _SQUARE_PX / 2,
    )
    east, north = ortho.metres(x.ravel(), y.ravel())
    per_lat, per_lon = metres_a_degree(ortho.lat)
    found = within(ortho.lat + north / per_lat, ortho.lon + east / per_lon)
    return np.asarray(found, bool).reshape(x.shape)


def _cells_of(
    squares: np.ndarray, block: _Block, corner: tuple[int, int], shape: tuple[int, int]
) -> np.ndarray:
    """A block's coarse squares by the cells of a picture that starts at a corner."""
    rows = (corner[1] + np.arange(shape[0]) * CELL_PX - block[1]) // _SQUARE_PX
    columns = (corner[0] + np.arange(shape[1]) * CELL_PX - block[0]) // _SQUARE_PX
    rows = np.clip(rows, 0, squares.shape[0] - 1)
    columns = np.clip(columns, 0, squares.shape[1] - 1)
    return np.asarray(squares[rows[:, None], columns[None]])


def _small_box(block: _Block, size: tuple[int, int]) -> tuple[int, int, int, int]:
    """Where a block lies in the small picture: left, top, right, bottom."""
    shrink = max(1.0, max(size) / OVERVIEW_PX)
    left, top, right, bottom = (round(edge / shrink) for edge in block)
    return left, top, max(right, left + 1), max(bottom, top + 1)


def _small(
    rgb: np.ndarray, block: _Block, corner: tuple[int, int], size: tuple[int, int]
) -> np.ndarray:
    """A block of the small picture."""
    left, top, right, bottom = block
    own = rgb[top - corner[1] : bottom - corner[1], left - corner[0] : right - corner[0]]
    box = _small_box(block, size)
    wanted = (box[2] - box[0], box[3] - box[1])
    return np.asarray(cv2.resize(own, wanted, interpolation=cv2.INTER_AREA))


def _squares(seen: np.ndarray) -> np.ndarray:
    """Whether more than half of each `_SQUARE_PX` square is ground."""
    down, right = -seen.shape[0] % _SQUARE_PX, -seen.shape[1] % _SQUARE_PX
    padded = np.pad(seen, ((0, down), (0, right)), mode="edge")
    rows, columns = padded.shape[0] // _SQUARE_PX, padded.shape[1] // _SQUARE_PX
    means = padded.reshape(rows, _SQUARE_PX, columns, _SQUARE_PX).mean((1, 3))
    return np.asarray(means > 0.5)


def _cells(seen: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """`seen` by the network's cells, from the cell's middle."""
    rows = np.minimum(np.arange(shape[0]) * CELL_PX + CELL_PX // 2, seen.shape[0] - 1)
    columns = np.minimum(np.arange(shape[1]) * CELL_PX + CELL_PX // 2, seen.shape[1] - 1)
    return np.asarray(seen[rows[:, None], columns[None]])


class _Grid:
    """Ground that was looked at, gathered block by block."""

    def __init__(self, ortho: Ortho) -> None:
        self._ortho = ortho
        width, height = ortho.size
        self._mask = np.zeros((-(-height // _SQUARE_PX), -(-width // _SQUARE_PX)), bool)
        _, _, wide, tall = _small_box((0, 0, width, height), (width, height))
        self.picture = np.zeros((tall, wide, 3), np.uint8)

    def add(self, block: _Block, part: Part) -> None:
        """Note a block's squares, and put its picture in its place."""
        seen = part.seen
        row, column = block[1] // _SQUARE_PX, block[0] // _SQUARE_PX
        self._mask[row : row + seen.shape[0], column : column + seen.shape[1]] = seen
        left, top, right, bottom = _small_box(block, self._ortho.size)
        self.picture[top:bottom, left:right] = part.small

    def coverage(self, within: Within | None) -> Coverage:
        """The same by squares of local metres, without what lies outside the field."""
        width, height = self._ortho.size
        corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], np.float64)
        x, y = self._ortho.metres(corners[:, 0], corners[:, 1])
        left, top = float(x.min()), float(y.max())
        columns = max(1, math.ceil((x.max() - left) / COVERAGE_M))
        rows = max(1, math.ceil((top - y.min()) / COVERAGE_M))
        east = left + (np.arange(columns) + 0.5) * COVERAGE_M
        inverse = np.linalg.inv(self._ortho.metres_per_px) / self._ortho.working_px[:, None]
        middle = np.array(self._ortho.middle) / self._ortho.working_px
        per_lat, per_lon = metres_a_degree(self._ortho.lat)
        mask = np.zeros((rows, columns), bool)
        for row in range(rows):
            north = np.full(columns, top - (row + 0.5) * COVERAGE_M)
            u, v = inverse @ np.stack([east, north]) + middle[:, None]
            inside = (u >= 0) & (u < width) & (v >= 0) & (v < height)
            at = (v[inside] // _SQUARE_PX).astype(int), (u[inside] // _SQUARE_PX).astype(int)
            mask[row, inside] = self._mask[at]
            if within is not None and mask[row].any():
                shown = mask[row].copy()
                mask[row, shown] = within(
                    self._ortho.lat + north[shown] / per_lat,
                    self._ortho.lon + east[shown] / per_lon,
                )
        return Coverage(mask, left, top, COVERAGE_M)
