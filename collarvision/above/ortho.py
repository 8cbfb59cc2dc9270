"""Orthomosaics: a georeferenced picture of a whole field, read window by window.

The file is never in memory as a whole, however many gigapixels it has: a block of some metres is
read, brought to the working scale, sent through the network, and its plants kept. With a folder for
them, finished blocks lie on disk, and a run that was stopped goes on where it was.

Positions come from the file's own transform and coordinate system, through degrees of WGS 84, so
that systems in degrees or with a stretched scale come out in true metres too.
"""

from __future__ import annotations

import hashlib
import math
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final
from zipfile import BadZipFile

import cv2
import numpy as np

from collarvision.above.assembling import Place, assemble
from collarvision.above.calibration import AboveCalibration
from collarvision.above.finding import PLANT_FIELDS, Found, find_plants, join, nothing_found
from collarvision.above.frames import NO_NETWORK, PLANT_REACH_PX, Within
from collarvision.above.ground import COARSEST_MM, Coverage
from collarvision.above.network import CELL_PX, WORKING_MM, AboveNetwork
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
_WGS84: Final = "EPSG:4326"
_LEAST_PLACE_PX: Final = 64


class OrthoError(Exception):
    """The file can't be used as an orthomosaic; `str(error)` says what to do."""


@dataclass(frozen=True, eq=False)
class Ortho:
    """An orthomosaic that is open.

    Attributes
    ----------
    path : Path
    dataset : rasterio.DatasetReader
    bands : tuple of int
        Red, green, blue.
    metres_per_px : ndarray, (2, 2)
        Metres east and north by px right and down, at the middle.
    middle : (x, y)
        Px of the middle, zero of the local metres.
    lat, lon : float
        There.
    """

    path: Path
    dataset: Any
    bands: tuple[int, int, int]
    metres_per_px: np.ndarray
    middle: tuple[float, float]
    lat: float
    lon: float

    @property
    def px_mm(self) -> tuple[float, float]:
        """Size of a px, along its rows and down, mm."""
        sizes = 1000 * np.hypot(*self.metres_per_px)
        return float(sizes[0]), float(sizes[1])

    @property
    def working_px(self) -> np.ndarray:
        """File px that a working px spans, right and down."""
        return WORKING_MM / np.array(self.px_mm)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the working picture."""
        width, height = np.array([self.dataset.width, self.dataset.height]) / self.working_px
        return max(1, round(width)), max(1, round(height))

    def metres(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Metres east and north of the middle by working px."""
        u, v = self.file_px(x, y)
        away = np.stack([u - self.middle[0], v - self.middle[1]])
        east, north = np.tensordot(self.metres_per_px, away, axes=1)
        return east, north

    def file_px(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Px of the file by working px."""
        return np.asarray(x) * self.working_px[0], np.asarray(y) * self.working_px[1]

    def read(self, left: int, top: int, width: int, height: int) -> tuple[np.ndarray, np.ndarray]:
        """A window of the working picture: (h, w, 3) uint8 RGB and (h, w) bool, what is ground.

        Raises
        ------
        OrthoError
            When the file is damaged there.
        """
        step = max(1, round(min(self.working_px)))
        ratio = self.working_px / step
        low = np.floor(np.array([left, top]) * self.working_px / step).astype(int) - 2
        high = np.ceil(np.array([left + width, top + height]) * self.working_px / step).astype(int)
        low, high = np.maximum(low, 0), high + 2
        rgb, seen = self._shrunk(low * step, high * step, step)
        # Px of the shrunken window by px of the working one; centres lie at + 0.5.
        shift = np.array([left, top]) * ratio - low + 0.5 * ratio - 0.5
        matrix = np.array([[ratio[0], 0.0, shift[0]], [0.0, ratio[1], shift[1]]])
        how = cv2.INTER_LINEAR if min(ratio) >= 1.0 else cv2.INTER_CUBIC
        return (
            cv2.warpAffine(
                rgb,
                matrix,
                (width, height),
                flags=how | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            ),
            cv2.warpAffine(
                seen,
                matrix,
                (width, height),
                flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
            > 127,
        )

    def _shrunk(
        self, low: np.ndarray, high: np.ndarray, step: int
    ) -> tuple[np.ndarray, np.ndarray]:
        """Px of the file from `low` to `high`, means over squares of `step`, and its mask."""
        import rasterio
        from rasterio.windows import Window

        high = np.minimum(high, [self.dataset.width, self.dataset.height])
        window = Window(*(int(v) for v in (*low, *(high - low))))
        try:
            seen = self.dataset.dataset_mask(window=window)
            rgb = np.zeros((*seen.shape, 3), np.uint8)
            if seen.any():
                for place, band in enumerate(self.bands):
                    self.dataset.read(band, window=window, out=rgb[..., place])
        except (rasterio.errors.RasterioError, OSError) as error:
            raise OrthoError(
                f"{self.path} is damaged or cut short ({error}): copy it again."
            ) from error
        if step > 1:
            size = (max(1, seen.shape[1] // step), max(1, seen.shape[0] // step))
            whole = np.s_[: size[1] * step, : size[0] * step]
            if min(seen.shape) >= step:
                rgb, seen = rgb[whole], seen[whole]
            rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
            seen = cv2.resize(seen, size, interpolation=cv2.INTER_AREA)
        return rgb, seen


def is_ortho(path: Path) -> bool:
    """Say whether a file looks like a GeoTIFF: a TIFF whose tags tell where it lies.

    By the tags' numbers (OGC GeoTIFF 1.1): 33550 pixel scale, 34264 transformation, 34735 keys.
    """
    try:
        with open(path, "rb") as file:
            head = file.read(8)
    except OSError:
        return False
    if head[:4] in (b"II+\x00", b"MM\x00+"):
        return True  # BigTIFF: no camera writes it
    if head[:4] not in (b"II*\x00", b"MM\x00*"):
        return False
    from PIL import Image

    try:
        with Image.open(path) as image:
            tags = set(getattr(image, "tag_v2", {}))
    except Image.DecompressionBombError:
        return True  # no photo is that large
    except Exception:  # Pillow fails on broken files in many ways
        return False
    return bool(tags & {33550, 34264, 34735})


def open_ortho(path: Path) -> Ortho:
    """Open an orthomosaic.

    Raises
    ------
    OrthoError
        When it can't be read, has no place on the earth, or no colours.
    """
    try:
        import rasterio
    except ImportError:
        raise OrthoError(
            "Orthomosaics need a further package: pip install 'collarvision[ortho]'."
        ) from None
    try:
        dataset = rasterio.open(path)
    except (rasterio.errors.RasterioError, OSError) as error:
        raise OrthoError(f"{path} can't be read as a GeoTIFF: copy or export it again.") from error
    if dataset.crs is None or dataset.transform.is_identity:
        raise OrthoError(
            f"{path} doesn't say where on the earth it lies: export it as a GeoTIFF with its "
            "coordinate system."
        )
    bands = _colours(dataset)
    if bands is None:
        raise OrthoError(
            f"{path} isn't a colour picture of 8 bits (it has {dataset.count} bands of "
            f"{dataset.dtypes[0]}): export red, green and blue."
        )
    middle = (dataset.width / 2, dataset.height / 2)
    try:
        lat, lon, metres = _jacobian(dataset, middle)
    except Exception as error:  # PROJ fails in ways of its own on odd systems
        raise OrthoError(
            f"The coordinate system of {path} can't be changed to degrees: export it in UTM."
        ) from error
    if not np.isfinite(metres).all() or abs(np.linalg.det(metres)) < 1e-12:
        raise OrthoError(
            f"The coordinate system of {path} can't be changed to degrees: export it in UTM."
        )
    return Ortho(path, dataset, bands, metres, middle, lat, lon)


def _colours(dataset: Any) -> tuple[int, int, int] | None:
    from rasterio.enums import ColorInterp

    if dataset.count < 3 or any(kind != "uint8" for kind in dataset.dtypes[:3]):
        return None
    said = list(dataset.colorinterp)
    wanted = (ColorInterp.red, ColorInterp.green, ColorInterp.blue)
    if all(colour in said for colour in wanted):
        red, green, blue = (said.index(colour) + 1 for colour in wanted)
        return red, green, blue
    return 1, 2, 3


def _jacobian(dataset: Any, middle: tuple[float, float]) -> tuple[float, float, np.ndarray]:
    """Latitude and longitude of the middle, and true metres there by px."""
    from rasterio.warp import transform

    reach = max(1.0, min(dataset.width, dataset.height) / 4)
    px = [
        middle,
        (middle[0] - reach, middle[1]),
        (middle[0] + reach, middle[1]),
        (middle[0], middle[1] - reach),
        (middle[0], middle[1] + reach),
    ]
    places = [dataset.transform * one for one in px]
    lons, lats = transform(dataset.crs, _WGS84, [p[0] for p in places], [p[1] for p in places])
    per_lat, per_lon = metres_a_degree(lats[0])
    east, north = np.array(lons) * per_lon, np.array(lats) * per_lat
    right = np.array([east[2] - east[1], north[2] - north[1]]) / (2 * reach)
    down = np.array([east[4] - east[3], north[4] - north[3]]) / (2 * reach)
    return float(lats[0]), float(lons[0]), np.column_stack([right, down])


# --------------------------------------------------------------------------- reading


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
    stopping: Callable[[], bool] = lambda: False,
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
    stopping : callable
        Asked between blocks; once True the run ends with `KeyboardInterrupt`.

    Raises
    ------
    OrthoError
        When the file can't be used.
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
            taken_at=_taken_at(ortho.dataset),
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
        side = _block_side(ortho)
        store = _Blocks(keep, _key(path, network.version, calibration, side))
        blocks = list(_blocks(*ortho.size, side))
        parts: list[Found] = []
        grid = _Grid(ortho)
        for number, block in enumerate(blocks):
            if stopping():
                raise KeyboardInterrupt
            part = store.load(number)
            if part is None:
                part = _read_block(ortho, block, network, calibration)
                store.save(number, part)
            parts.append(part.found)
            grid.add(block, part)
            tell(number + 1, len(blocks))
        coverage = grid.coverage(within)
        frame = assemble(
            base,
            join(parts),
            Place(ortho.metres, ortho.file_px, base.georeference),
            coverage,
            calibration,
            stated_spacing_m=stated.row_spacing_m,
        )
        store.forget()
        return frame, grid.picture


@dataclass(frozen=True, eq=False)
class _Part:
    """A block's plants, which of its coarse squares show ground, and a small picture of it."""

    found: Found
    seen: np.ndarray
    small: np.ndarray


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
    ortho: Ortho, block: _Block, network: AboveNetwork, calibration: AboveCalibration
) -> _Part:
    left, top, right, bottom = block
    width, height = ortho.size
    low_x, low_y = max(0, left - PLANT_REACH_PX), max(0, top - PLANT_REACH_PX)
    high_x, high_y = min(width, right + PLANT_REACH_PX), min(height, bottom + PLANT_REACH_PX)
    rgb, seen = ortho.read(low_x, low_y, high_x - low_x, high_y - low_y)
    own = seen[top - low_y : bottom - low_y, left - low_x : right - low_x]
    squares = _squares(own)
    small = _small(rgb, block, (low_x, low_y), ortho.size)
    if not squares.any():
        return _Part(nothing_found(), squares, small)
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
    )
    return _Part(found, squares, small)


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

    def add(self, block: _Block, part: _Part) -> None:
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


