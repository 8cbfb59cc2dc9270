"""How the hand-count page looks and is reached: axe-core, small screens, rules told twice alike."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from browsing import Page, Served, browser, own_address, served, until
from countable import make_survey

from collarvision.answer import Reading
from collarvision.handcount.measuring import yardstick
from collarvision.handles import Handle, problems, stage_of
from collarvision.survey import HandCount, SurveyWriter

pytestmark = pytest.mark.slow

# axe-core 4.14.1, MPL-2.0, as npm's registry gives it; its licence lies beside it.
AXE = Path(__file__).parent / "browser" / "axe.min.js"
PAGES = ("/queue", "/plants", "/take", "/agreement", "/phone", "/plants/{sha}", "/nothing-here")


@pytest.fixture(scope="module")
def survey(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[bytes, Reading]
) -> tuple[Path, list[str]]:
    path, hashes = make_survey(tmp_path_factory.mktemp("survey"), drawn)
    with SurveyWriter(path, create=True) as store:
        for who, stage in (("Ann", 3), ("Bo", 4)):
            count = HandCount(who, "2027-05-20T10:00", stage, height_mm=200.0, way="on-plant")
            store.add_hand_count(hashes[0], count)
    return path, hashes


@pytest.fixture(scope="module")
def site(survey: tuple[Path, list[str]]) -> Iterator[Served]:
    with served(survey[0]) as found:
        yield found


@pytest.fixture(scope="module", params=[(320, 640), (390, 844), (1280, 900)], ids=str)
def window(request: pytest.FixtureRequest) -> Iterator[Any]:
    width, height = request.param
    with browser(width, height, touch=width < 500) as opened:
        yield opened


def found_by_axe(window: Any) -> list[str]:
    """Violations that axe calls serious or critical, contrast AA among them."""
    window.execute_script(AXE.read_text(encoding="utf-8"))
    found = window.execute_async_script(
        "const done = arguments[0]; axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a',"
        " 'wcag21aa', 'wcag22aa', 'best-practice']}).then(r => done(r.violations))"
    )
    return [
        f"{one['id']}: {node['html'][:200]} {node.get('failureSummary', '')}"
        for one in found
        if one["impact"] in ("serious", "critical")
        for node in one["nodes"]
    ]


def test_axe_finds_a_bad_page_bad(window: Any) -> None:
    window.get("data:text/html,<title>x</title><p style='color:%23ccc'>pale</p><img src=x><input>")
    found = " ".join(found_by_axe(window))
    for rule in ("color-contrast", "image-alt", "label", "html-has-lang"):
        assert rule in found


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_serious_and_nothing_is_too_wide(
    window: Any, site: Served, survey: tuple[Path, list[str]], path: str
) -> None:
    window.get(site.url + path.format(sha=survey[1][0]))
    if "{sha}" in path:
        Page(window, site).ready()
    assert found_by_axe(window) == []
    wide, screen = window.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= screen


def test_the_pages_of_a_phone_that_comes_in_are_sound(
    window: Any, survey: tuple[Path, list[str]]
) -> None:
    with served(survey[0], "0.0.0.0", own_address()) as shared:
        window.get(f"{shared.url}/queue")
        assert window.current_url == f"{shared.url}/enter"
        window.find_element("id", "code").send_keys("ABCD-EFGH")
        window.find_element("css selector", "#enter button").click()
        until(lambda: window.find_elements("css selector", ".problem"))
        assert found_by_axe(window) == []
        window.get(shared.url.replace(own_address(), "localhost") + "/phone")
        assert window.find_element("css selector", ".code").text == shared.gate.code().shown
        assert found_by_axe(window) == []
        wide, screen = window.execute_script(
            "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
        )
        assert wide <= screen


def test_what_opens_on_a_plant_is_sound_too(
    window: Any, site: Served, survey: tuple[Path, list[str]]
) -> None:
    page = Page(window, site).open(survey[1][0])
    page.call_me("Ann")
    page.keys("n", "n", "n")
    page.click("add")
    page.keys("l")
    page.run("document.querySelector('details').open = true")
    assert found_by_axe(window) == []
    for key, dialog in (("e", "type"), ("x", "aside"), ("?", "help"), ("w", "who")):
        page.keys("\ue00c", key)
        until(lambda d=dialog: page.run(f"return document.getElementById('{d}-dialog').open"))
        assert found_by_axe(window) == [], dialog
        page.run(f"document.getElementById('{dialog}-dialog').close('cancel')")
    page.run("localStorage.clear()")


def test_buttons_are_large_enough_for_a_thumb_and_in_reach(
    window: Any, site: Served, survey: tuple[Path, list[str]]
) -> None:
    page = Page(window, site).open(survey[1][0])
    page.keys("n", "n")
    small = page.run(
        "return [...document.querySelectorAll('.tools button, .zoom button, .side button, #help')]"
        ".filter(b => b.offsetParent).map(b => [b.id, b.getBoundingClientRect().toJSON()])"
        ".filter(([id, r]) => r.width < 44 || r.height < 44)"
    )
    assert small == []  # 44 px: WCAG 2.2, target size, enhanced
    low, screen = page.run(
        "return [document.getElementById('save').getBoundingClientRect().bottom, innerHeight]"
    )
    assert low <= screen
    if page.run("return innerWidth") < 500:
        assert low > 0.75 * screen  # within the reach of the thumb that holds the phone


def test_whoever_hears_the_page_is_told(
    window: Any, site: Served, survey: tuple[Path, list[str]]
) -> None:
    page = Page(window, site).open(survey[1][0])
    page.keys("n", "n")
    until(lambda: "Collar of leaf 1 chosen" in page.text("spoken"))
    page.keys("l")
    until(lambda: "Leaf 1 lost. V3" in page.text("spoken"))
    assert page.run("return document.getElementById('spoken').getAttribute('aria-live')")
    listed = page.run(
        "return [...document.querySelectorAll('#handles button')].map(b => b.innerText)"
    )
    assert "Leaf 1, lost" in [words.strip() for words in listed]
    page.run("localStorage.clear()")


def random_handles(draw: random.Random) -> list[Handle]:
    def rank() -> int:
        return draw.randint(0, 6)

    def place() -> dict[str, float]:
        return {"x": draw.uniform(-20, 920), "y": draw.uniform(-20, 1220)}

    found = [Handle("collar", rank=rank(), **place()) for _ in range(draw.randint(0, 5))]
    found += [
        Handle("tip", rank=draw.choice([None, rank()]), rounded=draw.random() < 0.2, **place())
        for _ in range(draw.randint(0, 4))
    ]
    found += [Handle("leaf", rank=rank(), lost=True) for _ in range(draw.randint(0, 2))]
    return found


def test_the_browser_counts_and_measures_as_the_computer_does(
    site: Served, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading]
) -> None:
    draw = random.Random(3)
    cases = [random_handles(draw) for _ in range(300)]
    record = drawn[1].record()
    ruler = yardstick(record)
    assert ruler is not None
    points = [((330.5, 1050.5), (draw.uniform(0, 900), draw.uniform(0, 1200))) for _ in range(50)]
    with browser(800, 600) as opened:
        page = Page(opened, site).open(survey[1][0])
        told = opened.execute_async_script(
            "const [cases, size, ruler, points, done] = arguments;"
            "Promise.all([import('/static/marks.js'), import('/static/ruler.js')]).then(([m, r]) =>"
            " done([cases.map(c => [m.stageOf(c), m.problemsOf(c, size)]),"
            " points.map(([s, a]) => r.heightMm(ruler, {x: s[0], y: s[1]}, {x: a[0], y: a[1]}))]))",
            [[asdict(handle) for handle in case] for case in cases],
            [900, 1200],
            asdict(ruler),
            points,
        )
        assert page.complaints() == []
    for case, (stage, words) in zip(cases, told[0], strict=True):
        assert stage == stage_of(case)
        assert words == list(problems(case, (900, 1200)))
    heights = [ruler.height_mm(soil, arch) for soil, arch in points]
    assert told[1] == [None if h is None else pytest.approx(h) for h in heights]
    assert sum(h is not None for h in heights) > 20
