"""Shrinking: the field look's picture serves the network only where it is the very same."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from collarvision.fieldlook import field_picture
from collarvision.looks import LOOK_PX
from collarvision.shrinking import field_picture_is, resized


@pytest.mark.parametrize(
    ("width", "height", "same"),
    [
        (2000, 1500, True),
        (1512, 2016, True),
        (2560, 1920, True),
        (1000, 750, True),
        (1280, 854, False),  # halved by one of the two only
        (1365, 1024, False),  # an odd row or column
        (160, 321, False),  # stays as wide as it is
        (200, 100, False),  # enlarged
    ],
)
def test_the_field_looks_picture_is_told_apart_from_others(
    width: int, height: int, same: bool
) -> None:
    rgb = np.random.default_rng(1).integers(0, 256, (height, width, 3), np.uint8)
    scale = LOOK_PX / max(width, height)
    size = (round(width * scale), round(height * scale))
    assert field_picture_is(rgb, size) is same
    if same:
        assert np.array_equal(field_picture(rgb), resized(rgb, size))


def test_a_field_looks_picture_stays_as_it_is() -> None:
    rgb = np.random.default_rng(2).integers(0, 256, (1500, 2000, 3), np.uint8)
    small = field_picture(rgb)
    assert small.shape == (240, 320, 3)
    assert np.array_equal(field_picture(small), small)


def test_a_picture_is_brought_to_a_size_by_means() -> None:
    rgb = np.random.default_rng(3).integers(0, 256, (960, 1280, 3), np.uint8)
    means = cv2.resize(rgb, (320, 240), interpolation=cv2.INTER_AREA)
    assert np.abs(resized(rgb, (320, 240)).astype(int) - means).max() <= 1
