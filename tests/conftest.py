"""Shared fixtures: a drawn plant, the stand-in network that reads it, files and users."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from stand_in import BOARD, DrawnPlant, draw_plant, write_stand_in


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Training's files first: they take longest, and the last one would be waited for alone."""
    items.sort(key=lambda item: "training" not in item.path.parts)


@pytest.fixture(scope="session")
def drawn_plant() -> DrawnPlant:
    return draw_plant()


@pytest.fixture(scope="session")
def bare_board() -> np.ndarray:
    """A board with no plant before it, (1200, 900, 3) uint8."""
    return np.full((1200, 900, 3), BOARD, np.uint8)


@pytest.fixture(scope="session")
def stand_in_model() -> Iterator[Path]:
    """The stand-in network's file, where `ordinary_user` may read it too."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o755)
        path = Path(folder) / "stand-in.onnx"
        write_stand_in(path)
        yield path


@pytest.fixture
def stand_in(stand_in_model: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make the package read photos with the stand-in network."""
    monkeypatch.setenv("COLLARVISION_MODEL", str(stand_in_model))
    return stand_in_model


@pytest.fixture
def save_jpeg(tmp_path: Path) -> Callable[..., Path]:
    """Write an RGB array as a JPEG in the test's folder; keywords go to Pillow's `save`."""
    from PIL import Image

    def save(rgb: np.ndarray, name: str = "plant.jpg", **options: object) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        Image.fromarray(rgb).save(path, quality=95, subsampling=0, **options)
        return path

    return save


@pytest.fixture
def ordinary_user() -> Iterator[Path]:
    """Take root's rights off this process, so that file permissions bind; gives a folder.

    Root may read and write anything, and test machines often run as root.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        folder.chmod(0o777)
        was = os.geteuid()
        if was == 0:
            os.seteuid(65534)
        try:
            yield folder
        finally:
            if was == 0:
                os.seteuid(0)
            for path in folder.rglob("*"):
                path.chmod(0o700)


@pytest.fixture
def trained_network(monkeypatch: pytest.MonkeyPatch) -> Path:
    """The network that ships with the package; skips where the checkout has none."""
    from collarvision.network import ModelError, model_path

    monkeypatch.delenv("COLLARVISION_MODEL", raising=False)
    try:
        return model_path()
    except ModelError as error:
        pytest.skip(str(error))


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, Any]:
    """The drawn plant's photo and its reading, for a survey to hold."""
    from countable import read_drawn_plant

    return read_drawn_plant(tmp_path_factory.mktemp("drawn"))


@pytest.fixture(scope="module")
def window() -> Iterator[Any]:
    """A browser as wide as a desk's."""
    from browsing import browser

    with browser(1280, 900) as opened:
        yield opened


@pytest.fixture
def site(survey: tuple[Path, list[str]]) -> Iterator[Any]:
    """The hand-count page of a test's survey, served."""
    from browsing import served

    with served(survey[0]) as found:
        yield found
