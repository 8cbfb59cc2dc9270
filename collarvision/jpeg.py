"""JPEG: the markers of a file, and whether its picture is all there.

Decoders paint the missing part of a cut-off JPEG grey and say nothing, so the file itself has to
be asked. Markers are those of ITU-T T.81, annex B.
"""

from __future__ import annotations

import io
import re
import warnings
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class JpegLayout:
    """What the markers of a JPEG say (ITU-T T.81, annex B); `end` is where its EOI marker stands.

    `end` is None when the file stops before the image does.
    """

    width: int
    height: int
    components: int
    sequential: bool
    exif: bytes
    profile: bytes
    end: int | None


# In entropy-coded data 0xFF is followed by 0x00 (stuffing) or RST0-7; 0xFF 0xFF is fill.
_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


def jpeg_layout(data: bytes) -> JpegLayout:
    """Walk the markers, jumping over thumbnails and metadata, to the first image's EOI.

    Phones append more after EOI (a second image, a motion clip, padding): that is left alone.
    """
    width = height = components = 0
    sequential, exif, profile = True, b"", b""
    at = 2
    while True:
        found = _MARKER.search(data, at)
        if found is None:
            end = None
            break
        marker, at = data[found.start() + 1], found.end()
        if marker == 0xD9:
            end = found.start()
            break
        if marker in (0x01, 0xD8):
            continue
        length = int.from_bytes(data[at : at + 2], "big")
        body = data[at + 2 : at + length]
        at += length
        if length < 2 or at > len(data):
            end = None
            break
        if 0xC0 <= marker <= 0xCF and marker not in (0xC4, 0xC8, 0xCC):
            height = int.from_bytes(body[1:3], "big")
            width = int.from_bytes(body[3:5], "big")
            components, sequential = body[5] if len(body) > 5 else 0, marker in (0xC0, 0xC1)
        elif marker == 0xE1 and body.startswith(b"Exif\x00") and not exif:
            exif = body
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00"):
            profile += body[14:]
    return JpegLayout(width, height, components, sequential, exif, profile, end)


def every_row_coded(data: bytes, end: int) -> bool:
    """Say whether the coded data up to `end` reach the last pixel row of a sequential JPEG.

    Bytes put after complete data are never decoded; put after incomplete data they change the
    picture. So decode twice with different bytes and compare.
    """
    from PIL import Image

    coded = data[:end].rstrip(b"\xff")  # half a marker would swallow the first byte put after it
    pictures = []
    for extra in (b"\x35" * 512, b"\xca\x53" * 256):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the caller has already bounded the pixels
            try:
                with Image.open(io.BytesIO(coded + extra + b"\xff\xd9"), formats=["JPEG"]) as image:
                    pictures.append(np.asarray(image))
            except Exception:  # any failure of the decoder means that the data are not whole
                return False
    return bool(np.array_equal(pictures[0], pictures[1]))
