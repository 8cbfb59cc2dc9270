"""Report's plots: words that no line runs through, and signs that stand where they can be read."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree

import pytest
from fields import LIMITS, VISIT, fill, walk, weather_csv
from test_report import INCHES, answer_of

from collarvision.decision import FieldAnswer
from collarvision.report.page import report_page
from collarvision.report.plots import heights
from collarvision.report.svg import Drawing
from collarvision.report.windowplot import draw_window


@pytest.fixture
def answer(tmp_path: Path) -> FieldAnswer:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 20, height_in=7), VISIT - timedelta(days=7))
    fill(path, "North", walk([4] * 12 + [5] * 8, height_in=12))
    return answer_of(path, "North", weather_csv(tmp_path / "t.csv"), LIMITS)


def test_words_lie_over_what_is_drawn_and_keep_a_rim(answer: FieldAnswer) -> None:
    """The day's dotted line, drawn last of the lines, ran through the names of limits."""
    drawing = Drawing(9, 9, "x")
    drawing.words(1, 1, "first", "small")
    drawing.line([(0, 0), (9, 9)], "today")
    for svg in (drawing.text(), draw_window(answer, INCHES) or ""):
        tags = [node.tag for node in ElementTree.fromstring(svg)]
        assert "polyline" in tags
        assert "polyline" not in tags[tags.index("text") :]
    assert re.search(r"svg \.small \{[^}]*paint-order: stroke", report_page(answer, INCHES))


def test_the_mean_of_heights_hides_no_number(answer: FieldAnswer) -> None:
    root = ElementTree.fromstring(heights(answer, INCHES) or "")
    axis = next(n for n in root.iter() if n.get("class") == "axis")
    base = float((axis.get("points") or "").split()[0].split(",")[1])
    (mean,) = (n for n in root.iter() if n.get("class") == "mark" and n.get("points"))
    lowest = max(float(pair.split(",")[1]) for pair in (mean.get("points") or "").split())
    dots = [n for n in root.iter() if n.get("class") == "mark pale"]
    assert lowest < min(float(n.get("cy") or 0) - float(n.get("r") or 0) for n in dots) < base


def test_the_legend_of_the_strips_names_closing(answer: FieldAnswer) -> None:
    assert "</i>open or closing</span>" in report_page(answer, INCHES)
