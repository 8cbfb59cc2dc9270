"""Stop code: the field and stop that a card's QR code carries, so that photos file themselves.

The payload is ASCII text::

    CV1;field=North%20forty;stop=3

`CV1` names the format; each value is percent-encoded UTF-8 (RFC 3986), so that ``;`` and ``=``
never stand in one. Either value may be left out; keys that aren't known are passed over. The QR
symbol itself is ISO/IEC 18004, error correction level M.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import quote, unquote

import cv2
import numpy as np

if TYPE_CHECKING:
    from collarvision.card import Scale
    from collarvision.photo import Photo

FORMAT = "CV1"
MAX_PAYLOAD = 84
"""Bytes that a version 5 symbol holds at level M (ISO/IEC 18004): its modules stay 1 mm wide."""

QR_CORNER_MM = (24.0, 110.0)
QR_SIDE_MM = 42.0
"""Where the symbol is printed on the card, its white margin left out."""

_MARGIN_MM = 5.0


class StopCodeError(ValueError):
    """A field or stop that can't be put on a card; `str(error)` says what to do."""


@dataclass(frozen=True)
class StopCode:
    """What a card's QR code says."""

    field: str | None
    stop: str | None


def stop_payload(field: str | None, stop: str | int | None) -> str:
    """Write the payload.

    Raises
    ------
    StopCodeError
        When both are empty, or the text is too long to be read from a photo.
    """
    values = {"field": field, "stop": stop}
    said = {key: str(value).strip() for key, value in values.items() if value is not None}
    pieces = [f"{key}={quote(text, safe='')}" for key, text in said.items() if text]
    if not pieces:
        raise StopCodeError("There is no field and no stop to put on the card: give one of them.")
    payload = ";".join([FORMAT, *pieces])
    if len(payload) > MAX_PAYLOAD:
        raise StopCodeError(
            f"Field and stop need {len(payload)} characters in the card's code, which holds "
            f"{MAX_PAYLOAD}: shorten the names (accents and spaces count three to six times)."
        )
    return payload


def parse_stop_payload(payload: str) -> StopCode | None:
    """Read a payload; None when it is some other text."""
    name, *pieces = payload.split(";")
    if name != FORMAT:
        return None
    said = {}
    for piece in pieces:
        key, sign, value = piece.partition("=")
        if sign:
            said[key] = unquote(value, errors="replace")
    return StopCode(said.get("field") or None, said.get("stop") or None)


def read_stop_code(photo: Photo, scale: Scale | None = None) -> StopCode | None:
    """Look for a stop code in a photo.

    Parameters
    ----------
    photo : Photo
    scale : Scale, optional
        Where the card is. With it the code's place is known and is looked at upright and enlarged,
        which reads codes that are small or tilted, and is quick.

    Returns
    -------
    StopCode or None
        None when there is no code, it can't be read, or it isn't a card's.
    """
    if scale is not None:
        code = _decoded(_rectified(photo.rgb, scale.corners_px))
        if code is not None:
            return code
    grey = cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY)
    longest = max(grey.shape)
    for side in (1600, 3200):
        if side > 1600 and longest <= 1600:
            break
        factor = min(1.0, side / longest)
        small = cv2.resize(grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        code = _decoded(small)
        if code is not None:
            return code
    return None


def _rectified(rgb: np.ndarray, corners_px: np.ndarray) -> np.ndarray:
    """Grey picture of the code's place, 10 px per mm, from the card's corners in the photo."""
    from collarvision.cardfit import CARD_MM

    per_mm = 10.0
    left, top = QR_CORNER_MM[0] - _MARGIN_MM, QR_CORNER_MM[1] - _MARGIN_MM
    size = round((QR_SIDE_MM + 2 * _MARGIN_MM) * per_mm)
    width, height = CARD_MM
    card = np.array([[0, 0], [width, 0], [width, height], [0, height]])
    # warpPerspective counts px from their centres; the corners count from the photo's edge.
    homography = cv2.getPerspectiveTransform(
        (corners_px - 0.5).astype(np.float32),
        ((card - (left, top)) * per_mm - 0.5).astype(np.float32),
    )
    view = cv2.warpPerspective(rgb, homography, (size, size), flags=cv2.INTER_CUBIC)
    return np.asarray(cv2.cvtColor(view, cv2.COLOR_RGB2GRAY))


def _decoded(grey: np.ndarray) -> StopCode | None:
    try:
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(grey)
    except (cv2.error, UnicodeDecodeError):
        # Patterns that only resemble a code make OpenCV's decoder fail in its geometry.
        return None
    return parse_stop_payload(text) if text else None
