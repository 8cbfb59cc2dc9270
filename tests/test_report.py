"""Report: one file with everything inside, nothing run, every name escaped."""

from __future__ import annotations

import hashlib
import itertools
import re
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from fields import BOUNDARY, LIMITS, VISIT, fill, plant, walk, weather_csv
from PIL import Image
from surveys import MODEL

from collarvision.answer import CollarMark, Reading, TipMark
from collarvision.boundary import metres_a_degree
from collarvision.decision import FieldAnswer, decide
from collarvision.fieldvisits import FieldVisit, visits_of
from collarvision.limitsfile import parse_limits
from collarvision.limitwords import CAUTION
from collarvision.outlook import look_ahead, read_weather
from collarvision.report import write_report, write_split_stalk_page
from collarvision.report.fieldmap import draw_map, map_stops
from collarvision.report.page import report_page
from collarvision.report.plots import distribution, heights
from collarvision.report.sheet import make_sheet
from collarvision.report.stalkdrawing import draw_stalk
from collarvision.report.svg import Drawing, round_steps
from collarvision.report.windowplot import draw_window
from collarvision.survey import FileFacts, HandCount, Place, SurveyReader, SurveyWriter
from collarvision.units import Shown
from collarvision.writing import OutputError

TODAY = VISIT + timedelta(days=1)
INCHES = Shown("in")
EVIL = '<script>alert("x")</script>'


def answer_of(
    path: Path, field: str, weather: Path | None = None, typed: str = LIMITS
) -> FieldAnswer:
    limits = parse_limits(typed)
    with SurveyReader(path) as store:
        found = visits_of(store, field)
    outlook = None
    if weather is not None:
        dated = [(v.day, v.evidence) for v in (*found.earlier, found.chosen) if v.day]
        outlook = look_ahead(dated, read_weather(weather, None, TODAY), limits)
    return decide(found, TODAY, limits=limits, outlook=outlook)


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "season.survey"
    fill(path, "North", walk([3] * 20, height_in=7), VISIT - timedelta(days=7), boundary=BOUNDARY)
    fill(path, "North", walk([4] * 12 + [5] * 8, height_in=12))
    return path


@pytest.fixture
def answer(survey: Path, tmp_path: Path) -> FieldAnswer:
    return answer_of(survey, "North", weather_csv(tmp_path / "t.csv"))


