"""Stamp: write where and when into a JPEG, without touching its picture."""

from __future__ import annotations

from datetime import datetime

# Exif 2.3 (CIPA DC-008): tags of the main, detail and GPS directories.
_EXIF_IFD, _GPS_IFD = 0x8769, 0x8825
_SOFTWARE, _ORIGINAL, _OFFSET_ORIGINAL = 0x0131, 0x9003, 0x9011
_SOI, _APP1 = b"\xff\xd8", b"\xff\xe1"
_EXIF_HEAD = b"Exif\x00\x00"


def stamped(jpeg: bytes, taken_at: datetime, gps: tuple[float, float]) -> bytes:
    """Give the JPEG with its EXIF block changed to this time and place.

    Parameters
    ----------
    jpeg : bytes
        What its EXIF says of other things stays.
    taken_at : datetime
        With its zone.
    gps : (latitude, longitude)
        Degrees WGS 84.
    """
    from PIL import Image

    from collarvision.jpeg import jpeg_layout

    if not jpeg.startswith(_SOI):
        raise ValueError("not a JPEG")
    exif = Image.Exif()
    was = jpeg_layout(jpeg).exif
    if was:
        exif.load(was)
    exif[_SOFTWARE] = "collarvision demo"
    zone = taken_at.strftime("%z")
    exif.get_ifd(_EXIF_IFD).update(
        {
            _ORIGINAL: taken_at.strftime("%Y:%m:%d %H:%M:%S"),
            _OFFSET_ORIGINAL: f"{zone[:3]}:{zone[3:]}",
        }
    )
    latitude, longitude = gps
    exif.get_ifd(_GPS_IFD).update(
        {
            0: b"\x02\x03\x00\x00",
            1: "N" if latitude >= 0 else "S",
            2: _degrees_minutes_seconds(latitude),
            3: "E" if longitude >= 0 else "W",
            4: _degrees_minutes_seconds(longitude),
        }
    )
    block = exif.tobytes()
    if not block.startswith(_EXIF_HEAD):
        block = _EXIF_HEAD + block
    segment = _APP1 + (len(block) + 2).to_bytes(2, "big") + block
    return _SOI + segment + _without_exif(jpeg)


def _without_exif(jpeg: bytes) -> bytes:
    """What follows the SOI marker, EXIF segments left out (ITU-T T.81, annex B)."""
    kept, at = b"", 2
    while jpeg[at : at + 1] == b"\xff" and jpeg[at + 1] != 0xDA:
        end = at + 2 + int.from_bytes(jpeg[at + 2 : at + 4], "big")
        if jpeg[at : at + 2] != _APP1 or jpeg[at + 4 : at + 10] != _EXIF_HEAD:
            kept += jpeg[at:end]
        at = end
    return kept + jpeg[at:]


def _degrees_minutes_seconds(value: float) -> tuple[float, float, float]:
    seconds = round(abs(value) * 3600, 3)
    return float(seconds // 3600), float(seconds % 3600 // 60), round(seconds % 60, 3)
