"""The network for photos from above: its file, one cached session a process, and its maps by tiles.

It reads pictures at `WORKING_MM` a pixel, coarser ones a little smaller (`working_mm`), and gives
maps of `CELL_PX` px cells. Big pictures go through it in tiles that overlap by more than a plant,
so that no plant is read without its surroundings.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, Final

import numpy as np

from collarvision.network import ModelError, models_folder, open_session

ABOVE_MODEL_VARIABLE: Final = "COLLARVISION_ABOVE_MODEL"
"""Environment variable that names another model file."""

ABOVE_MODEL_FILE: Final = "above.onnx"

WORKING_MM: Final = 3.0
"""Ground that one px of the network's input covers, mm."""

COARSE_WORKING_MM: Final = 3.6
"""The same where the photo is at least as coarse. Enlarged to 3 mm such a photo costs half as much
again, and more plants are missed (`training/above/EXPERIMENTS.md`, 5)."""

CELL_PX: Final = 4

TILE_PX: Final = 2240
"""Side of a tile, its rim included. Smaller ones are more rim, larger ones more memory for little
less time."""

MARGIN_PX: Final = 96
"""Px of a tile's rim that are read and not used: half a plant of eight leaves, and the encoder's
own edge."""

_CHANNELS: Final = {
    "canopy": 1,
    "plants": 1,
    "tips": 1,
    "to_plant": 2,
    "other": 1,
    "tip_count": 1,
    "double": 1,
}


def working_mm(mm_per_px: float) -> float:
    """Ground that one px of the network's input covers, for a photo of so many mm a pixel."""
    return min(max(mm_per_px, WORKING_MM), COARSE_WORKING_MM)


class NoAboveNetwork(ModelError):
    """This installation has no network for photos from above; photos keep their view and place."""


@dataclass(frozen=True, eq=False)
class Maps:
    """What the network sees in one picture, (h, w) float32 in cells of `CELL_PX` px.

    Cell (r, c)'s middle is at working px ((c + 0.5) · `CELL_PX`, (r + 0.5) · `CELL_PX`).

    Attributes
    ----------
    canopy : P(the cell shows a corn leaf)
    plants : heat of plant centres, where the stalk meets the ground
    tips : heat of visible leaf tips
    to_plant : (2, h, w), working px (x, y) from a tip's cell to its plant's centre
    other : P(the cell shows a plant that isn't corn)
    tip_count : leaf tips that the plant has, valid at its centre
    double : P(a centre is two plants that show but one), valid there
    """

    canopy: np.ndarray
    plants: np.ndarray
    tips: np.ndarray
    to_plant: np.ndarray
    other: np.ndarray
    tip_count: np.ndarray
    double: np.ndarray

    @property
    def shape(self) -> tuple[int, int]:
        """(h, w) in cells."""
        return self.canopy.shape[0], self.canopy.shape[1]


Picture = Callable[[int, int, int, int], np.ndarray]
"""Gives the (height, width, 3) uint8 RGB of a window (left, top, width, height) in working px."""