# --------------------------------------------------------------------------- finished blocks


class _Blocks:
    """Finished blocks on disk; without a folder nothing is kept."""

    def __init__(self, folder: Path | None, key: str) -> None:
        self._folder = None if folder is None else folder / f"blocks-{key}"
        if self._folder is not None:
            self._folder.mkdir(parents=True, exist_ok=True)

    def load(self, number: int) -> _Part | None:
        """A block of an earlier run; None where there is none, or a broken one."""
        if self._folder is None:
            return None
        try:
            with np.load(self._path(number), allow_pickle=False) as kept:
                counts = kept["counts"].tolist()
                found = replace(
                    nothing_found(),
                    **{name: kept[name] for name in _KEPT},
                    canopy_cells=counts[0],
                    other_cells=counts[1],
                    cells=counts[2],
                )
                return _Part(found, kept["seen"], kept["small"])
        except (OSError, ValueError, KeyError, EOFError, BadZipFile):
            return None

    def save(self, number: int, part: _Part) -> None:
        """Keep a block, whole or not at all."""
        if self._folder is None:
            return
        found = part.found
        columns: dict[str, Any] = {name: getattr(found, name) for name in _KEPT}
        columns["counts"] = np.array([found.canopy_cells, found.other_cells, found.cells])
        written = self._folder / f".{number}.part"
        with open(written, "wb") as stream:
            np.savez(stream, **columns, seen=part.seen, small=part.small)
        os.replace(written, self._path(number))

    def forget(self) -> None:
        """Clear the blocks away: all of them are in the answer."""
        if self._folder is None:
            return
        for path in self._folder.iterdir():
            path.unlink()
        self._folder.rmdir()

    def _path(self, number: int) -> Path:
        if self._folder is None:
            raise ValueError("no folder for blocks")
        return self._folder / f"{number}.npz"


_KEPT: Final = (*PLANT_FIELDS, "tip_x", "tip_y", "tip_owner")


def _key(path: Path, model: str, calibration: AboveCalibration, side: int) -> str:
    """Short name of a file as it is now, read by this network."""
    status = path.stat()
    said = f"{path.name}|{status.st_size}|{status.st_mtime_ns}|{model}|{calibration}|{side}"
    return hashlib.sha256(said.encode()).hexdigest()[:12]


def _taken_at(dataset: Any) -> str | None:
    """Time of a TIFF, ISO 8601; TIFF 6.0 writes it as 2027:05:20 09:00:00."""
    said = str(dataset.tags().get("TIFFTAG_DATETIME", ""))
    try:
        moment = time.strptime(said[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return time.strftime("%Y-%m-%dT%H:%M:%S", moment)
