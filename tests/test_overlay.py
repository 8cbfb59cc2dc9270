"""Overlay: marks on the right pixels, words that fit, legible on a phone and to any eye."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from stand_in import DrawnPlant

from collarvision import marks
from collarvision.answer import CardMark, CollarMark, Outcome, Reading, TipMark
from collarvision.captions import _key_rows, banner, key, reasons_panel
from collarvision.overlay import draw_overlay, save_overlay
from collarvision.table import not_numbered

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
    across, down = shape[1] / 900, shape[0] / 1200
    inside = replace(
        reading,
        collars=tuple(replace(c, x=c.x * across, y=c.y * down) for c in reading.collars),
        tips=tuple(replace(tip, x=tip.x * across, y=tip.y * down) for tip in reading.tips),
        soil_line=(reading.soil_line[0] * across, reading.soil_line[1] * down),
        arch=(reading.arch[0] * across, reading.arch[1] * down),
        card=replace(
            reading.card, corners=tuple((x * across, y * down) for x, y in reading.card.corners)
        ),
    )
    out = draw_overlay(np.full((*shape, 3), 90, np.uint8), inside)
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


def test_a_long_name_is_seen_to_be_cut(reading: Reading, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[str] = []
    words = marks.Canvas.words

    def noting(self: Any, x: float, y: float, said: str, *more: Any, **named: Any) -> None:
        drawn.append(said)
        words(self, x, y, said, *more, **named)

    monkeypatch.setattr(marks.Canvas, "words", noting)
    for name in ("North quarter " + 9 * "by the road ", "X" * 200 + ".jpg"):
        key(replace(reading, photo=name), 600)
        assert drawn[-1].endswith("…")
        assert name.startswith(drawn[-1][:-1])
        assert 480 < marks.text_width(drawn[-1], round(600 * 0.028)) <= 600 * 0.95
    for name in ("plant.jpg", "", "two\nlines.jpg"):
        key(replace(reading, photo=name), 600)
        assert drawn[-1] == " ".join(name.split())
    assert np.any(np.asarray(marks.font(20).getmask("…")))  # the font has one
    assert bytes(marks.font(20).getmask("…")) != bytes(marks.font(20).getmask("\uffff"))


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


def turned(point: tuple[float, float], degrees: float) -> tuple[float, float]:
    """A place in the drawing after its camera was rolled about the drawing's middle."""
    cos, sin = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    x, y = point[0] - 450, point[1] - 600
    return 450 + cos * x - sin * y, 600 + sin * x + cos * y


def lines_drawn(
    monkeypatch: pytest.MonkeyPatch, rgb: np.ndarray, one: Reading
) -> dict[marks.Colour, list[np.ndarray]]:
    """Undashed lines of two ends, and the soil's, by colour; in px of the photo."""
    lines: dict[marks.Colour, list[np.ndarray]] = {}

    def line(self, points, colour, thickness, rim=0.0, dashes=0):
        if len(points) == 2 and (not dashes or colour == marks.YELLOW):
            lines.setdefault(colour, []).append(np.array(points) * rgb.shape[1] / self.width)

    monkeypatch.setattr(marks.Canvas, "line", line)
    draw_overlay(rgb, one)
    return lines


@pytest.mark.parametrize("roll", [0.0, 15.0, -15.0])
def test_the_bar_is_as_long_as_the_height_however_the_camera_was_rolled(
    reading: Reading, drawn_plant: DrawnPlant, monkeypatch: pytest.MonkeyPatch, roll: float
) -> None:
    rise = drawn_plant.base[1] - drawn_plant.arch[1]
    up = turned((450, 599), roll)
    level = turned((451, 600), roll)
    rolled = replace(
        reading,
        card=None,
        tips=(),
        collars=(),
        soil_line=turned(drawn_plant.base, roll),
        arch=turned(drawn_plant.arch, roll),
        upright=((up[0] - 450, up[1] - 600), (level[0] - 450, level[1] - 600)),
    )
    lines = lines_drawn(monkeypatch, drawn_plant.rgb, rolled)
    foot, head = lines[marks.PURPLE][0]
    assert np.hypot(*(head - foot)) == pytest.approx(rise, rel=1e-3)
    assert (head - foot) / rise == pytest.approx(np.array(rolled.upright[0]), abs=1e-3)
    left, right = lines[marks.YELLOW][0]
    assert (right - left) / np.hypot(*(right - left)) == pytest.approx(
        np.array(rolled.upright[1]), abs=1e-3
    )


@pytest.mark.parametrize("x", [60.0, 450.0, 840.0])
def test_a_seedlings_label_covers_neither_its_bar_nor_its_marks(
    reading: Reading, monkeypatch: pytest.MonkeyPatch, x: float
) -> None:
    small = replace(
        reading,
        card=None,
        soil_line=(x, 800.0),
        arch=(x - 20.0, 660.0),
        collars=(CollarMark(1, x, 770.0, 0.9),),
        tips=(TipMark(2, x - 20.0, 662.0, "pointed", 0.9), TipMark(1, x + 35, 700, "rounded", 0.9)),
        height_mm=68.0,
        height_interval_mm=(64.0, 72.0),
    )
    kept: list[tuple[marks.Box, list[marks.Box]]] = []
    place = marks.place_label

    def placed(anchor, size, taken, frame, reach):
        at = place(anchor, size, taken, frame, reach)
        kept.append(((at[0], at[1], *size), list(taken)))
        return at

    blocks: list[marks.Box] = []
    monkeypatch.setattr(marks, "place_label", placed)
    monkeypatch.setattr(marks.Canvas, "block", lambda self, box, colour: blocks.append(box))
    draw_overlay(np.full((1200, 900, 3), 128, np.uint8), small)
    label = next(box for box in blocks if box[0] > 0)
    taken = kept[0][1]
    to_page = 1080 / 900
    bar = [box for box in taken if box[3] > 790 * to_page and box[1] < 800 * to_page]
    assert bar, "the bar's foot and the soil line must be kept free"
    assert marks.in_the_way(label, taken, (0.0, 0.0, 1080.0, 1440.0)) < 0.02


