"""Viewpoint: whether a photo was taken from the air, by its own notes and by what it shows.

Cameras that fly note their height over the ground and the tilt of their mount in XMP (ISO 16684-1),
under names that they share; the names are from memory. EXIF has only the height over the sea. A
photo without such notes is a side view unless its picture says otherwise, plainly: ground and
plants from edge to edge, no board, no sky (`collarvision.fieldlook`). A plant laid on a board is
photographed from above as well, by hand and rightly so; it stays a side view. In doubt it is a side
view, and what the network makes of it decides.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

View = Literal["side", "above"]

FLOWN_M = 3.0
"""No person holds a camera this high over a plant."""

LOOKING_DOWN_DEG = -45.0
"""Tilt of a stabilised mount from which the ground fills the picture; -90 is straight down."""


@dataclass(frozen=True)
class FlightNotes:
    """What a camera that flies noted; None where it said nothing.

    Attributes
    ----------
    height_m : float or None
        Over the place of take-off.
    ground_height_m : float or None
        Over the ground below, by a rangefinder or a terrain model.
    sea_height_m : float or None
        Over the sea or the ellipsoid; of no use for a scale.
    pitch_deg : float or None
        Of the camera's axis; -90 is straight down, 0 level.
    roll_deg : float or None
    heading_deg : float or None
        Clockwise from north to the picture's upper edge, as the mount stood.
    """

    height_m: float | None = None
    ground_height_m: float | None = None
    sea_height_m: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    heading_deg: float | None = None


_OPEN, _CLOSE = b"<x:xmpmeta", b"</x:xmpmeta>"
_NAMES = {
    "RelativeAltitude": "height_m",
    "AboveGroundAltitude": "ground_height_m",
    "AbsoluteAltitude": "sea_height_m",
    "GimbalPitchDegree": "pitch_deg",
    "GimbalRollDegree": "roll_deg",
    "GimbalYawDegree": "heading_deg",
}
_NOTE = re.compile(
    rb"[\w.-]+:(" + "|".join(_NAMES).encode() + rb')(?:="|>)\s*([+-]?\d{1,6}(?:\.\d{1,12})?)'
)


def flight_notes(data: bytes) -> FlightNotes:
    """Read what an XMP packet says of a flight, wherever in the file the packet stands.

    Parameters
    ----------
    data : bytes
        The whole file.
    """
    start = data.find(_OPEN)
    if start < 0:
        return FlightNotes()
    end = data.find(_CLOSE, start)
    packet = data[start : end if end >= 0 else start + (1 << 16)]
    return FlightNotes(
        **{_NAMES[name.decode()]: float(value) for name, value in _NOTE.findall(packet)}
    )


def noted_view(notes: FlightNotes) -> View:
    """Tell a photo taken from the air by its notes."""
    heights = (notes.height_m or 0.0, notes.ground_height_m or 0.0)
    down = notes.pitch_deg is not None and notes.pitch_deg <= LOOKING_DOWN_DEG
    return "above" if down or max(heights) >= FLOWN_M else "side"
