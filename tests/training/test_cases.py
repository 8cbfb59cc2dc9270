"""Cases: looks kept in a file come back as they were."""

from __future__ import annotations

from pathlib import Path

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
