"""Ground scale of tilted photos: by height along the line of sight, by a card wherever it lies.

The camera is OpenCV's own projection, as in `tests/test_above_scale.py`.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from drawn_cards import CARD, PER_MM, card_face
from drawn_field import SOIL, jpeg, with_exif
from test_above_scale import TALL, WIDE, flown, pinhole

from collarvision.above.ground import focal_px
from collarvision.above.groundcard import find_ground_card
from collarvision.above.scale import Stated, find_scale
from collarvision.above.tilt import NoScale
from collarvision.photo import Photo, load_photo

SOIL_ALONE = np.full((TALL, WIDE, 3), SOIL, np.uint8)


@pytest.mark.parametrize("pitch", [-90, -75, -60, -45])
@pytest.mark.parametrize("source", ["AboveGroundAltitude", "RelativeAltitude", "stated"])
def test_a_tilted_camera_is_further_from_the_middle_of_its_photo(pitch: int, source: str) -> None:
    """By the cosine of the tilt: the line of sight is the long side of a right-angled triangle.

    10 m up and 30° from straight down, the middle is 10 / cos 30° = 11.55 m away.
    """
    notes = {} if source == "stated" else {source: 10}
    photo = flown(SOIL_ALONE, GimbalPitchDegree=pitch, **notes)
    focal = focal_px(photo)
    assert focal is not None
    scale = find_scale(photo, Stated(height_m=10 if source == "stated" else None)).scale
    away_mm = 10_000 / math.cos(math.radians(90 + pitch))
    assert scale.mm_per_px == pytest.approx(away_mm / focal, rel=1e-3)
    assert scale.tilt_deg == 90 + pitch


def with_card_at(
    right_mm: float, ahead_mm: float, tilt_deg: float, mm_per_px: float, *, said: bool = True
) -> Photo:
    """A photo of a card that lies on the ground so many mm from the photo's middle."""
    bare = flown(SOIL_ALONE, GimbalPitchDegree=tilt_deg - 90)
    # The card's y runs toward the camera, and the ground's ahead.
    middle = CARD.mean(0)
    ground = (CARD - middle) * [1, -1] + [right_mm, ahead_mm]
    px = pinhole(bare, mm_per_px, tilt_deg, ground).astype(np.float32)
    face = np.clip(255 * card_face() ** (1 / 2.2), 0, 255).astype(np.uint8)
    fine = 4  # drawn larger and shrunk, as a lens and a sensor do
    corners = (CARD * PER_MM).astype(np.float32)
    matrix = cv2.getPerspectiveTransform(corners, px * fine)
    canvas = (WIDE * fine, TALL * fine)
    shape = cv2.warpPerspective(np.full(face.shape, 255, np.uint8), matrix, canvas)
    seen = cv2.warpPerspective(face, matrix, canvas)
    small = (cv2.resize(one, (WIDE, TALL), interpolation=cv2.INTER_AREA) for one in (seen, shape))
    light, cover = (one[..., None].astype(float) for one in small)
    soil = np.random.default_rng(0).normal(SOIL, 6, SOIL_ALONE.shape)
    rgb = np.clip(light + (1 - cover / 255) * soil, 0, 255).astype(np.uint8)
    return flown(rgb, **({"GimbalPitchDegree": tilt_deg - 90} if said else {}))


@pytest.mark.parametrize(
    ("tilt_deg", "right_mm", "ahead_mm"),
    [(30, 0, 0), (30, 100, 350), (30, -250, -300), (0, 250, 200)],
)
def test_a_card_tells_the_scale_of_the_middle_wherever_it_lies(
    tilt_deg: float, right_mm: float, ahead_mm: float
) -> None:
    """Ahead of the middle a px covers more ground than in it, behind it less."""
    scale = find_scale(with_card_at(right_mm, ahead_mm, tilt_deg, 1.0), Stated()).scale
    assert scale.source == "card"
    assert scale.mm_per_px == pytest.approx(1.0, rel=0.012)


@pytest.mark.parametrize("tilt_deg", [0, 8, 30, 40])
def test_a_card_seen_aslant_tells_a_tilt_that_the_file_does_not(tilt_deg: float) -> None:
    photo = with_card_at(0, 0, tilt_deg, 1.0, said=False)
    card = find_ground_card(photo)
    assert card is not None
    assert card.tilt_deg == pytest.approx(tilt_deg, abs=4)
    scale = find_scale(photo, Stated()).scale
    aslant = any("aslant: if the camera was tilted" in note for note in scale.notes)
    assert aslant == (tilt_deg > 15)
    assert (scale.relative_error > 0.05) == (tilt_deg > 15)


def turned(data: bytes, orientation: int) -> bytes:
    """The same file, its pixels said to be turned."""
    return with_exif(data, {0x0112: orientation})


def test_a_tilted_photo_that_was_turned_since_is_refused() -> None:
    """Its upper edge isn't the one that the camera looked ahead to."""
    notes = {"RelativeAltitude": 10.0, "GimbalPitchDegree": -60.0}
    own = jpeg(SOIL_ALONE, **notes)
    assert find_scale(load_photo(turned(own, 1)), Stated()).scale.tilt_deg == 30
    for orientation in (3, 6, 8):
        photo = load_photo(turned(own, orientation))
        with pytest.raises(NoScale, match="was turned since it was taken") as caught:
            find_scale(photo, Stated())
        assert caught.value.code == "tilted"
    level = turned(jpeg(SOIL_ALONE, **notes | {"GimbalPitchDegree": -90.0}), 6)
    assert find_scale(load_photo(level), Stated()).scale.tilt_deg == 0


@pytest.mark.parametrize("roll", [180.0, -178.0])
def test_a_tilted_camera_that_hung_upside_down_is_refused(roll: float) -> None:
    notes = {"RelativeAltitude": 10.0, "GimbalRollDegree": roll}
    with pytest.raises(NoScale, match="hung upside down"):
        find_scale(flown(SOIL_ALONE, GimbalPitchDegree=-60.0, **notes), Stated())
    assert find_scale(flown(SOIL_ALONE, GimbalPitchDegree=-90.0, **notes), Stated())
