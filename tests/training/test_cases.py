"""Cases: looks kept in a file come back as they were."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from colour_network import BLUE, GREEN, GREY, MAGENTA, YELLOW, bar, spot, write_network
from stand_in import DrawnPlant

from collarvision import cardseen, reading
from collarvision.network import MODEL_VARIABLE
from collarvision.parts import gather
from collarvision.photo import Photo
from training import cases


@pytest.mark.parametrize("size", [160, 1500])  # found by a look about its base, and at once
def test_looks_come_back_from_their_file_as_they_were(
    size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(MODEL_VARIABLE, str(write_network(tmp_path / "colours.onnx")))
    rgb = np.full((3200, 2400, 3), GREY, np.uint8)
    wide = size // 60
    bar(rgb, 600 - wide, 2500 - size, 600 + wide, 2500, BLUE)
    bar(rgb, 600, 2510 - size, 600 + size // 2, 2510 - size + 2 * wide, GREEN)
    spot(rgb, 600 + size // 2, 2510 - size, 5 + size / 100, YELLOW)
    spot(rgb, 600, 2500, 22, MAGENTA)
    photo, kept = Photo("drawn", rgb, ""), tmp_path / "looks" / "one.npz"
    taken = cases.kept_looks(photo, kept)
    monkeypatch.setattr(cases, "take_looks", lambda photo: pytest.fail("read anew"))
    for before, after in zip(taken, cases.kept_looks(photo, kept), strict=True):
        assert (before.near is None) == (after.near is None) == (size > 1000)
        assert before.box == after.box
        one, other = gather(before), gather(after)
        assert one.usability == pytest.approx(other.usability, abs=1e-6)
        assert len(one.tips) == len(other.tips) > 0
        for a, b in zip(one.tips, other.tips, strict=True):
            assert (a.x, a.y) == pytest.approx((b.x, b.y), abs=0.05)
        np.testing.assert_array_equal(one.classes, other.classes)


def test_looks_are_kept_by_what_a_photo_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two folders may have an IMG_1.png each: one's looks must not be read as the other's."""
    asked: list[Path] = []

    class Asked(Exception):
        pass

    def note(photo: Photo, kept: Path) -> None:
        asked.append(kept)
        raise Asked

    monkeypatch.setattr(cases, "kept_looks", note)
    for folder, grey in (("a", 90), ("b", 120)):
        (tmp_path / folder).mkdir()
        cv2.imwrite(str(tmp_path / folder / "IMG_1.png"), np.full((400, 300, 3), grey, np.uint8))
        truth = tmp_path / folder / "truth.jsonl"
        truth.write_text(json.dumps({"file": "IMG_1.png", "usable": True}) + "\n")
        for _ in range(2):
            with pytest.raises(Asked):
                cases.read_cases(truth, looks_folder=tmp_path / "looks")
    assert asked[0] == asked[1]
    assert asked[2] == asked[3]
    assert asked[0] != asked[2]


def test_answers_of_another_network_are_not_taken_for_this_one_s(
    tmp_path: Path, stand_in: Path, drawn_plant: DrawnPlant, monkeypatch: pytest.MonkeyPatch
) -> None:
    import onnx

    photo, kept = Photo("drawn", drawn_plant.rgb, ""), tmp_path / "looks" / "one.npz"
    cases.kept_looks(photo, kept)
    retrained = onnx.load(str(stand_in))
    onnx.helper.set_model_props(retrained, {"version": "retrained"})
    onnx.save(retrained, str(tmp_path / "retrained.onnx"))
    monkeypatch.setenv(MODEL_VARIABLE, str(tmp_path / "retrained.onnx"))
    for _ in range(2):
        assert {looks.version for looks in cases.kept_looks(photo, kept)} == {"retrained"}
        monkeypatch.setattr(cases, "take_looks", lambda photo: pytest.fail("kept in vain"))


def read_as_case(path: Path) -> cases.Case:
    truth = path.with_name("truth.jsonl")
    truth.write_text(json.dumps({"file": path.name, "usable": True, "stage_v": 3}) + "\n")
    [case] = cases.read_cases(truth)
    return case


@pytest.mark.parametrize("shown", ["plain", "upside down", "two cards"])
def test_a_case_hears_of_a_photo_what_a_reading_hears(
    shown: str, stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]
) -> None:
    """Else the calibration is fitted to photos that run time refuses or doesn't measure."""
    rgb = drawn_plant.rgb.copy()
    if shown == "upside down":
        rgb = np.ascontiguousarray(rgb[::-1, ::-1])
    elif shown == "two cards":
        card = cv2.resize(rgb[372:808, 552:864], None, fx=0.6, fy=0.6)
        rgb[10 : 10 + card.shape[0], 10 : 10 + card.shape[1]] = card
    path = save_jpeg(rgb)
    said, case = reading.read_photo(path), read_as_case(path)
    wanted = {"plain": None, "upside down": "turned", "two cards": "two_cards"}[shown]
    assert wanted is None or wanted in said.quality
    assert tuple(finding.code for finding in case.findings) == said.quality
    assert (case.scale is None) == (said.card is None) == (shown == "two cards")
    assert case.closer is not None
    assert case.closer.findings == case.findings


@pytest.mark.parametrize("with_card", [True, False])
def test_a_card_is_sought_as_at_run_time(
    with_card: bool,
    stand_in: Path,
    bare_board: np.ndarray,
    save_jpeg: Callable[..., Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Where the network shows none, the harder searches may find one that run time wouldn't."""
    rgb = bare_board.copy()
    if with_card:
        rgb[380:800, 560:856] = 255  # its markers are worn off
    path = save_jpeg(rgb)
    sought: dict[str, list[dict[str, object]]] = {}
    for module, read in ((reading, reading.read_photo), (cases, read_as_case)):
        asked = sought[module.__name__] = []
        monkeypatch.setattr(
            cardseen,
            "find_card",
            lambda photo, asked=asked, check_bar_mm=100.0, **how: asked.append(how),
        )
        read(path)
    assert sought["training.cases"] == sought["collarvision.reading"]
    assert len(sought["training.cases"]) == (3 if with_card else 1)
