"""Way up: photos turned upside down or on their side are told apart from laid plants."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from test_quality import drawing, parts_of, seen_card

from collarvision.network import SOIL, ModelError, model_path
from collarvision.parts import Parts
from collarvision.quality import assess
from collarvision.reading import read_photo
from collarvision.wayup import quarter_turns

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
UP = np.array([0.0, -1.0])


def turned_by(quarters: int, way: np.ndarray) -> np.ndarray:
    """A direction in a photo turned clockwise; x right, y down."""
    for _ in range(quarters):
        way = np.array([-way[1], way[0]])
    return way


def card_up(quarters: int) -> np.ndarray:
    """A card's corners, (4, 2) px, in a photo turned clockwise."""
    corners = np.array([[-37, -52], [37, -52], [37, 52], [-37, 52]], float)
    return np.array([turned_by(quarters, corner) for corner in corners])


def seen(quarters: int, soil: bool) -> Parts:
    """Map cells in a photo turned clockwise, with soil under the plant or none at all."""
    classes = np.zeros((100, 100), np.uint8)
    if soil:
        classes[75:] = SOIL
    return replace(parts_of(drawing()[1]), classes=np.rot90(classes, -quarters))


def stalk(quarters: int) -> np.ndarray:
    return np.array([np.zeros(2), 300 * turned_by(quarters, UP)])


@pytest.mark.parametrize("quarters", range(4))
def test_card_stalk_and_soil_tell_the_turn(quarters: int) -> None:
    card = replace(seen_card(), corners_px=card_up(quarters))
    assert quarter_turns(seen(quarters, soil=True), stalk(quarters), card) == quarters
    # Without soil a laid plant is a laid plant on its side too; upside down it isn't read well.
    bare = quarter_turns(seen(quarters, soil=False), stalk(quarters), card)
    assert bare == (2 if quarters == 2 else 0)


@pytest.mark.parametrize("hung", range(4))
def test_a_card_hung_on_any_side_turns_no_upright_photo(hung: int) -> None:
    card = replace(seen_card(), corners_px=card_up(hung))
    assert quarter_turns(seen(0, soil=True), stalk(0), card) == 0


@pytest.mark.parametrize("points", range(4))
def test_a_laid_plant_may_point_anywhere(points: int) -> None:
    card = replace(seen_card(), corners_px=card_up(0))
    assert quarter_turns(seen(0, soil=False), stalk(points), card) == 0
    assert quarter_turns(seen(0, soil=False), stalk(points), None) == 0


def test_without_a_card_the_soil_tells() -> None:
    assert quarter_turns(seen(2, soil=True), stalk(2), None) == 2
    assert quarter_turns(seen(2, soil=True), np.zeros((0, 2)), None) == 0


def test_the_finding_says_what_to_do() -> None:
    rgb, mask = drawing()
    card = replace(seen_card(), corners_px=card_up(2))
    from collarvision.photo import Photo

    told = assess(Photo("drawn", rgb, ""), parts_of(mask), card, stalk(2))
    assert [(one.code, one.severity) for one in told] == [("turned", "stop")]
    assert told[0].sentence == (
        "The photo seems upside down: turn it upright, then stage it again."
    )


@pytest.mark.parametrize(("name", "quarters"), [("plant_08", 2), ("plant_10", 2), ("plant_03", 1)])
def test_a_turned_sample_gets_a_reason_and_no_height(name: str, quarters: int) -> None:
    """Upside down, plant_08 was told 6.6 in tall and is 17.3."""
    path = SAMPLES / f"{name}.jpg"
    if not path.exists():
        pytest.skip("sample_images is missing")
    try:
        model_path()
    except ModelError as error:
        pytest.skip(str(error))
    upright = read_photo(path)
    assert upright.height_mm is not None
    assert "turned" not in upright.quality
    held = io.BytesIO()
    Image.open(path).convert("RGB").rotate(-90 * quarters, expand=True).save(
        held, "JPEG", quality=93
    )
    reading = read_photo(held.getvalue())
    assert reading.outcome == "hand-count"
    assert reading.height_mm is None
    how = "upside down" if quarters == 2 else "on its side"
    assert any(how in reason for reason in reading.reasons)
