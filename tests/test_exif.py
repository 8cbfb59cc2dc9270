"""EXIF: which of a photo's notes count, where it has several.

Tags and their meaning: CIPA DC-008 (Exif 2.32), from memory.
"""

from __future__ import annotations

from datetime import datetime

import pytest
from test_photo import with_exif

from collarvision.photo import load_photo

CHANGED = {0x0132: "2024:07:01 09:00:00"}  # DateTime: when the file was changed last
DIGITIZED = {0x9004: "2024:06:30 09:00:00"}
ORIGINAL = {0x9003: "2024:06:03 14:05:09"}


@pytest.mark.parametrize(
    ("detail", "taken"),
    [
        (ORIGINAL | DIGITIZED, datetime(2024, 6, 3, 14, 5, 9)),
        (ORIGINAL, datetime(2024, 6, 3, 14, 5, 9)),
        (DIGITIZED, datetime(2024, 6, 30, 9)),
        ({}, datetime(2024, 7, 1, 9)),
    ],
)
def test_when_it_was_taken_stands_before_when_the_file_was_changed(
    detail: dict[int, str], taken: datetime
) -> None:
    """A photo that was turned or cropped later on keeps the day that its plant is dated by."""
    assert load_photo(with_exif(CHANGED, detail)).taken_at == taken


@pytest.mark.parametrize(("zoom", "focal_eq_mm"), [(0.0, 26.0), (1.0, 26.0), (2.0, None)])
def test_a_digital_zoom_leaves_no_focal_length(zoom: float, focal_eq_mm: float | None) -> None:
    # DigitalZoomRatio: 0 says that none was used.
    noted = {0xA405: 26, 0xA404: zoom}
    assert load_photo(with_exif(detail=noted)).focal_eq_mm == focal_eq_mm


@pytest.mark.parametrize(
    ("noted", "resized"),
    [
        ({}, False),
        ({0xA002: 160, 0xA003: 120}, False),
        ({0xA002: 120, 0xA003: 160}, False),  # turned since
        ({0xA002: 320, 0xA003: 240}, True),  # cropped to a quarter of its shape, or shrunk
        ({0xA002: 160, 0xA003: 200}, True),
        ({0xA002: 0, 0xA003: 0}, False),
    ],
)
def test_a_size_that_is_noted_otherwise_tells_of_a_crop(
    noted: dict[int, int], resized: bool
) -> None:
    # PixelXDimension and PixelYDimension; the photo has 160 x 120 px.
    assert load_photo(with_exif(detail={0xA405: 26} | noted)).resized is resized
