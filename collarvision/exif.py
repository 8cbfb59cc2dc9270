"""EXIF: what the camera noted beside the pixels - when, where, how long the lens, which way up.

Tags and types are those of the Exif 2.31 standard (CIPA DC-008-2016). Anything missing, blank or
nonsensical is None: a broken note never costs the photo.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from datetime import date, datetime, timedelta, timezone
from typing import Any

FULL_FRAME_DIAGONAL_MM = 43.27
"""Diagonal of the 24 x 36 mm frame, by which CIPA DCG-001 defines the 35 mm-equivalent focal."""

_FIRST_YEAR, _YEARS_AHEAD = 1990, 2
_EXIF_IFD, _GPS_IFD = 0x8769, 0x8825
_ORIENTATION, _DATE_TIME = 0x0112, 0x0132
_ORIGINAL, _DIGITIZED, _OFFSET_ORIGINAL = 0x9003, 0x9004, 0x9011
_FOCAL_MM, _FOCAL_IN_35MM = 0x920A, 0xA405
_PLANE_X_RESOLUTION, _PLANE_Y_RESOLUTION, _PLANE_UNIT = 0xA20E, 0xA20F, 0xA210
_PIXEL_WIDTH, _PIXEL_HEIGHT = 0xA002, 0xA003
_DIGITAL_ZOOM, _MOST_ZOOM = 0xA404, 1.05
_MM_PER_PLANE_UNIT = {2: 25.4, 3: 10.0, 4: 1.0}


@dataclass(frozen=True)
class Notes:
    """What EXIF says; `orientation` is 1..8, `sea_height_m` over the sea, `heading_deg` clockwise
    from true north, `size_ratio` the long side noted over the actual one; the rest as in
    `collarvision.photo.Photo`.
    """

    orientation: int = 1
    taken_at: datetime | None = None
    gps: tuple[float, float] | None = None
    focal_eq_mm: float | None = None
    resized: bool = False
    size_ratio: float = 1.0
    sea_height_m: float | None = None
    heading_deg: float | None = None


def read_notes(exif: Any, width: int, height: int) -> Notes:
    """Read the notes from an EXIF block.

    Parameters
    ----------
    exif : bytes or PIL.Image.Exif
        Raw block (with or without its "Exif" header), or one that Pillow has parsed.
    width, height : int
        Stored pixels, as a check on the focal length.
    """
    if isinstance(exif, bytes) and not exif:
        return Notes()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a damaged block is our business, not the user's
            if isinstance(exif, bytes):
                from PIL import Image

                block, exif = exif, Image.Exif()
                exif.load(block)
            main = dict(exif)
            detail = dict(exif.get_ifd(_EXIF_IFD))
            place = dict(exif.get_ifd(_GPS_IFD))
    except Exception:  # a damaged block fails in Pillow's parser in many ways
        return Notes()
    orientation = main.get(_ORIENTATION)
    return Notes(
        orientation=orientation if isinstance(orientation, int) and 1 <= orientation <= 8 else 1,
        taken_at=_time(main, detail),
        gps=_position(place),
        focal_eq_mm=_focal_eq_mm(detail, width, height),
        resized=_resized(detail, width, height),
        size_ratio=_size_ratio(detail, width, height),
        sea_height_m=_sea_height_m(place),
        heading_deg=_heading_deg(place),
    )


def likely_day(day: date) -> bool:
    """Whether a day can be one on which a digital photo was taken.

    A camera that lost its clock starts again in 1970 or 1980, and eight digits in a name need be no
    day at all: days before 1990 are none, nor those past the year after next by this machine's own
    date. The years ahead leave room for a machine whose clock is behind, and for a season that is
    laid out for practice.
    """
    return _FIRST_YEAR <= day.year <= date.today().year + _YEARS_AHEAD


def _time(main: dict[int, Any], detail: dict[int, Any]) -> datetime | None:
    for text in (detail.get(_ORIGINAL), detail.get(_DIGITIZED), main.get(_DATE_TIME)):
        try:
            moment = datetime.strptime(_clean(text)[:19], "%Y:%m:%d %H:%M:%S")
        except ValueError:
            continue
        if not likely_day(moment.date()):
            continue
        offset = _clean(detail.get(_OFFSET_ORIGINAL)) if text is detail.get(_ORIGINAL) else ""
        try:
            zone = datetime.strptime(offset, "%z").tzinfo if offset else None
        except ValueError:
            zone = None
        return moment.replace(tzinfo=_plain_zone(zone))
    return None


def _plain_zone(zone: Any) -> timezone | None:
    offset = zone.utcoffset(None) if zone is not None else None
    return timezone(offset) if isinstance(offset, timedelta) else None


def _clean(value: Any) -> str:
    if isinstance(value, bytes):
        value = value.decode("ascii", "replace")
    return value.strip(" \x00") if isinstance(value, str) else ""


def _position(place: dict[int, Any]) -> tuple[float, float] | None:
    latitude = _degrees(place.get(2), _clean(place.get(1)), "N", "S", 90.0)
    longitude = _degrees(place.get(4), _clean(place.get(3)), "E", "W", 180.0)
    if latitude is None or longitude is None:
        return None
    # Phones without a fix write 0, 0, which is open sea.
    return None if latitude == 0.0 and longitude == 0.0 else (latitude, longitude)


def _sea_height_m(place: dict[int, Any]) -> float | None:
    height = _number(place.get(6))
    below = place.get(5) in (1, b"\x01")
    return None if height is None else -height if below else height


def _heading_deg(place: dict[int, Any]) -> float | None:
    """GPSImgDirection, where it counts from true north: a compass's north is degrees away."""
    heading = _number(place.get(0x11))
    true = _clean(place.get(0x10)) in ("T", "")
    return heading % 360.0 if heading is not None and true else None


