"""Orthomosaic files: a GeoTIFF opened, its pixels read window by window at the working scale.

Positions come from the file's own transform and coordinate system, through degrees of WGS 84, so
that systems in degrees or with a stretched scale come out in true metres too.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cv2
import numpy as np

from collarvision.above.network import working_mm
from collarvision.boundary import metres_a_degree, within_180

_WGS84: Final = "EPSG:4326"

_COLLAR_PX: Final = 25
"""Side of a square of one colour that is taken as a collar, px of the file: our own choice."""


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
    def working_mm(self) -> float:
        """Ground that a working px covers."""
        return working_mm(math.sqrt(self.px_mm[0] * self.px_mm[1]))

    @property
    def working_px(self) -> np.ndarray:
        """File px that a working px spans, right and down."""
        return self.working_mm / np.array(self.px_mm)

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

    def from_metres(self, x_m: np.ndarray, y_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Working px by metres east and north of the middle."""
        inverse = np.linalg.inv(self.metres_per_px)
        u, v = np.tensordot(inverse, np.stack([x_m, y_m]), axes=1)
        return (
            (u + self.middle[0]) / self.working_px[0],
            (v + self.middle[1]) / self.working_px[1],
        )

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
                seen[_collar(rgb)] = 0
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


def _collar(rgb: np.ndarray) -> np.ndarray:
    """Px of a collar that no mask tells: squares of nothing but black, or of nothing but white.

    Soil and leaves have grain: so much of exactly one of these two is no ground, or none that
    anything could be counted on. Looked for in each window, however large the whole is.
    """
    collar = np.zeros(rgb.shape[:2], bool)
    square = np.ones((_COLLAR_PX, _COLLAR_PX), np.uint8)
    for colour in (0, 255):
        plain = (rgb[..., 0] == colour) & (rgb[..., 1] == colour)
        plain = (plain & (rgb[..., 2] == colour)).astype(np.uint8)
        if not plain.any():
            continue
        inner = cv2.erode(plain, square, borderValue=1)
        if inner.any():
            collar |= cv2.dilate(inner, square, borderValue=0).astype(bool) & (plain > 0)
    return collar


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
    if bands is None and dataset.count > 4 and set(dataset.dtypes) == {"uint8"}:
        raise OrthoError(
            f"{path} has {dataset.count} bands and doesn't say which are red, green and blue: "
            "export those three alone."
        )
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
    # Three bands, or four with alpha, have one usual order; a multispectral camera's five don't.
    return (1, 2, 3) if dataset.count <= 4 else None


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
    lons = [lons[0] + within_180(lon - lons[0]) for lon in lons]  # over the 180th meridian
    east, north = np.array(lons) * per_lon, np.array(lats) * per_lat
    right = np.array([east[2] - east[1], north[2] - north[1]]) / (2 * reach)
    down = np.array([east[4] - east[3], north[4] - north[3]]) / (2 * reach)
    return float(lats[0]), float(lons[0]), np.column_stack([right, down])


def taken_at(dataset: Any) -> str | None:
    """Time of a TIFF, ISO 8601; TIFF 6.0 writes it as 2027:05:20 09:00:00."""
    said = str(dataset.tags().get("TIFFTAG_DATETIME", ""))
    try:
        moment = time.strptime(said[:19], "%Y:%m:%d %H:%M:%S")
    except ValueError:
        return None
    return time.strftime("%Y-%m-%dT%H:%M:%S", moment)
