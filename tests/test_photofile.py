"""Photo files: what a file is, told by its bytes, whatever its name says."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.photofile import MIN_SIDE_PX, PhotoError, check_size, kind_of

# First bytes by the formats' own standards: JPEG ITU-T T.81, PNG ISO/IEC 15948, TIFF 6.0, HEIF
# ISO/IEC 23008-12, PDF ISO 32000, ZIP APPNOTE 4.3.7.
HEADS = [
    (b"\xff\xd8\xff\xe0\x00\x10JFIF", "jpeg"),
    (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", "pillow"),
    (b"MM\x00*\x00\x00\x00\x08", "pillow"),
    (b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic", "heic"),
    (b"\x00\x00\x00\x18ftypavif\x00\x00\x00\x00mif1avif", "an AVIF picture"),
    (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00isommp42", "a video"),
    (b"%PDF-1.7", "a PDF"),
    (b"PK\x03\x04\x14\x00", "a ZIP archive or office document"),
    (b"\x00" * 2000, "a file of zeros (a failed copy)"),
]


@pytest.mark.parametrize(("head", "kind"), HEADS, ids=[kind for _, kind in HEADS])
def test_a_file_is_what_its_first_bytes_say(head: bytes, kind: str) -> None:
    assert kind_of(head) == kind


@settings(max_examples=30)
@given(st.text(st.characters(exclude_categories=["C"]), min_size=600, max_size=700))
def test_long_text_is_text_wherever_the_first_bytes_are_cut(text: str) -> None:
    assert kind_of(b"%" + text.encode()) == "text"


@pytest.mark.parametrize("length", [20, 500, 512, 513, 600])
def test_bytes_that_are_no_characters_are_not_called_text(length: int) -> None:
    assert kind_of(bytes(0x80 + k % 0x7F for k in range(length))) == "an unknown kind of file"


@given(st.integers(1, 20_000), st.integers(1, 20_000))
def test_too_large_and_too_small_pictures_are_refused(width: int, height: int) -> None:
    refused = width * height > 120e6 or min(width, height) < MIN_SIDE_PX
    if refused:
        with pytest.raises(PhotoError, match=r"megapixels|only \d+ x \d+ pixels"):
            check_size(width, height, 120.0)
    else:
        check_size(width, height, 120.0)
