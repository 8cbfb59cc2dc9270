"""Fewer divisions into folds than a real calibration takes: each fit is the same."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def two_divisions() -> Iterator[None]:
    """Divide cases into folds twice, not six times."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("training.calibrate.REPEATS", 2)
        yield