@dataclass(frozen=True)
class AboveNetwork:
    """A loaded network; `version` is what the model file says of itself."""

    session: Any
    version: str

    def run(self, picture: np.ndarray) -> dict[str, np.ndarray]:
        """Read one tile.

        Parameters
        ----------
        picture : ndarray, (H, W, 3) uint8
            RGB at the working scale; both sides multiples of 32.

        Returns
        -------
        dict
            Each map's channels, (C, H/4, W/4) float32.
        """
        batch = np.ascontiguousarray(picture.transpose(2, 0, 1)[None], dtype=np.float32)
        batch *= np.float32(1 / 255)
        maps = self.session.run(list(_CHANNELS), {"photo": batch})
        return {name: one[0] for name, one in zip(_CHANNELS, maps, strict=True)}

    def read(
        self,
        picture: Picture,
        width: int,
        height: int,
        *,
        tell: Callable[[int, int], None] = lambda done, total: None,
    ) -> Maps:
        """Read a picture of any size by tiles.

        Parameters
        ----------
        picture : callable
            Gives windows of the picture, which lie within it.
        width, height : int
            Of the whole, working px.
        tell : callable
            Called with tiles done and all tiles.
        """
        rows, columns = -(-height // CELL_PX), -(-width // CELL_PX)
        found = {
            name: np.zeros((count, rows, columns), np.float32) for name, count in _CHANNELS.items()
        }
        tiles = list(_tiles(width, height))
        for number, tile in enumerate(tiles, start=1):
            rgb = picture(tile.left, tile.top, tile.width, tile.height)
            maps = self.run(_padded(rgb))
            top, bottom = tile.rows
            left, right = tile.columns
            skip_y, skip_x = tile.top // CELL_PX, tile.left // CELL_PX
            for name, one in maps.items():
                found[name][:, top:bottom, left:right] = one[
                    :, top - skip_y : bottom - skip_y, left - skip_x : right - skip_x
                ]
            tell(number, len(tiles))
        flat = {name: one[0] if _CHANNELS[name] == 1 else one for name, one in found.items()}
        return Maps(**flat)


@dataclass(frozen=True)
class _Tile:
    """A window to read, working px, and the cells of the whole that are taken from it."""

    left: int
    top: int
    width: int
    height: int
    columns: tuple[int, int]
    rows: tuple[int, int]


def _tiles(width: int, height: int) -> Iterator[_Tile]:
    """Tiles of like size that cover a picture, edges without rims to spare."""
    for top, tall, rows in _steps(height):
        for left, wide, columns in _steps(width):
            yield _Tile(left, top, wide, tall, columns, rows)


def _steps(length: int) -> Iterator[tuple[int, int, tuple[int, int]]]:
    """Start and length of each window along one side, px, and the cells taken from it."""
    cells = -(-length // CELL_PX)
    if length <= TILE_PX:
        yield 0, length, (0, cells)
        return
    inner = TILE_PX - 2 * MARGIN_PX
    count = max(2, -(-(length - 2 * MARGIN_PX) // inner))
    # Whole multiples of 32 px start every window on a cell and need no padding.
    bounds = [round(i * length / count / 32) * 32 for i in range(count)] + [length]
    for start, end in pairwise(bounds):
        low = max(0, start - MARGIN_PX)
        high = min(length, end + MARGIN_PX)
        taken = (start // CELL_PX, cells if end == length else end // CELL_PX)
        yield low, high - low, taken


def _padded(rgb: np.ndarray) -> np.ndarray:
    """Both sides brought to multiples of 32 by repeating the last row and column."""
    height, width = rgb.shape[:2]
    down, right = -height % 32, -width % 32
    if not down and not right:
        return rgb
    return np.pad(rgb, ((0, down), (0, right), (0, 0)), mode="edge")


_networks: dict[tuple[str, int], AboveNetwork] = {}
_lock = threading.Lock()


def above_model_path() -> Path:
    """Find the network's file.

    Raises
    ------
    NoAboveNetwork
        When there is no such file.
    """
    chosen = os.environ.get(ABOVE_MODEL_VARIABLE)
    found = Path(chosen) if chosen else models_folder() / ABOVE_MODEL_FILE
    if not found.is_file():
        raise NoAboveNetwork(
            f"There is no network for photos from above in this installation ({found} is "
            "missing): nothing is counted in them. Install the package again, or point "
            f"{ABOVE_MODEL_VARIABLE} at a model file."
        )
    return found


def load_above_network() -> AboveNetwork:
    """Open the network, or hand back the one already open in this process.

    Raises
    ------
    NoAboveNetwork
        When the file is missing.
    ModelError
        When it isn't a network of this kind.
    """
    found = above_model_path().resolve()
    # A session's threads do not survive a fork, so a child process opens its own.
    key = (str(found), os.getpid())
    with _lock:
        if key not in _networks:
            _networks[key] = AboveNetwork(*open_session(found, _CHANNELS))
        return _networks[key]
