"""The report in a browser: a phone's width, a desk's, and paper."""

from __future__ import annotations

import base64
import io
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from command import run
from fields import BOUNDARY, LIMITS, VISIT, fill, plant, walk, weather_csv

AXE = Path(__file__).parent / "browser" / "axe.min.js"


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report with everything in it, and names as long as people give them."""
    folder = tmp_path_factory.mktemp("report")
    survey, limits = folder / "season.survey", folder / "limits.toml"
    field = "Behind the old grain store on the creek, part 7"
    fill(survey, field, walk([3] * 20, height_in=7), VISIT - timedelta(days=7), boundary=BOUNDARY)
    waiting = (plant(90, 5, sure=0.5, outcome="hand-count"), "2")
    fill(survey, field, [*walk([4] * 12 + [5] * 8, height_in=12), waiting])
    limits.write_text(LIMITS, encoding="utf-8")
    out = folder / "report.html"
    result = run(
        "field", survey, "--day", VISIT + timedelta(days=1), "--limits", limits,
        "--temperatures", weather_csv(folder / "t.csv"), "--report", out,
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    return out


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_it_fits_and_people_with_a_screen_reader_can_use_it(
    report: Path, window: Any, width: int
) -> None:
    metrics = {"width": width, "height": 800, "deviceScaleFactor": 1, "mobile": width < 800}
    window.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    window.execute_cdp_cmd("Page.setBypassCSP", {"enabled": True})  # for axe, not for the page
    window.get(report.as_uri())
    assert window.execute_script("return document.documentElement.scrollWidth") <= width
    window.execute_script(AXE.read_text(encoding="utf-8"))
    found = window.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(r => done(r.violations))"
    )
    assert [(one["id"], one["nodes"][0]["html"]) for one in found] == []


@pytest.mark.parametrize(("paper", "inches"), [("A4", (8.27, 11.69)), ("Letter", (8.5, 11.0))])
def test_it_prints(report: Path, window: Any, paper: str, inches: tuple[float, float]) -> None:
    pypdf = pytest.importorskip("pypdf")
    window.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    window.get(report.as_uri())
    # On a busy machine a page may be printed before it is laid out, and is one page then.
    window.execute_async_script(
        "const done = arguments[0]; document.fonts.ready.then(() => requestAnimationFrame(() => "
        "requestAnimationFrame(done)))"
    )
    asked = {"paperWidth": inches[0], "paperHeight": inches[1], "printBackground": True}
    data = window.execute_cdp_cmd("Page.printToPDF", asked)["data"]
    pages = pypdf.PdfReader(io.BytesIO(base64.b64decode(data))).pages
    assert 3 <= len(pages) <= 8, paper
    first = pages[0].extract_text()
    assert "Product A, over the top" in first
    assert "Before you spray" in first