@pytest.mark.parametrize(
    ("soil", "arch", "tips", "share"),
    [
        ((213, 552), (201, 340), [(463, 397), (10, 493), (122, 406)], 0.35),
        ((280, 665), (259, 500), [(63, 509), (515, 632), (153, 620)], 0.65),
        ((462, 656), (483, 591), [(180, 642)], 1.0),
        ((305, 440), (347, 345), [(371, 287), (151, 334), (467, 344), (223, 397), (417, 391)], 0.0),
    ],
)
def test_where_the_bars_middle_is_blocked_the_label_goes_elsewhere_along_it(
    reading: Reading,
    monkeypatch: pytest.MonkeyPatch,
    soil: tuple[int, int],
    arch: tuple[int, int],
    tips: list[tuple[int, int]],
    share: float,
) -> None:
    blocked = replace(
        reading,
        collars=(),
        soil_line=soil,
        arch=arch,
        tips=tuple(TipMark(k + 1, x, y, "pointed", 0.9) for k, (x, y) in enumerate(tips)),
    )
    covered: dict[tuple[float, float], tuple[float, float]] = {}
    place = marks.place_label

    def placed(anchor, size, taken, frame, reach):
        x, y = place(anchor, size, taken, frame, reach)
        (w, h), up = size, (soil[1] - anchor[1] * 900 / 1080) / (soil[1] - arch[1])
        label = (x - w / 2, y - h / 2, x + w / 2, y + h / 2)
        covered[x, y] = up, marks.in_the_way(label, taken, frame)
        return x, y

    blocks: list[marks.Box] = []
    monkeypatch.setattr(marks, "place_label", placed)
    monkeypatch.setattr(marks.Canvas, "block", lambda self, box, colour: blocks.append(box))
    draw_overlay(np.full((1200, 900, 3), 128, np.uint8), blocked)
    label = next(box for box in blocks if box[0] > 0)
    middle = (label[0] + label[2]) / 2, (label[1] + label[3]) / 2
    at = min(covered, key=lambda spot: np.hypot(spot[0] - middle[0], spot[1] - middle[1]))
    assert at == pytest.approx(middle, abs=0.01)
    assert covered[at][0] == pytest.approx(share, abs=0.01)
    assert covered[at][1] < 0.05


@pytest.mark.parametrize(("apart", "seen"), [(0.0, True), (10.0, True), (60.0, False)])
def test_an_arch_on_a_tip_leaves_the_tips_own_mark_in_sight(
    reading: Reading, apart: float, seen: bool
) -> None:
    x, y = 450.0, 500.0
    one = replace(
        reading,
        card=None,
        collars=(),
        height_mm=None,
        height_interval_mm=None,
        arch=(x, y),
        tips=(TipMark(1, x + apart, y, "pointed", 0.9),),
    )
    out = draw_overlay(np.full((1200, 900, 3), 128, np.uint8), one)
    top, scale = banner(one, 1080).shape[0], 1080 / 900
    here = out[round(top + y * scale), round(x * scale)][None, None]
    tip = out[round(top + y * scale), round((x + apart) * scale)][None, None]
    assert near(tip, marks.ORANGE).all()
    assert near(here, marks.PURPLE).all() != seen
    assert near(out[top : top + 1400], marks.PURPLE).sum() > 200


@pytest.mark.parametrize("stage", [3, None])
@pytest.mark.parametrize("outcome", ["staged", "hand-count", "rejected"])
@pytest.mark.parametrize("confidence", [0.96, 0.2, None])
def test_the_font_has_every_sign_of_the_banner(
    reading: Reading,
    outcome: Outcome,
    stage: int | None,
    confidence: float | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    words: list[str] = []
    draw = marks.Canvas.words

    def noted(canvas: marks.Canvas, x: float, y: float, text: str, *more: Any, **how: Any) -> None:
        words.append(text)
        draw(canvas, x, y, text, *more, **how)

    monkeypatch.setattr(marks.Canvas, "words", noted)
    banner(replace(reading, outcome=outcome, stage=stage, confidence=confidence), 1080)
    lacking = bytes(marks.font(40).getmask("\ue000"))
    signs = set("".join(words)) - {" "}
    assert signs
    assert [one for one in signs if bytes(marks.font(40).getmask(one)) == lacking] == []


@pytest.mark.parametrize("doubt", ["", "?"])
def test_a_height_in_doubt_is_so_in_inches_and_in_cm_beside_the_longest_stage(
    reading: Reading, doubt: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: dict[str, tuple[float, float]] = {}

    def noted(
        canvas: marks.Canvas, x: float, y: float, text: str, size: int, *more: Any, **how: Any
    ) -> None:
        drawn[text] = (
            x,
            x + (-1 if how.get("anchor") == "rm" else 1) * marks.text_width(text, size),
        )

    monkeypatch.setattr(marks.Canvas, "words", noted)
    tall = replace(reading, outcome="hand-count", stage=12, confidence=0.6, height_mm=2600.0)
    tall = replace(tall, height_interval_mm=(2500.0, 3500.0 if doubt else 2700.0))
    banner(tall, 1080)
    assert drawn[f"102.4 in{doubt} · 260.0 cm{doubt}"][1] > drawn["Count by hand"][1]
    draw_overlay(np.full((1200, 900, 3), 128, np.uint8), tall)
    assert {f"102.4 in{doubt}", f"260.0 cm{doubt}"} <= set(drawn)


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
