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

    `end` is None when the file stops before the image does. `scans` is how many scans begin;
    `all_sent` whether several of them send every bit of every coefficient of every component.
    """

    width: int
    height: int
    components: int
    sequential: bool
    scans: int
    all_sent: bool
    exif: bytes
    profile: bytes
    end: int | None


# In entropy-coded data 0xFF is followed by 0x00 (stuffing) or RST0-7; 0xFF 0xFF is fill.
_RESTARTS = [bytes((0xFF, 0xD0 + count)) for count in range(8)]
_MARKER = re.compile(rb"\xff[^\x00\xff\xd0-\xd7]")


def jpeg_layout(data: bytes) -> JpegLayout:
    """Walk the markers, jumping over thumbnails and metadata, to the first image's EOI.

    Phones append more after EOI (a second image, a motion clip, padding): that is left alone.
    """
    width = height = components = 0
    sequential, exif, profile = True, b"", b""
    frame, scans = b"", []
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
            frame = body
        elif marker == 0xDA:
            scans.append(body)
        elif marker == 0xE1 and body.startswith(b"Exif\x00") and not exif:
            exif = body
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00"):
            profile += body[14:]
    # Of one sequential scan there is nothing to add up, and encoders err in its numbers.
    all_sent = (sequential and len(scans) == 1) or _all_sent(frame, scans)
    return JpegLayout(
        width, height, components, sequential, len(scans), all_sent, exif, profile, end
    )


def _all_sent(frame: bytes, scans: list[bytes]) -> bool:
    """Say whether the scans of a JPEG send all bits of all coefficients (annex G).

    Each scan sends some coefficients of some components, down to one bit. A file that was cut
    between two scans looks coarse, and whole to a decoder.
    """
    lacking = {frame[at]: np.full(64, 14) for at in range(6, len(frame) - 2, 3)}  # 13 is the most
    for scan in scans:
        count = scan[0] if scan else 0
        if len(scan) < 4 + 2 * count:
            return False
        first, last, bits = scan[1 + 2 * count : 4 + 2 * count]
        for component in scan[1 : 1 + 2 * count : 2]:
            if component in lacking:
                sent = lacking[component][first : last + 1]
                np.minimum(sent, bits & 0x0F, out=sent)
    return not any(bits.any() for bits in lacking.values())


def every_row_coded(data: bytes, end: int, *, halved: bool = False) -> bool:
    """Say whether the coded data up to `end` reach the last pixel row of a JPEG's last scan.

    Bytes put after complete data are never decoded; put after incomplete data they change the
    picture. So decode twice with different bytes and compare. Restart markers among them lead a
    decoder, which else waits for one, on to the next bytes. `halved` pictures take a half to
    two thirds of the time, and show such bytes nearly as well.
    """
    from PIL import Image

    coded = data[:end].rstrip(b"\xff")  # half a marker would swallow the first byte put after it
    pictures = []
    for some in (b"\x35" * 512, b"\xca\x53" * 256):
        extra = b"".join(some + restart for restart in (b"", *_RESTARTS))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the caller has already bounded the pixels
            try:
                with Image.open(io.BytesIO(coded + extra + b"\xff\xd9"), formats=["JPEG"]) as image:
                    if halved:
                        image.draft(image.mode, (image.width // 2, image.height // 2))
                    pictures.append(np.asarray(image))
            except Exception:  # any failure of the decoder means that the data are not whole
                return False
    return bool(np.array_equal(pictures[0], pictures[1]))
