"""Viewpoint: photos from the air are told by their XMP, and nothing else is taken for one."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import records, run
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from stand_in import BOARD, DrawnPlant

from collarvision.photo import load_photo
from collarvision.survey import SurveyReader
from collarvision.viewpoint import View, flight_notes, noted_view

# The packet's frame is that of XMP part 1 (ISO 16684-1), 7; the notes' names are from memory.
PACKET = (
    '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
    '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
    'xmlns:cam="http://example.org/cam/" {attributes}>{elements}</rdf:Description></rdf:RDF>'
    '</x:xmpmeta><?xpacket end="w"?>'
)


def view_of(data: bytes) -> View:
    return noted_view(flight_notes(data))


def packet(attributes: str = "", elements: str = "") -> bytes:
    return PACKET.format(attributes=attributes, elements=elements).encode()


def jpeg(rgb: np.ndarray, xmp: bytes, **more: Any) -> bytes:
    spool = io.BytesIO()
    Image.fromarray(rgb).save(spool, "JPEG", quality=95, xmp=xmp, **more)
    return spool.getvalue()


@pytest.mark.parametrize(
    ("xmp", "view"),
    [
        (packet('cam:RelativeAltitude="+35.20"'), "above"),
        (packet(elements="<cam:RelativeAltitude>12</cam:RelativeAltitude>"), "above"),
        (packet('cam:AboveGroundAltitude="8.5"'), "above"),
        (packet('cam:GimbalPitchDegree="-89.90"'), "above"),
        (packet('cam:GimbalPitchDegree="-60" cam:RelativeAltitude="+1.1"'), "above"),
        # Held in the hand, on a stabilised mount, before the plant.
        (packet('cam:GimbalPitchDegree="-4.10" cam:RelativeAltitude="+0.90"'), "side"),
        (packet('cam:AbsoluteAltitude="+311.0"'), "side"),  # over the sea: a field on a plateau
        (packet(), "side"),
        (b"", "side"),
        (b'cam:RelativeAltitude="+35.20"', "side"),  # outside of any packet
    ],
)
def test_what_the_notes_say(xmp: bytes, view: str) -> None:
    assert view_of(b"\xff\xd8" + xmp + b"\xff\xd9") == view


@given(st.binary(max_size=400))
def test_any_bytes_have_a_view(data: bytes) -> None:
    assert view_of(data) == "side"
    assert view_of(b"<x:xmpmeta" + data) in ("side", "above")


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP"])
def test_the_packet_is_found_in_every_form_that_holds_it_plainly(form: str) -> None:
    """As Pillow writes it into each; ISO 16684-3 has packets lie in files as plain text."""
    xmp = packet('cam:GimbalPitchDegree="-90.00" cam:RelativeAltitude="+30.00"')
    rgb = np.full((120, 160, 3), BOARD, np.uint8)
    spool, more = io.BytesIO(), {"xmp": xmp}
    if form == "PNG":
        from PIL.PngImagePlugin import PngInfo

        info = PngInfo()
        info.add_itxt("XML:com.adobe.xmp", xmp.decode())
        more = {"pnginfo": info}
    elif form == "TIFF":
        more = {"tiffinfo": {700: xmp}}
    Image.fromarray(rgb).save(spool, form, **more)
    assert view_of(spool.getvalue()) == "above"


def test_a_plant_from_above_is_kept_with_its_place_and_never_staged(
    stand_in: Path, drawn_plant: DrawnPlant, tmp_path: Path
) -> None:
    """The very picture that is staged from the side: only the file's notes differ."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = "2027:05:20 09:00:00"
    exif.get_ifd(0x8825).update({1: "N", 2: (41.0, 30.0, 0.0), 3: "W", 4: (93.0, 15.0, 0.0)})
    exif[0x010E] = "a plant"
    folder = tmp_path / "North"
    folder.mkdir()
    up = packet('cam:RelativeAltitude="+35.20"')
    (folder / "side.jpg").write_bytes(jpeg(drawn_plant.rgb, packet(), exif=exif))
    (folder / "above.jpg").write_bytes(jpeg(drawn_plant.rgb, up, exif=exif))
    above, side = records(folder)
    assert (side.view, side.stage) == ("side", 3)
    assert (above.view, above.outcome, above.stage) == ("above", "hand-count", None)
    assert "from the side" in above.reasons[-1]
    assert (above.height_mm, above.stage_probabilities) == (None, {})
    assert load_photo(folder / "above.jpg").view == "above"
    survey = tmp_path / "s.survey"
    result = run("batch", folder, "--survey", survey, "--workers", 1)
    assert result.exit_code == 0
    assert "1 photo from above" in result.stdout
    assert "Retake" not in result.stdout
    with SurveyReader(survey) as store:
        rows = {row.photo: row for row in store.plants()}
        assert not [w for w in store.waiting() if w.photo == "above.jpg"]
    assert (rows["above.jpg"].view, rows["above.jpg"].stage) == ("above", None)
    assert rows["above.jpg"].gps == pytest.approx((41.5, -93.25))
    assert (rows["above.jpg"].field, rows["above.jpg"].date) == ("North", "2027-05-20")
    assert rows["side.jpg"].view == "side"
