"""Field look: fields from above are told by their picture, and no side view is lost to it."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from drawn_field import SOIL, draw, plant
from hypothesis import given, settings
from hypothesis import strategies as st
from stand_in import BOARD, DrawnPlant

from collarvision.fieldlook import green_mask, shows_field
from collarvision.photo import load_photo

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared" / "photos"


def textured(rgb: np.ndarray, seed: int = 0) -> np.ndarray:
    """Clods and stones: contrast in every octave, as soil has it."""
    rng = np.random.default_rng(seed)
    out = rgb.astype(np.float32)
    for size in (3, 6, 12, 24):
        height, width = rgb.shape[0] // size + 1, rgb.shape[1] // size + 1
        grain = cv2.resize(rng.normal(0, 14, (height, width)).astype(np.float32), rgb.shape[1::-1])
        out += grain[..., None]
    return np.clip(out, 0, 255).astype(np.uint8)


def field(seed: int = 0) -> np.ndarray:
    planted = plant(6.0, 4.5, seed=seed, leaf_m=0.09, row_spacing_m=0.6, angle_deg=20 * seed)
    return textured(draw(planted, 1200, 900, 5.0, seed=seed), seed)


@pytest.mark.parametrize("seed", range(4))
def test_a_drawn_field_is_seen_as_one(seed: int) -> None:
    assert shows_field(field(seed))


def test_no_photo_from_the_side_is_taken_for_a_field() -> None:
    photos = sorted((ROOT / "sample_images").glob("*.jpg"))
    photos += sorted((ROOT / "demo_photos").glob("*.jpg"))
    assert len(photos) > 70
    for path in photos:
        rgb = cv2.imread(str(path), cv2.IMREAD_REDUCED_COLOR_2)[..., ::-1]
        assert not shows_field(rgb), path.name


@pytest.mark.skipif(not SHARED.is_dir(), reason="the measuring photos are not on this machine")
def test_real_fields_come_out_as_from_above_and_real_plants_do_not() -> None:
    views = {path.stem: load_photo(path).view for path in SHARED.glob("*g") if path.is_file()}
    assert {name for name, view in views.items() if view == "above"} == {
        "field_a",
        "field_b",
        "field_c",
    }


def test_in_doubt_it_is_a_side_view(drawn_plant: DrawnPlant) -> None:
    above = field()
    horizon = above.copy()
    horizon[:300] = (190, 205, 225)  # a sky
    board = above.copy()
    board[250:650, 300:900] = BOARD
    shaded = above.copy()
    shaded[:450] //= 4
    bare = textured(np.full((900, 1200, 3), SOIL, np.uint8))
    alone = bare.copy()
    cv2.ellipse(alone, (600, 450), (420, 60), 30, 0, 360, (40, 170, 40), -1)
    cv2.ellipse(alone, (600, 450), (420, 60), 120, 0, 360, (40, 170, 40), -1)
    for picture in (horizon, board, shaded, bare, alone, drawn_plant.rgb, above // 12):
        assert not shows_field(picture)


@settings(max_examples=25, deadline=None)
@given(st.integers(1, 90), st.integers(1, 90), st.integers(0, 255))
def test_any_picture_has_an_answer(height: int, width: int, level: int) -> None:
    assert not shows_field(np.full((height, width, 3), level, np.uint8))


def test_green_is_told_from_soil_and_sky() -> None:
    colours = np.array([[SOIL, (60, 140, 40), (200, 200, 200), (120, 160, 220)]], np.uint8)
    picture = np.repeat(np.repeat(colours, 20, 0), 20, 1)
    mask = green_mask(picture)
    assert [bool(mask[10, 20 * k + 10]) for k in range(4)] == [False, True, False, False]
    assert green_mask(np.zeros((0, 0, 3), np.uint8)).size == 0
