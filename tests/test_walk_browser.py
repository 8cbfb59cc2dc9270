"""The walk's map and a report with zones in a browser: a phone's width, a desk's, and paper."""

from __future__ import annotations

import base64
import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browsing import browser
from command import run
from fields import LIMITS, fill, plant
from flights import FLOWN, SLOPE, flown, geometry, outline

from collarvision.abovereport.files import save_field

AXE = Path(__file__).parent / "browser" / "axe.min.js"
NAME = "Behind the old grain store on the creek, part 7"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("walk")
    save_field(flown(SLOPE, 24), folder / "flight")
    boundary = folder / "slope.geojson"
    feature = {"type": "Feature", "properties": {"name": NAME}, "geometry": geometry(SLOPE)}
    boundary.write_text(json.dumps(feature), encoding="utf-8")
    done = run(
        "walk", folder / "flight", "--boundary", boundary, "--day", FLOWN,
        "--map", folder / "walk.html",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    random = np.random.default_rng(0)
    plants = [
        (plant(10 * stop + k, int(stage), at=outline(SLOPE).degrees(x, y)), str(stop))
        for stop, (x, y) in enumerate([(60, 190), (110, 160), (200, 190), (250, 45)], start=1)
        for k, stage in enumerate(SLOPE.walk_to(x, y, 4, random))
    ]
    fill(folder / "s.survey", NAME, plants, FLOWN, boundary=geometry(SLOPE))
    (folder / "limits.toml").write_text(LIMITS, encoding="utf-8")
    done = run(
        "field", folder / "s.survey", "--day", FLOWN, "--limits", folder / "limits.toml",
        "--above", folder / "flight", "--report", folder / "report.html",
    )  # fmt: skip
    assert done.exit_code == 0, done.stderr
    return {"walk": folder / "walk.html", "report": folder / "report.html"}


@pytest.mark.parametrize("page", ["walk", "report"])
@pytest.mark.parametrize("width", [320, 390, 1280])
def test_they_fit_and_people_with_a_screen_reader_can_use_them(
    pages: dict[str, Path], window: Any, page: str, width: int
) -> None:
    metrics = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 800}
    window.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    window.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})  # for axe, not for the page
    window.get(pages[page].as_uri())
    assert window.execute_script("return document.documentElement.scrollWidth") <= width
    window.execute_script(AXE.read_text(encoding="utf-8"))
    found = window.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(r => done(r.violations))"
    )
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == []


def test_the_map_prints_on_two_pages(pages: dict[str, Path]) -> None:
    pypdf = pytest.importorskip("pypdf", reason="reading a PDF back needs pypdf")
    asked = {"paperWidth": 8.5, "paperHeight": 11.0, "printBackground": True}
    # A window of its own, and not before the page was painted: else it now and then prints nothing.
    with browser(1280, 900) as window:
        window.get(pages["walk"].as_uri())
        window.execute_async_script(
            "const done = arguments[0]; requestAnimationFrame(() => requestAnimationFrame(done))"
        )
        data = window.execute_cdp_cmd("Page.printToPDF", asked)["data"]
    printed = pypdf.PdfReader(io.BytesIO(base64.b64decode(data))).pages
    assert len(printed) <= 2
    assert "Before you spray" in printed[0].extract_text()
    assert "41.70" in printed[-1].extract_text()
