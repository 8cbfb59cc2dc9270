"""Frames: one photo from above, from its pixels to a `FrameAbove`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np

from collarvision.above.assembling import Place, assemble, degrees
from collarvision.above.calibration import AboveCalibration
from collarvision.above.coverage import Coverage
from collarvision.above.finding import LEAF_SQUARE_PX, Found, find_plants, join
from collarvision.above.ground import COARSEST_MM, Ground, focal_px
from collarvision.above.network import CELL_PX, AboveNetwork
from collarvision.above.pixelrows import find_pixel_rows
from collarvision.above.scale import Stated, find_scale
from collarvision.above.sharpness import is_blurred
from collarvision.above.tilt import UNSAID, NoScale
from collarvision.above.values import FrameAbove, Georeference
from collarvision.boundary import metres_a_degree, within_180
from collarvision.photo import Photo

BLOCK_PX: Final = 6400
"""Side of the largest piece whose maps are held at once, working px: 19 m, about 90 MB."""

PLANT_REACH_PX: Final = 160
"""Px beyond a block that are read for plants at its edge: half a metre."""

_GPS_ERROR_M: Final = 3.0
"""Of a receiver without correction; common practice."""

_SPREAD, _MOST_SPREAD = 1.12, 1.3
"""Ratio of row spacings in two halves of a photo from which it was tilted, unknown to its file, and
from which that is too much: a count may then be half of the plants. Our own choice."""

NO_NETWORK: Final = (
    "There is no network for photos from above in this installation, so nothing was counted: "
    "install the package again."
)

Within = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Says of latitudes and longitudes whether they lie in the field."""


def read_frame(
    photo: Photo,
    network: AboveNetwork | None,
    calibration: AboveCalibration,
    stated: Stated = Stated(),  # noqa: B008 - frozen
    *,
    lacking: str = NO_NETWORK,
    within: Within | None = None,
    tell: Callable[[int, int], None] = lambda done, total: None,
) -> FrameAbove:
    """Read one photo from above.

    Parameters
    ----------
    photo : Photo
    network : AboveNetwork or None
        None where it can't be opened: the photo keeps its scale and place.
    calibration : AboveCalibration
    stated : Stated
        What the user says of rows and height.
    lacking : str
        Why there is no network.
    within : callable, optional
        Plants outside of the field are left out, where the photo's place and heading are known.
    tell : callable
        Called with tiles done and all tiles.
    """
    base = FrameAbove(
        photo=photo.name,
        sha256=photo.sha256,
        size_px=photo.size,
        taken_at=photo.taken_at.isoformat() if photo.taken_at else None,
        georeference=_georeference(photo, 0.0),
        model=None if network is None else network.version,
    )
    try:
        scaled = find_scale(photo, stated)
    except NoScale as refusal:
        return replace(base, quality=(refusal.code,), reasons=(str(refusal),))
    scale, ground = scaled.scale, scaled.ground
    quality = list(scaled.codes)
    reasons = list(scale.notes)
    away = scale.mm_per_px * (focal_px(photo) or 0.0) / 1000
    ahead = away * math.sin(math.radians(scale.tilt_deg))
    base = replace(base, scale=scale, georeference=_georeference(photo, ahead))
    if scale.mm_per_px > COARSEST_MM:
        return _refused(
            base,
            "coarse",
            f"A pixel covers {scale.mm_per_px:.0f} mm of ground, too much to see a leaf's tip "
            f"(up to {COARSEST_MM:g} mm): fly lower.",
        )
    if UNSAID in reasons and scaled.rows is not None:
        lean, told = _unsaid_tilt(ground)
        if told or lean > _SPREAD:
            reasons.remove(UNSAID)
        if lean > _MOST_SPREAD:
            return _refused(
                replace(base, scale=None),
                "tilted",
                f"Rows look {100 * (lean - 1):.0f}% further apart on one side of the photo than "
                "on the other: the camera was tilted, too far to count, and its file doesn't tell "
                "how. Point it straight down, or give the camera's own file.",
            )
        if lean > _SPREAD:
            # What lies further off is told smaller by as much.
            error = math.hypot(scale.relative_error, (lean - 1) / 2)
            base = replace(base, scale=replace(scale, relative_error=error))
            quality.append("tilted")
            reasons.append(
                f"Rows look {100 * (lean - 1):.0f}% further apart on one side of the photo than "
                "on the other: the camera was tilted, which its file doesn't tell. Counts to an "
                "area are rough; point the camera straight down."
            )
    if _is_blurred(ground, scale.mm_per_px):
        quality.append("blurred")
        reasons.append(
            "The photo is blurred: plants are missed and tips miscounted. Fly slower or in "
            "better light, and focus."
        )
    base = replace(base, quality=tuple(quality), reasons=tuple(reasons))
    if network is None:
        return _refused(base, "no-network", lacking)
    coverage = ground.coverage()
    if within is not None:
        inside = _only_within(coverage, base.georeference, within)
        if inside is None:
            return _refused(base, "outside", "The photo shows nothing of this field.")
        coverage = inside
        unplaced = _unplaced(base.georeference)
        if unplaced is not None:
            base = replace(base, reasons=(*base.reasons, unplaced))
    found = _found(ground, network, calibration, tell, None if within is None else coverage)
    if "blurred" in quality:
        wider = tuple(1.5 * one for one in calibration.inflation)
        calibration = replace(calibration, inflation=wider)
    return assemble(
        base,
        found,
        Place(ground.metres, ground.photo_px, ground.from_metres, base.georeference),
        coverage,
        calibration,
        stated_spacing_m=stated.row_spacing_m,
        rows_option=stated.option("--rows"),
    )


def _refused(base: FrameAbove, code: str, sentence: str) -> FrameAbove:
    return replace(base, quality=(*base.quality, code), reasons=(*base.reasons, sentence))


