"""The photo room: a large JPEG decoded coarsely first, and whole when asked. Against Pillow."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from collarvision import photo as photo_room
from collarvision.jpeg import JpegLayout
from collarvision.photo import load_photo
from collarvision.photofile import PhotoError


def jpeg(image: Image.Image, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92, **options)
    return out.getvalue()


@pytest.fixture(scope="module")
def large() -> np.ndarray:
    """A picture without symmetry, large enough to be decoded at half its size first."""
    y, x = np.mgrid[:120, :160]
    small = np.stack([40 + x, 30 + 1.2 * y, 200 - x], axis=-1).astype(np.uint8)
    small[10:40, 10:30] = (250, 20, 20)
    return cv2.resize(small, (3200, 2400), interpolation=cv2.INTER_CUBIC)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_large_jpeg_is_decoded_coarsely_first_and_whole_when_asked(
    large: np.ndarray, orientation: int
) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = jpeg(Image.fromarray(large), exif=exif)
    photo = load_photo(data)
    coarse, step = photo.pixels()
    assert step == 2
    assert photo.size == (photo.rgb.shape[1], photo.rgb.shape[0])
    assert photo.pixels(2.9)[1] == 2
    assert photo.pixels(1.9)[1] == photo.pixels(0.3)[1] == 1
    assert photo.pixels(1)[0] is photo.rgb  # decoded once
    reference = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    assert np.abs(photo.rgb.astype(int) - np.asarray(reference)).max() <= 4
    # What the coarse picture says of a px is the mean of the four that it stands for.
    mean = np.asarray(reference.reduce(2)).astype(int)
    assert coarse.shape == mean.shape
    assert np.abs(coarse - mean).max() <= 12
    assert np.abs(coarse - mean).mean() < 1


@pytest.mark.parametrize(
    ("size", "step"),
    [((3199, 2400), 1), ((3202, 2401), 1), ((6400, 64), 4), ((6402, 64), 2), ((1600, 1600), 1)],
)
def test_only_a_large_picture_that_divides_evenly_is_decoded_coarsely(
    size: tuple[int, int], step: int
) -> None:
    photo = load_photo(jpeg(Image.new("RGB", size, (90, 120, 60))))
    assert photo.pixels()[1] == photo.step == step
    assert photo.size == size
    assert photo.rgb.shape == (size[1], size[0], 3)


def test_between_the_coarse_and_the_whole_picture_lies_the_half() -> None:
    photo = load_photo(jpeg(Image.new("RGB", (6400, 64))))
    half, step = photo.pixels(3.0)
    assert (half.shape, step) == ((32, 3200, 3), 2)


def test_a_large_jpeg_that_was_cut_and_closed_is_refused(large: np.ndarray) -> None:
    data = jpeg(Image.fromarray(large))
    with pytest.raises(PhotoError, match="cut short"):
        load_photo(data[: len(data) // 2] + b"\xff\xd9")


def test_other_formats_are_whole_at_once(large: np.ndarray) -> None:
    out = io.BytesIO()
    Image.fromarray(large).save(out, "PNG", compress_level=1)
    photo = load_photo(out.getvalue())
    assert photo.pixels()[1] == 1
    assert np.array_equal(photo.rgb, large)


def test_pixels_that_were_begun_are_decoded_once_and_are_the_same(large: np.ndarray) -> None:
    data = jpeg(Image.fromarray(large))
    asked, begun = load_photo(data), load_photo(data)
    assert (begun.step, begun.pixels()[1]) == (2, 2)
    calls = []
    decode = begun.decode
    assert decode is not None

    def counted(step: int) -> np.ndarray:
        calls.append(step)
        return decode(step)

    begun = replace(begun, decode=counted)
    begun.begin(4.0)  # there already
    begun.begin(1.0)
    begun.begin(1.5)  # the same picture
    assert np.array_equal(begun.rgb, asked.rgb)
    assert begun.rgb is begun.rgb
    assert calls == [1]


def test_a_decoding_that_failed_for_want_of_memory_is_tried_again(large: np.ndarray) -> None:
    photo = load_photo(jpeg(Image.fromarray(large)))
    decode, tries = photo.decode, []
    assert decode is not None

    def poor(step: int) -> np.ndarray:
        tries.append(step)
        if len(tries) == 1:
            raise MemoryError
        return decode(step)

    photo = replace(photo, decode=poor)
    with pytest.raises(MemoryError):
        photo.pixels(1)
    assert photo.pixels(1)[0].shape == (2400, 3200, 3)


def test_pixels_decoded_ahead_are_the_same_and_decoded_once(
    large: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    data = jpeg(Image.fromarray(large))
    steps: list[int] = []
    good = photo_room._decoded

    def decoded(data: bytes, layout: JpegLayout, step: int) -> np.ndarray:
        steps.append(step)
        return good(data, layout, step)

    monkeypatch.setattr(photo_room, "_decoded", decoded)
    photo = load_photo(data, ahead=True)
    assert np.array_equal(photo.rgb, load_photo(data).rgb)
    assert photo.pixels()[1] == 2
    assert sorted(steps) == [1, 1, 2, 2]  # by each of the two photos once


def test_a_decoding_ahead_that_failed_is_tried_again(
    large: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    good, failed = photo_room._decoded, []

    def decoded(data: bytes, layout: JpegLayout, step: int) -> np.ndarray:
        if step == 1 and not failed:
            failed.append(step)
            raise MemoryError
        return good(data, layout, step)

    monkeypatch.setattr(photo_room, "_decoded", decoded)
    photo = load_photo(jpeg(Image.fromarray(large)), ahead=True)
    assert photo.rgb.shape == large.shape
    assert failed == [1]
