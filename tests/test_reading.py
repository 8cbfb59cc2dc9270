"""Reading: one call from a photo to everything said about its plant."""

from __future__ import annotations

import dataclasses
import inspect
import json
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest
from stand_in import DrawnPlant, draw_plant

import collarvision.reading as reading_room
from collarvision import cardseen, read_photo
from collarvision.answer import Reading, confidence_words, stage_name
from collarvision.card import Scale
from collarvision.cardmarks import EASY, HARD
from collarvision.confidence import NO_FOOT
from collarvision.cutoff import Cut
from collarvision.looks import Look
from collarvision.parallax import Stand
from collarvision.parts import gather
from collarvision.quality import Finding
from collarvision.reading import height_in_view
from collarvision.record import Record


@pytest.fixture
def path(stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]) -> Path:
    return save_jpeg(drawn_plant.rgb)


def test_the_drawn_plant_is_read_right(path: Path, drawn_plant: DrawnPlant) -> None:
    reading = read_photo(path)
    assert reading.stage == drawn_plant.stage
    assert [collar.rank for collar in reading.collars] == [1, 2, 3]
    for mark, truth in zip(reading.collars, drawn_plant.collars, strict=True):
        assert (mark.x, mark.y) == pytest.approx(truth, abs=6)
    assert [tip.shape for tip in reading.tips] == ["rounded", "pointed", "pointed", "pointed"]
    assert reading.first_leaf is not None
    assert reading.first_leaf > 0.9
    assert reading.lower_leaves_missing == 0
    assert reading.soil_line == pytest.approx(drawn_plant.base, abs=6)
    assert reading.layout == "standing"


def test_the_height_is_the_drawings_own(path: Path, drawn_plant: DrawnPlant) -> None:
    reading = read_photo(path)
    assert reading.height_mm is not None
    assert reading.height_interval_mm is not None
    low, high = reading.height_interval_mm
    assert low < drawn_plant.height_mm < high
    assert reading.mm_per_px == pytest.approx(drawn_plant.mm_per_px, rel=0.01)
    assert reading.height_basis == "arch"