def _georeference(photo: Photo, ahead_m: float) -> Georeference | None:
    """Where the photo's middle is: the camera's place, and as far ahead as it looked."""
    if photo.gps is None:
        return None
    lat, lon = photo.gps
    heading = photo.flight.heading_deg
    error = _GPS_ERROR_M
    if ahead_m > 0.0:
        if heading is None:
            error = math.hypot(error, ahead_m)
        else:
            per_lat, per_lon = metres_a_degree(lat)
            lat += ahead_m * math.cos(math.radians(heading)) / per_lat
            lon = within_180(lon + ahead_m * math.sin(math.radians(heading)) / per_lon)
    return Georeference(lat, lon, heading, error, "gps")


def _only_within(coverage: Coverage, place: Georeference | None, within: Within) -> Coverage | None:
    """What of the coverage lies in the field; None if nothing does."""
    if place is None:
        return coverage
    rows, columns = np.nonzero(coverage.mask)
    x = coverage.left_m + (columns + 0.5) * coverage.cell_m
    y = coverage.top_m - (rows + 0.5) * coverage.cell_m
    if place.heading_deg is None:
        # Its middle's place alone is known: all of it or nothing.
        return coverage if within(np.array([place.lat]), np.array([place.lon]))[0] else None
    mask = coverage.mask.copy()
    mask[rows, columns] = within(*degrees(x, y, place))
    return replace(coverage, mask=mask) if mask.any() else None


def _unplaced(place: Georeference | None) -> str | None:
    """Say that nobody could see how much of a photo lies in the field; None where that is known."""
    if place is None:
        return (
            "The file has no place (GPS), so the outline says nothing of it: all that it shows is "
            "counted as this field's. Leave it out if it isn't."
        )
    if place.heading_deg is None:
        return (
            "The file doesn't say which way the photo looks: its middle lies in the field, and all "
            "that it shows is counted, also what may lie outside."
        )
    return None


def _found(
    ground: Ground,
    network: AboveNetwork,
    calibration: AboveCalibration,
    tell: Callable[[int, int], None],
    field: Coverage | None = None,
) -> Found:
    """Plants of all the ground, block by block; cover only of the field's, where that is given."""
    parts = []
    across = _cuts(ground.width)
    down = _cuts(ground.height)
    blocks = len(across) * len(down)
    for number, (top, bottom) in enumerate(down):
        for place, (left, right) in enumerate(across):
            low_x, low_y = max(0, left - PLANT_REACH_PX), max(0, top - PLANT_REACH_PX)
            high_x = min(ground.width, right + PLANT_REACH_PX)
            high_y = min(ground.height, bottom + PLANT_REACH_PX)
            before = number * len(across) + place

            def told(done: int, total: int, before: int = before) -> None:
                tell(before * total + done, blocks * total)

            def picture(
                x: int, y: int, width: int, height: int, left: int = low_x, top: int = low_y
            ) -> np.ndarray:
                return ground.picture(left + x, top + y, width, height)

            maps = network.read(picture, high_x - low_x, high_y - low_y, tell=told)
            seen = None
            if ground.tilt_deg > 0.0:
                seen = ground.shows(*ground.photo_px(*_cells(low_x, low_y, maps.shape)))
                seen = seen.reshape(maps.shape)
            counted = None
            if field is not None:
                x, y = _cells(low_x, low_y, maps.shape)
                counted = field.holds(*ground.metres(x, y)).reshape(maps.shape)
            parts.append(
                find_plants(
                    maps,
                    calibration,
                    left=low_x,
                    top=low_y,
                    core=(left, top, right, bottom),
                    seen=seen,
                    counted=counted,
                    working_mm=ground.working_mm,
                )
            )
    return join(parts)


def _cuts(length: int) -> list[tuple[int, int]]:
    """Starts and ends of blocks along a side, on whole squares of leaf cover."""
    count = max(1, -(-length // BLOCK_PX))
    step = LEAF_SQUARE_PX
    bounds = [round(i * length / count / step) * step for i in range(count)] + [length]
    return list(zip(bounds[:-1], bounds[1:], strict=True))  # noqa: RUF007 - one list of pairs


def _cells(left: int, top: int, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Middles of a block's cells, working px."""
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]]
    return left + (columns.ravel() + 0.5) * CELL_PX, top + (rows.ravel() + 0.5) * CELL_PX


def _is_blurred(ground: Ground, mm_per_px: float) -> bool:
    """Look at some of the ground at the finer of the working scale and the photo's own."""
    if mm_per_px <= 3.0 and ground.tilt_deg == 0.0:
        return is_blurred(ground.picture(0, 0, ground.width, ground.height))
    return is_blurred(ground.photo.pixels(max(1.0, 3.0 / mm_per_px))[0])


def _unsaid_tilt(ground: Ground) -> tuple[float, bool]:
    """Largest ratio of row spacings in opposite halves of a photo, and whether all could be told.

    Ahead and to the sides: in halves side by side a tilt ahead doesn't show.
    """
    rgb, _ = ground.photo.pixels(max(ground.photo.size) / 1400)
    height, width = rgb.shape[:2]
    halves = (
        (rgb[: height // 2], rgb[height // 2 :]),
        (rgb[:, : width // 2], rgb[:, width // 2 :]),
    )
    ratio, told = 1.0, True
    for pair in halves:
        rows = [find_pixel_rows(half) for half in pair]
        if rows[0] is None or rows[1] is None:
            told = False
            continue
        one = rows[0].spacing_px / rows[1].spacing_px
        one = max(one, 1 / one)
        # Twice the spacing is a row missed, not a tilt.
        if one < 1.6:
            ratio = max(ratio, one)
        else:
            told = False
    return ratio, told