def _degrees(value: Any, hemisphere: str, plus: str, minus: str, limit: float) -> float | None:
    if hemisphere not in (plus, minus) or not isinstance(value, tuple | list) or not value:
        return None
    parts = [_number(part) for part in (*value, 0, 0)[:3]]
    if any(part is None or part < 0 for part in parts):
        return None
    degrees = sum((part or 0.0) / 60.0**i for i, part in enumerate(parts))
    if degrees > limit:
        return None
    return degrees if hemisphere == plus else -degrees


def _focal_eq_mm(detail: dict[int, Any], width: int, height: int) -> float | None:
    """35 mm-equivalent focal: as noted, else from the focal length and the sensor's pitch."""
    zoom = _number(detail.get(_DIGITAL_ZOOM))  # 0 means unused
    if zoom is not None and zoom > _MOST_ZOOM:
        # Some cameras note the lens's focal length all the same, some the narrower view's.
        return None
    noted_size = (_number(detail.get(_PIXEL_WIDTH)), _number(detail.get(_PIXEL_HEIGHT)))
    if noted_size[0] and noted_size[1]:
        noted, actual = sorted(noted_size), sorted((width, height))  # type: ignore[type-var]
        if abs(noted[0] / noted[1] * actual[1] / actual[0] - 1) > 0.02:  # type: ignore[operator]
            return None  # cropped since: the view is narrower than the lens's
    equivalent = _number(detail.get(_FOCAL_IN_35MM))
    if equivalent and 5 <= equivalent <= 1000:  # 0 means unknown
        return equivalent
    focal = _number(detail.get(_FOCAL_MM))
    per_unit_x = _number(detail.get(_PLANE_X_RESOLUTION))
    per_unit_y = _number(detail.get(_PLANE_Y_RESOLUTION)) or per_unit_x
    unit_mm = _MM_PER_PLANE_UNIT.get(detail.get(_PLANE_UNIT, 2))
    if not (focal and per_unit_x and per_unit_y and unit_mm and noted_size[0] and noted_size[1]):
        return None
    diagonal_mm = unit_mm * math.hypot(noted_size[0] / per_unit_x, noted_size[1] / per_unit_y)
    equivalent = focal * FULL_FRAME_DIAGONAL_MM / diagonal_mm
    return equivalent if 5 <= equivalent <= 1000 else None


def _resized(detail: dict[int, Any], width: int, height: int) -> bool:
    """Whether another size is noted: the tags stay as they were where a program only copies them.

    They may be exchanged for a photo that was turned, and some cameras count a block's padding.
    """
    noted = (_number(detail.get(_PIXEL_WIDTH)), _number(detail.get(_PIXEL_HEIGHT)))
    if not (noted[0] and noted[1]):
        return False
    sides = zip(sorted(noted), sorted((width, height)), strict=True)  # type: ignore[type-var]
    return any(abs(one / actual - 1) > 0.02 for one, actual in sides)  # type: ignore[operator]


def _size_ratio(detail: dict[int, Any], width: int, height: int) -> float:
    noted = max(_number(detail.get(tag)) or 0.0 for tag in (_PIXEL_WIDTH, _PIXEL_HEIGHT))
    return noted / max(width, height) if noted > 0.0 and max(width, height) > 0 else 1.0


def _number(value: Any) -> float | None:
    try:
        number = float(value)
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if math.isfinite(number) else None
