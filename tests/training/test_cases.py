"""Cases: looks kept in a file come back as they were."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from colour_network import BLUE, GREEN, GREY, MAGENTA, YELLOW, bar, spot, write_network

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
