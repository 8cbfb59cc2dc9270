"""A weak network, a small screen, a comma for a point: in a headless Chromium."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Page, Served, browser, until
from countable import make_survey

from collarvision.answer import Reading
from collarvision.survey import HandCount, SurveyReader, SurveyWriter

pytestmark = pytest.mark.slow

Survey = tuple[Path, list[str]]


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading], stand_in: Path) -> Survey:
    return make_survey(tmp_path, drawn)


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with browser(390, 844, touch=True) as opened:
        yield opened


@pytest.fixture
def page(phone: Any, site: Served, survey: Survey) -> Iterator[Page]:
    block(phone)
    phone.get(f"{site.url}/static/icon.svg")
    opened = Page(phone, site)
    opened.call_me("Ann")
    yield opened
    block(phone)
    opened.run("localStorage.clear(); sessionStorage.clear()")


def block(window: Any, *urls: str) -> None:
    """Let everything through to the computer but these."""
    window.execute_cdp_cmd("Network.enable", {})
    window.execute_cdp_cmd("Network.setBlockedURLs", {"urls": list(urls)})


def type_count(page: Page, **typed: str) -> None:
    page.click("type")
    until(lambda: page.run("return document.getElementById('type-dialog').open"))
    for name, words in typed.items():
        page.window.find_element("id", name.replace("_", "-")).send_keys(words)
    page.window.find_element("css selector", "#type-form [value=ok]").click()


def shown(page: Page, name: str) -> bool:
    return bool(page.window.find_element("id", name).is_displayed())


def off(page: Page) -> list[bool]:
    return [bool(page.run(f"return {name}.disabled")) for name in ("agree", "save")]


def test_a_photo_that_a_weak_network_lost_comes_at_a_later_try(page: Page, survey: Survey) -> None:
    block(page.window, "*/photos/*")
    page.window.get(f"{page.site.url}/plants/{survey[1][0]}")
    until(lambda: shown(page, "later"), "for the word that it is tried again")
    assert page.text("later") == "The photo couldn't be loaded: it is tried again."
    assert not shown(page, "gone")
    assert off(page) == [True, True]
    words = page.run(
        "const r = document.createRange(); r.selectNodeContents(later);"
        "return r.getBoundingClientRect().right"
    )
    zoom = page.run("return document.querySelector('.zoom').getBoundingClientRect().left")
    assert words <= zoom  # no button lies on its end
    block(page.window)
    page.ready()
    until(lambda: off(page) == [False, False], "for the photo")
    assert not shown(page, "later")
    assert page.window.find_element("id", "photo").is_displayed()
    page.click("agree")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")


def test_a_photo_that_is_gone_is_said_to_be(page: Page, survey: Survey) -> None:
    with SurveyReader(survey[0]) as store:
        (path,) = store.files_of(survey[1][0])
    Path(path).rename(f"{path}.moved")
    page.window.get(f"{page.site.url}/plants/{survey[1][0]}")
    until(lambda: shown(page, "gone"), "for the word that it is gone")
    assert not shown(page, "later")
    assert off(page) == [True, True]


def test_a_count_without_a_connection_outdoes_none_that_was_made_after_it(
    page: Page, survey: Survey
) -> None:
    page.open(survey[1][0]).looked()
    block(page.window, "*/counts*")
    type_count(page, collars="4")
    until(lambda: "No connection" in page.text("post"), "for the banner")
    kept = page.run("return JSON.parse(localStorage.getItem('collarvision-outbox'))[0]")
    # Typed two hours ago by the phone's own clock, and a month and more of another plant: on a
    # page that had been there before.
    page.run(
        "const [one] = JSON.parse(localStorage.getItem('collarvision-outbox'));"
        "one.made -= 2 * 3600e3; one.shownAt = new Date(one.made - 60e3).toISOString();"
        "const two = {...one, key: 'k'.repeat(20), made: one.made - 40 * 86400e3};"
        "two.url = two.url.replace(arguments[0], arguments[1]);"
        "two.body = {...two.body, save_key: two.key};"
        "localStorage.setItem('collarvision-outbox', JSON.stringify([one, two]))",
        *survey[1][:2],
    )
    made = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(time.time() - 3600)) + "+00:00"
    with SurveyWriter(survey[0]) as store:
        store.add_hand_count(survey[1][0], HandCount("Ben", made, 6))
    block(page.window)
    page.run("document.querySelector('#post button').click()")
    until(lambda: page.run("return localStorage.getItem('collarvision-outbox')") == "[]")
    with SurveyReader(survey[0]) as store:
        found = [store.plant(sha256) for sha256 in survey[1][:2]]
        ours, _ = store.hand_counts(survey[1][0])
    assert kept["made"] > 0
    assert [row and row.hand_count and row.hand_count.stage for row in found] == [6, 4]
    assert (ours.who, ours.stage) == ("Ann", 4)
    assert ours.counted_at < made


def test_a_comma_is_a_point_and_one_node_is_one(page: Page, survey: Survey) -> None:
    page.open(survey[1][0]).looked()
    type_count(page, collars="5", typed_height="12,5")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    with SurveyReader(survey[0]) as store:
        (count,) = store.counts()
    assert count.count.height_mm == pytest.approx(12.5 * 25.4)
    page.ready().looked()
    for wrong in ("12.5.", "1,250.5", "a foot", "-3", "0", "Infinity"):
        type_count(page, collars="5", typed_height=wrong)
        assert "Give the height as a number over 0" in page.text("type-problem")
        page.window.find_element("css selector", "#type-form [value=cancel]").click()
    page.click("type")
    page.run("document.querySelector('[name=way][value=split-stalk]').click()")
    page.window.find_element("id", "nodes").send_keys("1\n")
    until(lambda: survey[1][2] in page.window.current_url, "for the next plant")
    assert "IMG_1.jpg: 1 node saved." in page.ready().text("notice")


@pytest.mark.parametrize("width", [195, 320])
def test_a_plant_enlarged_on_a_phone_scrolls_one_way(
    window: Any, site: Served, survey: Survey, width: int
) -> None:
    metrics = {"width": width, "height": 422, "deviceScaleFactor": 2, "mobile": False}
    window.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    try:
        page = Page(window, site).open(survey[1][0])
        found = page.run("return [innerWidth, document.documentElement.scrollWidth]")
        assert (found[0], found[1] <= width) == (width, True), found
        sides = page.run(
            "return ['agree', 'add', 'undo', 'save'].map("
            "i => document.getElementById(i)).map(b => [b.scrollWidth, b.clientWidth])"
        )
        assert all(words <= room for words, room in sides), sides
    finally:
        window.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
