"""Viewpoint: whether a photo was taken from the air, as far as its own notes tell.

Cameras that fly note their height over the ground and the tilt of their mount in XMP (ISO 16684-1),
under names that they share; the names are from memory. Nothing else can be told honestly: EXIF has
only the height over the sea, and a plant laid on a board is photographed from above as well, by
hand and rightly so. A photo without such notes counts as a side view, and what the network makes of
it decides.
"""

from __future__ import annotations

import re
from typing import Literal

View = Literal["side", "above"]

FLOWN_M = 3.0
"""No person holds a camera this high over a plant."""

LOOKING_DOWN_DEG = -45.0
"""Tilt of a stabilised mount from which the ground fills the picture; -90 is straight down."""

_OPEN, _CLOSE = b"<x:xmpmeta", b"</x:xmpmeta>"
_HEIGHTS = ("RelativeAltitude", "AboveGroundAltitude")
_TILT = "GimbalPitchDegree"
_NOTE = re.compile(
    rb"[\w.-]+:(" + "|".join((*_HEIGHTS, _TILT)).encode() + rb')(?:="|>)\s*([+-]?\d+(?:\.\d+)?)'
)


def view_of(data: bytes) -> View:
    """Tell a photo taken from the air by its XMP packet, wherever in the file that stands.

    Parameters
    ----------
    data : bytes
        The whole file.
    """
    start = data.find(_OPEN)
    if start < 0:
        return "side"
    end = data.find(_CLOSE, start)
    packet = data[start : end if end >= 0 else start + (1 << 16)]
    notes = {name.decode(): float(value) for name, value in _NOTE.findall(packet)}
    flown = any(notes.get(name, 0.0) >= FLOWN_M for name in _HEIGHTS)
    return "above" if flown or notes.get(_TILT, 0.0) <= LOOKING_DOWN_DEG else "side"