@pytest.mark.parametrize("roll", [0.0, 10.0, -10.0])
def test_up_and_level_lie_in_the_photo_as_the_card_and_the_soil_do(
    stand_in: Path, save_jpeg: Callable[..., Path], drawn_plant: DrawnPlant, roll: float
) -> None:
    turn = cv2.getRotationMatrix2D((450, 600), roll, 0.9)
    rolled = cv2.warpAffine(
        drawn_plant.rgb, turn, (900, 1200), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    reading = read_photo(save_jpeg(rolled))
    assert reading.height_mm is not None
    up, level = np.array(reading.upright)
    # Card, soil and stalk speak for the drawing's own vertical, the camera for the photo's.
    assert np.rad2deg(np.arctan2(up[0], -up[1])) == pytest.approx(-0.75 * roll, abs=3.5)
    assert up @ level == pytest.approx(0.0, abs=0.03)
    assert "upright" not in reading.record()


def test_a_foot_past_the_boards_horizon_leaves_no_endless_number(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Scale, "mm_per_px_at", lambda self, x, y: float("inf"))
    reading = read_photo(path)
    assert (reading.fault, reading.mm_per_px, reading.upright) == (None, None, ())
    assert (reading.height_mm, reading.height_interval_mm) == (None, None)
    assert reading.confidence is not None
    assert np.isfinite(reading.confidence)
    json.dumps(reading.record(), allow_nan=False)


def test_a_stalk_whose_foot_wasnt_found_has_no_height(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its lower end may be anywhere: of a plant upside down it is told far too short."""
    monkeypatch.setattr(
        reading_room, "gather", lambda *looks: dataclasses.replace(gather(*looks), base=None)
    )
    reading = read_photo(path)
    assert reading.card is not None
    assert (reading.height_mm, reading.height_interval_mm, reading.height_basis) == (None,) * 3
    assert (reading.soil_line, reading.mm_per_px, reading.upright) == (None, None, ())
    assert (reading.outcome, NO_FOOT in reading.reasons) == ("hand-count", True)
    assert len(reading.stalk) > 1


@pytest.mark.parametrize("end", ["soil_line", "arch"])
def test_no_height_is_measured_near_the_boards_horizon(
    path: Path, monkeypatch: pytest.MonkeyPatch, end: str
) -> None:
    where, seen = getattr(read_photo(path), end), Scale.mm_per_px_at

    def stretched(times: float) -> Reading:
        def mm_per_px_at(self: Scale, x: float, y: float) -> float:
            return seen(self, x, y) * (times if abs(y - where[1]) < 30 else 1.0)

        monkeypatch.setattr(Scale, "mm_per_px_at", mm_per_px_at)
        return read_photo(path)

    assert stretched(2.0).height_mm is not None  # as where a board leans far
    far = stretched(9.0)
    assert (far.fault, far.height_mm, far.height_interval_mm) == (None, None, None)
    assert (far.mm_per_px is None) == (end == "soil_line")


def test_no_plant_is_told_taller_than_full_grown_corn(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told, seen = read_photo(path).height_mm, Stand.height_mm
    for height_mm, given in ((3400.0, True), (3700.0, False)):
        monkeypatch.setattr(
            Stand, "height_mm", lambda *a, t=height_mm / told, **k: seen(*a, **k) * t
        )
        assert (read_photo(path).height_mm is not None) is given


def test_without_a_card_there_is_a_stage_and_no_height(
    stand_in: Path, save_jpeg: Callable[..., Path]
) -> None:
    reading = read_photo(save_jpeg(draw_plant(card=False).rgb))
    assert reading.stage == 3
    assert reading.height_mm is None
    assert reading.height_interval_mm is None
    assert reading.card is None
    assert reading.arch is not None


@pytest.mark.parametrize("times", [0.6, 0.75])
def test_with_two_cards_in_view_nothing_is_measured(
    stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path], times: float
) -> None:
    one = read_photo(save_jpeg(drawn_plant.rgb))
    assert one.card is not None
    (left, top), _, (right, bottom), _ = (map(round, corner) for corner in one.card.corners)
    card = drawn_plant.rgb[top - 8 : bottom + 8, left - 8 : right + 8]
    small = cv2.resize(card, None, fx=times, fy=times, interpolation=cv2.INTER_AREA)
    rgb = drawn_plant.rgb.copy()
    rgb[10 : 10 + small.shape[0], 10 : 10 + small.shape[1]] = small
    two = read_photo(save_jpeg(rgb))
    assert (two.stage, two.height_mm, two.mm_per_px, two.card) == (one.stage, None, None, None)
    assert two.quality == ("two_cards",)
    assert (one.outcome, two.outcome) == ("staged", "hand-count")
    assert [reason.split(",")[0] for reason in two.overruling] == ["Two scale cards are in view"]


@pytest.mark.parametrize(
    ("cut", "arch", "basis", "given"),
    [
        (None, (20.0, 300.0), "arch", True),
        (Cut(("right",), 400.0), (500.0, 300.0), "arch", True),
        (Cut(("left", "right"), 400.0), (500.0, 300.0), "arch", True),
        (Cut(("right",), 250.0), (500.0, 300.0), "arch", False),  # what leaves is higher
        (Cut(("right",), 400.0), (970.0, 300.0), "arch", False),  # the arch may go on outside
        (Cut(("left",), 400.0), (30.0, 300.0), "arch", False),
        (Cut(("top",), 0.0), (500.0, 300.0), "arch", False),
        (Cut(("bottom", "left"), 400.0), (500.0, 300.0), "arch", False),
        (Cut(("right",), 400.0), (500.0, 300.0), "free-standing", False),
        (
            Cut(("right",), 400.0),
            (500.0, 300.0),
            "along-stalk",
            False,
        ),  # laid: its top may lie there
    ],
)
def test_a_plant_cut_off_has_a_height_where_only_a_lower_leaf_leaves_at_the_side(
    monkeypatch: pytest.MonkeyPatch,
    cut: Cut | None,
    arch: tuple[float, float],
    basis: str,
    given: bool,
) -> None:
    measured = SimpleNamespace(arch=arch, basis=basis)
    monkeypatch.setattr(reading_room, "measure", lambda *_, **__: measured)
    findings = () if cut is None else (Finding("plant_cut", "stop", "Step back.", cut),)
    got = SimpleNamespace(parts=None, plant=None, findings=findings)
    found = height_in_view(got, None, (1000, 1400))  # type: ignore[arg-type]
    assert found is (measured if given else None)


@pytest.mark.parametrize(
    ("shows", "expected"),
    [("no look", [EASY]), ("the second", [EASY, ()]), ("both", [EASY, HARD, ()])],
)
def test_a_card_hard_to_see_is_only_looked_for_where_the_network_shows_one(
    stand_in: Path,
    save_jpeg: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
    shows: str,
    expected: list[tuple],
) -> None:
    path, asked = save_jpeg(draw_plant(card=False).rgb), []

    def boxes(look: Look) -> list[tuple[float, float, float, float]]:
        asked.append(look)
        at_first = look is asked[0]
        shown = shows == "both" or (shows == "the second" and not at_first)
        return [(0.0, 0.0, 9.0, 9.0)] if shown else []

    searched = []
    monkeypatch.setattr(
        cardseen, "find_card", lambda photo, **how: searched.append(how["searches"])
    )
    monkeypatch.setattr(cardseen, "card_boxes", boxes)
    assert read_photo(path).height_mm is None
    assert searched == expected


def test_a_network_that_fails_leaves_nobody_waiting(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object, **__: object) -> None:
        raise ValueError("no look")

    monkeypatch.setattr(cardseen, "find_card", lambda *_, **__: None)
    monkeypatch.setattr(reading_room, "take_looks", fails)
    reading = read_photo(path)
    assert reading.outcome == "rejected"
    assert reading.fault is not None
    assert "no look" in reading.fault


def test_a_bare_board_is_rejected_with_a_reason(
    stand_in: Path, bare_board: np.ndarray, save_jpeg: Callable[..., Path]
) -> None:
    reading = read_photo(save_jpeg(bare_board))
    assert reading.outcome == "rejected"
    assert reading.stage is None
    assert reading.reasons
    assert reading.sha256 is not None


def test_bytes_read_like_the_file(path: Path) -> None:
    from_file, from_bytes = read_photo(path), read_photo(path.read_bytes(), name="plant.jpg")
    assert from_bytes.path is None
    assert dataclasses.replace(from_bytes, path=from_file.path) == from_file


def test_two_reads_agree_to_the_last_digit(path: Path) -> None:
    assert read_photo(path) == read_photo(path)


def test_the_record_is_valid_and_serialises(path: Path) -> None:
    record = read_photo(path).record()
    Record.model_validate_json(json.dumps(record, allow_nan=False))
    assert sum(record["stage_probabilities"].values()) == pytest.approx(1, abs=0.01)


def test_a_reading_cannot_be_changed(path: Path) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError):
        read_photo(path).stage = 5  # type: ignore[misc]


def test_a_wrong_rule_or_check_bar_is_the_callers_error(path: Path) -> None:
    with pytest.raises(ValueError, match="half-out"):
        read_photo(path, height_rule="tallest")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="check bar"):
        read_photo(path, check_bar_mm=9.8)
    for wrong in ({"check_bar_mm": "97"}, {"max_megapixels": "a"}, {"max_megapixels": 0}):
        (name,) = wrong
        with pytest.raises(ValueError, match=f"{name} .* isn't a number above 0"):
            read_photo(path, **wrong)  # type: ignore[arg-type]


def test_every_field_of_a_reading_is_explained() -> None:
    text = inspect.getdoc(Reading) or ""
    named = {
        name.strip()
        for line in text.splitlines()
        if " : " in line
        for name in line.split(" : ")[0].split(",")
    }
    assert {field.name for field in dataclasses.fields(Reading)} <= named


def test_the_file_speaks_through_the_record(
    stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]
) -> None:
    from PIL import Image

    exif = Image.Exif()
    exif[0x8769] = {0x9003: "2024:05:17 09:30:00", 0xA405: 27}
    exif[0x8825] = {1: "N", 2: (41.0, 30.0, 0.0), 3: "W", 4: (93.0, 15.0, 0.0)}
    reading = read_photo(save_jpeg(drawn_plant.rgb, exif=exif))
    assert reading.taken_at == "2024-05-17T09:30:00"
    assert reading.gps == pytest.approx((41.5, -93.25))
    assert reading.focal_eq_mm == 27


def test_words_for_stages_and_confidence() -> None:
    assert [stage_name(k) for k in (0, 1, 10)] == ["VE", "V1", "V10"]
    assert confidence_words(0.97) == "very sure"
    assert confidence_words(0.5) == "not sure"


def test_a_fault_keeps_the_hash_and_names_the_place(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collarvision import reading

    def broken(*_: object, **__: object) -> None:
        raise KeyError("lost")

    monkeypatch.setattr(reading, "believe", broken)
    got = read_photo(path)
    assert isinstance(got, Reading)
    assert got.outcome == "rejected"
    assert got.sha256 is not None
    assert got.fault is not None
    assert "KeyError: 'lost' (test_reading.py, line" in got.fault