class _Links(HTMLParser):
    """Tags opened and not closed, and whatever the page would fetch."""

    VOID = frozenset({"meta", "img", "br", "link", "input", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        self.fetched += [
            value or "" for name, value in attrs if name in ("src", "href", "data", "action")
        ]

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def parsed(page: str) -> _Links:
    reader = _Links()
    reader.feed(page)
    assert reader.open == []
    return reader


def test_a_page_that_needs_nothing_beside_it(answer: FieldAnswer, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    write_report(answer, out, INCHES)
    page = out.read_text(encoding="utf-8")
    found = parsed(page)
    assert not [link for link in found.fetched if not link.startswith("data:image/jpeg")]
    assert "script" not in found.tags
    assert "default-src 'none'" in page
    assert "@page" in page
    assert "url(" not in page
    for said in ("North", "Visit of 2027-06-04", "Product A, over the top", "2027-08-26", "V4"):
        assert said in page
    # Verdicts come before the evidence, and each has the caution.
    assert page.index("Product A, over the top") < page.index("The plants")
    assert page.count(CAUTION) >= 3 + 2
    assert list(tmp_path.glob("*.part")) == []


def test_drawings_are_sound_and_say_what_they_show(answer: FieldAnswer) -> None:
    drawings = [
        distribution(answer),
        heights(answer, INCHES),
        draw_window(answer, INCHES),
        draw_map(answer),
        draw_stalk(),
    ]
    for svg in drawings:
        assert svg is not None
        root = ElementTree.fromstring(svg)
        assert root.get("aria-label")
        width, height = (float(v) for v in (root.get("viewBox") or "").split()[2:])
        for node in root.iter():
            for name, most in (("x", width), ("cx", width), ("y", height), ("cy", height)):
                if node.get(name) is not None:
                    assert -1 <= float(node.get(name) or 0) <= most + 1, node.attrib
            for pair in (node.get("points") or "").split():
                x, y = map(float, pair.split(","))
                assert -1 <= x <= width + 1
                assert -1 <= y <= height + 1


def lanes(answer: FieldAnswer) -> list[str]:
    root = ElementTree.fromstring(draw_window(answer, INCHES) or "")
    return [kind for n in root.iter() if (kind := n.get("class") or "").startswith("lane")]


def test_the_plot_counts_collars_as_the_sentence_does(answer: FieldAnswer) -> None:
    assert answer.outlook is not None
    root = ElementTree.fromstring(draw_window(answer, INCHES) or "")
    ticks = {
        int(n.text): float(n.get("y") or 0) - 4
        for n in root.iter()
        if (n.text or "").isdigit() and float(n.get("y") or 0) < 218
    }
    a_leaf = ticks[4] - ticks[5]
    # 12 plants of 4 collars and 8 of 5, a week before that 20 of 3.
    dots = [float(n.get("cy") or 0) for n in root.iter() if n.get("class") == "mark"][:2]
    assert [(ticks[4] - y) / a_leaf + 4 for y in dots] == pytest.approx([3.0, 4.4], abs=0.02)
    course = next(n for n in root.iter() if "course" in (n.get("class") or ""))
    first = float((course.get("points") or "").split()[0].split(",")[1])
    assert (ticks[4] - first) / a_leaf + 4 == pytest.approx(
        answer.outlook.collars[0].middle, abs=0.05
    )
    assert answer.outlook.collars[0].middle == pytest.approx(4.4, abs=0.2)
    # "Up to 6" and "up to 8": 7 and 9 collars on half of the plants are means of 6.5 and 8.5.
    limits = [n for n in root.iter() if n.get("class") == "limit"]
    lines = [float((n.get("points") or "").split()[0].split(",")[1]) for n in limits]
    found = sorted((ticks[4] - y) / a_leaf + 4 for y in lines if y < ticks[4])
    assert found == pytest.approx([6.5, 8.5], abs=0.02)


CLOSE = "".join(
    f'[[limit]]\nname = "Product {name}, over the top of rows"\nmethod = "any"\nleaf = "collars"\n'
    f'max_leaves = {leaves}\nmax_height = "{inches} in"\n'
    for name, leaves, inches in [("A", 6, 20), ("B", 8, 22), ("C", 7, 24), ("D", 6, 14)]
)


def boxes(root: ElementTree.Element) -> list[tuple[float, float, float, float, str]]:
    """Left, top, right and bottom of every line of text, by a usual letter's size."""
    found = []
    for node in root.iter():
        if node.text and (node.get("class") or "").startswith("small"):
            x, y, wide = float(node.get("x") or 0), float(node.get("y") or 0), 5.6 * len(node.text)
            x -= (
                wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[node.get("text-anchor") or "start"]
            )
            found.append((x, y - 8.5, x + wide, y + 1.5, node.text))
    return found


@pytest.mark.parametrize("draw", [heights, draw_window])
@pytest.mark.parametrize("typed", [LIMITS, CLOSE])
def test_words_in_a_plot_keep_apart(
    survey: Path, tmp_path: Path, draw: Callable[..., str | None], typed: str
) -> None:
    answer = answer_of(survey, "North", weather_csv(tmp_path / "t.csv"), typed)
    root = ElementTree.fromstring(draw(answer, INCHES) or "")
    found = boxes(root)
    assert len(found) > 8
    for a, b in itertools.combinations(found, 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a[4], b[4])
    for node in root.iter():
        if node.get("class") == "limit":
            (x0, y0), (x1, y1) = (
                tuple(map(float, pair.split(","))) for pair in (node.get("points") or "").split()
            )
            for left, top, right, bottom, said in found:
                apart = x1 <= left or right <= x0 or max(y0, y1) <= top or bottom <= min(y0, y1)
                ticks = said.replace(".", "").isdigit()  # an axis's own, beside the plot
                assert apart or ticks, said


def test_a_limit_far_off_is_named_all_the_same(survey: Path) -> None:
    answer = answer_of(survey, "North", typed=LIMITS.replace("36 in", "90 in"))
    assert "90.0 in (far to the right) up to: Product B" in (heights(answer, INCHES) or "")


def test_no_green_while_a_limit_cannot_be_told(answer: FieldAnswer) -> None:
    # A is reached at the visit, and since when nobody knows; B has no minimum to be reached.
    assert lanes(answer) == ["lane", "lane may", "lane sure", "lane unknown"] + [
        "lane", "lane may", "lane sure"
    ]  # fmt: skip
    held = [
        replace(verdict, word="can't tell") if verdict.name != "Product B" else verdict
        for verdict in answer.verdicts
    ]
    mixed = replace(answer, verdicts=tuple(held))
    assert lanes(mixed) == ["lane unknown", "lane", "lane may", "lane sure"]
    page = " ".join(report_page(mixed, INCHES).split())
    assert "Product A, over the top: can&#39;t tell" in page.replace("can't", "can&#39;t")
    assert "No dates for what can&#39;t be told yet: Product A, over the top, A with B." in page
    assert page.count("<dt>Closes</dt>") == 1
    assert "not known: before the visit, or can't tell" in page


def test_every_name_is_escaped(survey: Path) -> None:
    fill(survey, EVIL, [(replace(plant(k, 7, height_in=25), photo=f"{EVIL}{k}.jpg"), EVIL)
                        for k in range(12)], boundary=BOUNDARY)  # fmt: skip
    limits = parse_limits(LIMITS.replace("Product B", "<b>B</b> & 'C'"))
    with SurveyReader(survey) as store:
        page = report_page(decide(visits_of(store, EVIL), TODAY, limits=limits), INCHES)
    found = parsed(page)
    assert "script" not in found.tags
    assert "b" not in found.tags
    assert "&lt;script&gt;" in page
    assert "&lt;b&gt;B&lt;/b&gt;" in page


def test_without_plants_limits_heights_or_weather(survey: Path, tmp_path: Path) -> None:
    fill(survey, "Bare", [(plant(1, 4, outcome="hand-count", sure=0.4, at=None), "")])
    with SurveyReader(survey) as store:
        bare = decide(visits_of(store, "Bare"), TODAY)
    page = report_page(bare, INCHES)
    parsed(page)
    assert "No plant has an answer yet" in page
    assert "No limits were given" in page
    assert draw_map(bare) is None
    assert draw_window(bare, INCHES) is None
    assert heights(bare, INCHES) is None


def test_the_map_keeps_distances(answer: FieldAnswer) -> None:
    """Two stops' distance on the drawing, by its own scale bar, against WGS84 degrees."""
    stops = map_stops(answer.plants)
    lat_m, lon_m = metres_a_degree(stops[0].lat)
    metres = np.hypot(
        (stops[-1].lat - stops[0].lat) * lat_m, (stops[-1].lon - stops[0].lon) * lon_m
    )
    root = ElementTree.fromstring(draw_map(answer) or "")
    dots = [n for n in root.iter() if n.get("class") == "stop"]
    drawn = np.hypot(
        float(dots[-1].get("cx") or 0) - float(dots[0].get("cx") or 0),
        float(dots[-1].get("cy") or 0) - float(dots[0].get("cy") or 0),
    )
    bar = next(n for n in root.iter() if n.get("class") == "axis")
    xs = [float(pair.split(",")[0]) for pair in (bar.get("points") or "").split()]
    words = next(n.text or "" for n in root.iter() if " m (" in (n.text or ""))
    assert drawn / (max(xs) - min(xs)) * float(words.split()[0]) == pytest.approx(metres, rel=0.02)
    # North is up.
    assert float(dots[-1].get("cy") or 0) < float(dots[0].get("cy") or 0)


def test_boundaries_that_are_no_polygon_are_passed_over(answer: FieldAnswer) -> None:
    for geometry in (
        {"type": "Point", "coordinates": [1, 2]},
        {"type": "Polygon", "coordinates": [["x"]]},
        {"type": "Polygon", "coordinates": None},
        {"type": "MultiPolygon", "coordinates": [BOUNDARY["coordinates"]]},
    ):
        assert draw_map(replace(answer, boundary=geometry)) is not None


def test_parts_that_lie_over_each_other_are_drawn_one_by_one(answer: FieldAnswer) -> None:
    """Drawn as one, what they have in common would look like a hole."""
    geometry = {"type": "MultiPolygon", "coordinates": [BOUNDARY["coordinates"]] * 2}
    page = draw_map(replace(answer, boundary=geometry)) or ""
    assert page.count('class="outline"') == 2


def photo(folder: Path, name: str, size: tuple[int, int] = (900, 1200)) -> tuple[Path, str]:
    random = np.random.default_rng(int(name[4:8]))
    picture = random.integers(0, 255, (size[1] // 8, size[0] // 8, 3)).astype(np.uint8)
    path = folder / name
    Image.fromarray(picture).resize(size).save(path, quality=90)
    return path, hashlib.sha256(path.read_bytes()).hexdigest()


def marked(number: int, **more: object) -> Reading:
    found = plant(number, 3, height_in=8, **more)  # type: ignore[arg-type]
    return replace(
        found,
        photo_size=(900, 1200),
        collars=tuple(CollarMark(k, 450.0, 1000.0 - 90 * k, 0.9) for k in (1, 2, 3)),
        tips=tuple(TipMark(k, 450.0 + 120 * (-1) ** k, 700.0, "pointed", 0.9) for k in (1, 2)),
        soil_line=(450.0, 1010.0),
        arch=(470.0, 640.0),
    )


@pytest.fixture
def with_photos(survey: Path, tmp_path: Path) -> Path:
    folder = tmp_path / "photos"
    folder.mkdir()
    with SurveyWriter(survey, create=True) as store:
        for number, (sure, outcome) in enumerate(
            [(0.97, "staged"), (0.9, "staged"), (0.4, "hand-count"), (0.6, "hand-count")]
        ):
            path, key = photo(folder, f"IMG_{number:04}.jpg")
            found = marked(number, sure=sure, outcome=outcome)
            store.add_reading(
                found,
                sha256=key,
                model=MODEL,
                place=Place("Pictured", VISIT.isoformat(), "1"),
                file=FileFacts(str(path), path.stat().st_size, 0, 0),
            )
    return survey


def test_the_sheet_shows_the_uncertain_first(with_photos: Path) -> None:
    sheet = make_sheet(answer_of(with_photos, "Pictured"), INCHES)
    names = [picture.name for picture in sheet.pictures]
    assert names[:2] == ["IMG_0002.jpg", "IMG_0003.jpg"]
    assert set(names[2:]) == {"IMG_0000.jpg", "IMG_0001.jpg"}
    assert [p.doubtful for p in sheet.pictures] == [True, True, False, False]
    first = sheet.pictures[0]
    assert max(first.width, first.height) <= 460
    assert first.answer == "V3?, not sure 40%: count by hand"
    assert "Leaf 1 is probably lost." in first.lines


def test_the_sheet_marks_no_plant_for_one_of_an_earlier_visit(with_photos: Path) -> None:
    with SurveyReader(with_photos) as store:
        found = visits_of(store, "Pictured")
    before = VISIT - timedelta(days=7)
    named_alike = tuple(
        replace(p, evidence=replace(p.evidence, hand_count=9, taken_at=before))
        for p in found.chosen.plants
    )
    found = replace(found, earlier=(FieldVisit(before, 1, named_alike),))
    answer = decide(found, TODAY, limits=parse_limits(LIMITS))
    assert [(one.word, one.then) for one in answer.verdicts] == [("past", before)] * 3
    pictures = make_sheet(answer, INCHES).pictures
    assert pictures
    assert not any("Decides a verdict." in one.lines for one in pictures)


def test_a_height_in_doubt_keeps_its_sign(with_photos: Path) -> None:
    answer = answer_of(with_photos, "Pictured")
    wide = replace(answer.plants[0].evidence, height_interval_mm=(120.0, 300.0))
    answer = replace(answer, plants=(replace(answer.plants[0], evidence=wide), *answer.plants[1:]))
    lines = {p.name: p.lines for p in make_sheet(answer, INCHES).pictures}
    assert "8.0 in?" in lines[wide.name]
    assert sum("8.0 in" in one for one in lines.values()) == 3
    assert "A stage or height with ? is in doubt" in report_page(answer, INCHES)


def test_a_counted_plant_says_who_counted(with_photos: Path) -> None:
    with SurveyWriter(with_photos, create=True) as store:
        for row, counted in zip(
            list(store.plants("Pictured")), ((5, None), (None, 3)), strict=False
        ):
            stage, nodes = counted
            made = HandCount("Ann", "2027-06-04T15:00:00+00:00", stage, nodes)
            store.add_hand_count(row.sha256, made)
    said = {p.name: p for p in make_sheet(answer_of(with_photos, "Pictured"), INCHES).pictures}
    assert said["IMG_0000.jpg"].answer == "V5, counted by hand (Ann)"
    assert "read as V3" in said["IMG_0000.jpg"].lines
    assert said["IMG_0001.jpg"].answer == "V7, counted by nodes (Ann)"


def test_the_sheet_is_bounded(with_photos: Path) -> None:
    answer = answer_of(with_photos, "Pictured")
    assert make_sheet(answer, INCHES, most=3).left_out == 1
    small = make_sheet(answer, INCHES, most_bytes=len(make_sheet(answer, INCHES).pictures[0].data))
    assert (len(small.pictures), small.left_out) == (1, 3)


def test_photos_that_moved_or_changed_are_not_shown(with_photos: Path) -> None:
    answer = answer_of(with_photos, "Pictured")
    paths = [Path(p.path or "") for p in answer.plants]
    paths[0].unlink()
    Image.new("RGB", (900, 1200)).save(paths[1])
    sheet = make_sheet(answer, INCHES)
    assert (len(sheet.pictures), sheet.not_found) == (2, 2)
    page = report_page(answer, INCHES)
    assert "2 photos are no longer where the survey saw them" in " ".join(page.split())
    assert page.count("data:image/jpeg;base64,") == 2


def test_the_marks_stand_on_their_spots(with_photos: Path) -> None:
    """The yellow soil line is drawn where the record has it, crop and scale undone."""
    import base64
    import io

    sheet = make_sheet(answer_of(with_photos, "Pictured"), INCHES)
    data = base64.b64decode(sheet.pictures[0].data.split(",")[1])
    rgb = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    yellow = (rgb[..., 0] > 200) & (rgb[..., 1] > 190) & (rgb[..., 2] < 120)
    rows = np.flatnonzero(yellow.sum(axis=1) > 20)
    # Marks reach from y 640 to 1010 with room on both sides: the soil is low in the picture.
    assert 0.75 < rows.mean() / rgb.shape[0] < 0.9


def test_a_page_that_cannot_be_written(answer: FieldAnswer, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="make it first"):
        write_report(answer, tmp_path / "none" / "r.html", INCHES)
    with pytest.raises(OutputError, match="is a folder"):
        write_report(answer, tmp_path, INCHES)
    write_split_stalk_page(tmp_path / "s.html")
    parsed((tmp_path / "s.html").read_text(encoding="utf-8"))


def test_words_in_drawings_are_escaped() -> None:
    drawing = Drawing(10, 10, '"<&>"')
    drawing.words(1, 1, "<&>")
    root = ElementTree.fromstring(drawing.text())
    assert root.get("aria-label") == '"<&>"'
    assert root[0].text == "<&>"


@pytest.mark.parametrize(("low", "high"), [(0, 7.3), (2.1, 14), (0, 1000), (3, 3.2), (0, 0.9)])
def test_round_steps(low: float, high: float) -> None:
    steps = round_steps(low, high, 5)
    assert 4 <= len(steps) <= 12
    assert low <= steps[0]
    assert steps[-1] <= high + 1e-6
    assert np.ptp(np.diff(steps)) < 1e-6
    # Round: a step is 1, 2 or 5 times a power of ten.
    digits = re.sub(r"[0.]|e.*", "", f"{steps[1] - steps[0]:.6f}")
    assert digits in ("1", "2", "5")
