"""Overlay: marks on the right pixels, words that fit, legible on a phone and to any eye."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from stand_in import DrawnPlant

from collarvision import marks
from collarvision.answer import CardMark, CollarMark, Reading, TipMark
from collarvision.captions import _key_rows, banner, key, not_numbered, reasons_panel
from collarvision.overlay import draw_overlay, save_overlay

LONG_REASON = (
    "The lowest leaf found is pointed, so leaf 1 is probably lost and counting what is left reads "
    "low: split the stalk lengthwise and count from the nodes."
)


@pytest.fixture
def reading(drawn_plant: DrawnPlant) -> Reading:
    return Reading(
        photo="plant.jpg",
        outcome="staged",
        stage=3,
        confidence=0.96,
        collars=tuple(CollarMark(k + 1, x, y, 0.9) for k, (x, y) in enumerate(drawn_plant.collars)),
        tips=tuple(
            TipMark(k + 1, x, y, "rounded" if k == 0 else "pointed", 0.9)
            for k, (x, y) in enumerate(drawn_plant.tips)
        ),
        soil_line=drawn_plant.base,
        arch=drawn_plant.arch,
        height_mm=drawn_plant.height_mm,
        height_interval_mm=(190.0, 200.0),
        height_basis="arch",
        card=CardMark(4, 2.0, 0.01, False, ((560, 380), (856, 380), (856, 800), (560, 800))),
    )


def near(rgb: np.ndarray, colour: marks.Colour, tolerance: int = 12) -> np.ndarray:
    return np.abs(rgb.astype(int) - colour).max(axis=2) <= tolerance


def centre(mask: np.ndarray) -> tuple[float, float]:
    rows, columns = np.nonzero(mask)
    return float(columns.mean() + 0.5), float(rows.mean() + 0.5)


def test_a_collar_dot_lies_on_its_collar_to_a_fifth_of_a_pixel() -> None:
    canvas = marks.Canvas(np.full((200, 200, 3), 128, np.uint8))
    canvas.disc(81.3, 60.7, 12, marks.BLUE, 0)
    assert centre(near(canvas.rgb, marks.BLUE)) == pytest.approx((81.3, 60.7), abs=0.2)


@pytest.mark.parametrize("ground", [0, 60, 128, 200, 255])
def test_every_mark_has_a_rim_darker_and_one_lighter_than_any_ground(ground: int) -> None:
    canvas = marks.Canvas(np.full((120, 120, 3), ground, np.uint8))
    canvas.disc(60, 60, 20, marks.BLUE, 3)
    row = canvas.rgb[60].astype(int).max(axis=1)
    assert row.min() <= 30
    assert row.max() >= 250


def luminance(colour: marks.Colour) -> float:
    """Relative luminance by WCAG 2.1 (W3C Recommendation, 5 June 2018)."""
    linear = [
        v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4
        for v in (c / 255 for c in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize(
    ("ink", "ground"),
    [
        (marks.WHITE, marks.BLACK),
        (marks.WHITE, marks.BLUE),
        (marks.GREEN, marks.BLACK),
        (marks.ORANGE, marks.BLACK),
        (marks.VERMILION, marks.BLACK),
    ],
)
def test_words_have_the_contrast_that_large_text_needs(
    ink: marks.Colour, ground: marks.Colour
) -> None:
    # WCAG 2.1, criterion 1.4.3: 3:1 for large text, 4.5:1 for other text; asked here: 4.5.
    light, dark = sorted((luminance(ink), luminance(ground)), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_the_photo_is_scaled_for_a_phone(reading: Reading, drawn_plant: DrawnPlant) -> None:
    out = draw_overlay(drawn_plant.rgb, reading)
    assert out.shape[1] == 1080
    assert out.dtype == np.uint8


@pytest.mark.parametrize(
    "shape", [(1, 1), (64, 64), (371, 310), (300, 2400), (2400, 300), (480, 640), (4000, 3000)]
)
def test_any_photo_gets_a_page_of_sensible_size(reading: Reading, shape: tuple[int, int]) -> None:
    out = draw_overlay(np.full((*shape, 3), 90, np.uint8), reading)
    assert 900 <= out.shape[1] <= 1600
    assert out.shape[0] <= 4000


def test_collars_in_the_photo_are_marked_where_they_are(
    reading: Reading, drawn_plant: DrawnPlant
) -> None:
    plain = replace(reading, tips=(), arch=None, height_mm=None, card=None, soil_line=None)
    out = draw_overlay(np.full_like(drawn_plant.rgb, 128), plain)
    top, scale = banner(plain, 1080).shape[0], 1080 / 900
    for x, y in drawn_plant.collars:
        at = out[round(top + y * scale), round(x * scale)]
        assert near(at[None, None], marks.BLUE)[0, 0]


def test_reasons_wrap_inside_the_page_at_a_size_a_phone_can_show(reading: Reading) -> None:
    width = 1080
    size = round(width * 0.036)
    lines = marks.wrap(LONG_REASON, size, width - 80)
    assert " ".join(lines) == LONG_REASON
    assert all(marks.text_width(line, size) <= width - 80 for line in lines)
    # A phone shows the page about 62 mm wide; 1.8 mm is the height of ordinary print.
    assert size * 62 / width >= 1.8
    panel = reasons_panel(replace(reading, reasons=(LONG_REASON,)), width)
    assert panel.shape[0] > 3 * size
    assert near(panel[:, -8:], marks.BLACK).all()


@pytest.mark.parametrize(
    ("ranks", "said"),
    [
        ((1, 2, 3), []),
        ((2, 3), ["Leaf 1 is taken as lost, and counted."]),
        ((3, 4), ["Leaves 1 and 2 are taken as lost, and counted."]),
        ((1, 3), ["The collar of leaf 2 wasn't found, but the leaf is counted."]),
        ((None, 3), []),
        ((), []),
    ],
)
def test_a_count_above_the_marks_is_explained(
    ranks: tuple[int | None, ...], said: list[str]
) -> None:
    collars = tuple(CollarMark(rank, 10.0, 10.0 * k, 0.9) for k, rank in enumerate(ranks))
    one = Reading(photo="a.jpg", outcome="staged", stage=3, confidence=0.9, collars=collars)
    assert not_numbered(one) == said
    there = replace(one, tips=(TipMark(1, 5.0, 5.0, "rounded", 0.9),))
    assert not any("lost" in words and "Leaf 1" in words for words in not_numbered(there))
    assert bool(reasons_panel(one, 1080).size) == bool(said)


def test_a_word_longer_than_the_page_is_cut_not_lost() -> None:
    word = "x" * 400
    assert "".join(marks.wrap(word, 30, 500)) == word


def test_numbers_do_not_cover_each_other_or_the_collars() -> None:
    frame = (0.0, 0.0, 1000.0, 1000.0)
    anchors = [(500.0, 500.0 + 12 * k) for k in range(6)]
    taken = [(x - 10, y - 10, x + 10, y + 10) for x, y in anchors]
    for anchor in anchors:
        x, y = marks.place_label(anchor, (50, 50), taken, frame, 34)
        box = (x - 25, y - 25, x + 25, y + 25)
        assert not any(
            min(box[2], o[2]) > max(box[0], o[0]) and min(box[3], o[3]) > max(box[1], o[1])
            for o in taken
        )
        taken.append(box)


@pytest.mark.parametrize("corner", [(0.0, 0.0), (1000.0, 0.0), (0.0, 1000.0), (1000.0, 1000.0)])
def test_a_label_at_the_edge_stays_inside(corner: tuple[float, float]) -> None:
    x, y = marks.place_label(corner, (60, 40), [], (0.0, 0.0, 1000.0, 1000.0), 30)
    assert 30 <= x <= 970
    assert 20 <= y <= 980


def test_the_key_names_only_what_is_there(reading: Reading) -> None:
    assert key(reading, 1080).shape[0] > key(replace(reading, tips=(), card=None), 1080).shape[0]
    assert key(replace(reading, outcome="rejected"), 1080).shape[0] < 80


@pytest.mark.parametrize(
    ("basis", "words"),
    [
        ("arch", "top of the arch"),
        ("free-standing", "highest point"),
        # A laid plant's height may end at a leaf's tip.
        ("along-stalk", "where the height ends"),
    ],
)
def test_the_key_calls_the_heights_upper_end_what_it_is(
    reading: Reading, basis: str, words: str
) -> None:
    rows = _key_rows(replace(reading, height_basis=basis), 1080, 30)
    assert ("arch", words) in [entry for row in rows for entry in row]


def test_a_rejected_photo_shows_its_reason_and_no_marks(drawn_plant: DrawnPlant) -> None:
    rejected = Reading(photo="x.jpg", outcome="rejected", reasons=("No plant was found.",))
    out = draw_overlay(np.full((600, 800, 3), 128, np.uint8), rejected)
    assert near(out, marks.VERMILION).any()
    assert not near(out, marks.BLUE).any()
    assert draw_overlay(None, rejected).shape[1] == 1080


def test_a_laid_plant_and_a_plant_at_the_edge_are_drawn(
    reading: Reading, drawn_plant: DrawnPlant
) -> None:
    laid = replace(
        reading,
        height_basis="along-stalk",
        stalk=((880.0, 1190.0), (700.0, 900.0)),
        soil_line=(880.0, 1190.0),
    )
    assert near(draw_overlay(drawn_plant.rgb, laid), marks.PURPLE).any()


def test_the_picture_is_not_changed(reading: Reading, drawn_plant: DrawnPlant) -> None:
    before = drawn_plant.rgb.copy()
    draw_overlay(drawn_plant.rgb, reading)
    assert np.array_equal(before, drawn_plant.rgb)


def test_the_file_is_a_whole_jpeg(
    reading: Reading, drawn_plant: DrawnPlant, tmp_path: Path
) -> None:
    path = save_overlay(drawn_plant.rgb, reading, tmp_path / "plant.overlay.jpg")
    with Image.open(path) as image:
        image.load()
        assert image.format == "JPEG"
    assert os.listdir(tmp_path) == ["plant.overlay.jpg"]


def test_an_unwritable_place_is_an_os_error_and_leaves_nothing(
    reading: Reading, drawn_plant: DrawnPlant, tmp_path: Path
) -> None:
    with pytest.raises(OSError, match="missing"):
        save_overlay(drawn_plant.rgb, reading, tmp_path / "missing" / "x.overlay.jpg")
