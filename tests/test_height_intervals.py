"""Height: how wide its interval is, and what makes it wider.

The drawn plants are those of `tests/test_height.py`.
"""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from test_height import scene

from collarvision import height as height_room
from collarvision.arch import Candidate
from collarvision.calibration import Calibration
from collarvision.height import Z_90, measure


def sigma_mm(parts, plant, scale):
    """One standard deviation, before a calibration, where no other leaf may govern the height."""
    only = [Candidate((plant.arch.x, plant.arch.y), 1.0)]
    with mock.patch.object(height_room, "governing", return_value=only):
        found = measure(parts, plant, scale, interval_factor=1.0)
    return np.ptp(found.interval_mm) / 2 / Z_90


def test_the_factor_widens_both_halves_alike():
    drawn = scene()
    plain, wide = (measure(*drawn, interval_factor=factor) for factor in (1.0, 2.0))
    assert wide.height_mm == plain.height_mm
    for end in (0, 1):
        half = plain.interval_mm[end] - plain.height_mm
        assert abs(half) > 5.0
        assert wide.interval_mm[end] - wide.height_mm == pytest.approx(2 * half)


def test_no_interval_reaches_into_the_soil():
    low, high = measure(*scene(), interval_factor=40.0).interval_mm
    assert low == 0.0
    assert high > 500.0


def test_unless_told_otherwise_the_factor_is_the_calibrations(monkeypatch):
    drawn = scene()
    wanted = measure(*drawn, interval_factor=1.7).interval_mm
    monkeypatch.setattr(height_room, "load_calibration", lambda: Calibration(interval_factor=1.7))
    assert measure(*drawn).interval_mm == pytest.approx(wanted)


def test_the_error_of_the_scale_is_one_of_the_heights():
    """Independent errors add by their squares (any textbook): 180 mm by 0.1 are 18 mm of sigma."""
    parts, plant, scale = scene()
    before = sigma_mm(parts, plant, replace(scale, relative_error=0.0))
    after = sigma_mm(parts, plant, replace(scale, relative_error=0.1))
    high = measure(parts, plant, scale).height_mm
    assert after**2 - before**2 == pytest.approx((0.1 * high) ** 2, rel=0.05)


def test_an_assumed_lens_makes_a_corrected_height_less_sure():
    parts, plant, scale = scene(height_mm=400.0, offset_mm=60.0)
    found = measure(parts, plant, scale)
    known, assumed = (
        sigma_mm(parts, plant, replace(scale, focal_assumed=guess)) for guess in (False, True)
    )
    # A tenth of the parallax that was taken off.
    parallax = found.uncorrected_mm - found.height_mm
    assert parallax > 20.0
    assert assumed**2 - known**2 == pytest.approx((0.1 * parallax) ** 2, rel=0.05)
