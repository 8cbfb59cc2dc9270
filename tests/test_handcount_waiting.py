"""Counts that wait for the computer, or that nobody meant: in a headless Chromium."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Page, Served, browser, own_address, served, until
from countable import add_plant, make_survey

from collarvision.answer import Reading
from collarvision.survey import SurveyReader, SurveyWriter

pytestmark = pytest.mark.slow

Survey = tuple[Path, list[str]]


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading], stand_in: Path) -> Survey:
    return make_survey(tmp_path, drawn, 4)


@pytest.fixture
def page(window: Any, site: Served, survey: Survey) -> Iterator[Page]:
    window.get(f"{site.url}/static/icon.svg")
    opened = Page(window, site)
    opened.call_me("Ann")
    yield opened.open(survey[1][0])
    connect(opened)
    opened.run("localStorage.clear(); sessionStorage.clear()")


def stages(survey: Survey) -> list[tuple[int, int | None]]:
    """Each count: which plant, and its stage."""
    with SurveyReader(survey[0]) as store:
        return [(survey[1].index(c.sha256), c.count.stage) for c in store.counts()]


def wait_for(survey: Survey, expected: list[tuple[int, int | None]]) -> None:
    until(lambda: len(stages(survey)) >= len(expected), "for counts")
    assert stages(survey) == expected


def connect(page: Page, *blocked: str) -> None:
    """Let everything through to the computer but these."""
    page.window.execute_cdp_cmd("Network.enable", {})
    page.window.execute_cdp_cmd("Network.setBlockedURLs", {"urls": list(blocked)})


def agree_without_connection(page: Page) -> None:
    connect(page, "*/counts*")
    page.click("agree")
    until(lambda: "No connection" in page.text("post"), "for the banner")


def main_buttons(page: Page) -> list[str]:
    script = "return [...document.querySelectorAll('.bench main button.main')].map(b => b.id)"
    return [name for name in page.run(script) if name]


def test_one_press_is_one_count(page: Page, survey: Survey) -> None:
    page.looked()
    key = {"key": "a", "code": "KeyA", "text": "a", "windowsVirtualKeyCode": 65}
    for repeat in (False, *[True] * 24):
        said = {"type": "keyDown", "autoRepeat": repeat, **key}
        page.window.execute_cdp_cmd("Input.dispatchKeyEvent", said)
        time.sleep(0.05)
    page.window.execute_cdp_cmd("Input.dispatchKeyEvent", {"type": "keyUp", **key})
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    wait_for(survey, [(0, 3)])
    page.ready().looked()
    x, y = page.run(
        "const b = document.getElementById('agree').getBoundingClientRect();"
        "return [b.left + b.width / 2, b.top + b.height / 2]"
    )
    for count in (1, 2):
        for kind in ("mousePressed", "mouseReleased"):
            said = {"type": kind, "x": x, "y": y, "button": "left", "clickCount": count}
            page.window.execute_cdp_cmd("Input.dispatchMouseEvent", said)
        time.sleep(0.35)
    until(lambda: survey[1][2] in page.window.current_url, "for the next plant")
    time.sleep(0.5)
    assert stages(survey) == [(0, 3), (1, 3)]


def test_a_guess_that_lists_hide_is_not_there_to_agree_with(
    page: Page, survey: Survey, drawn: tuple[bytes, Reading]
) -> None:
    with SurveyWriter(survey[0], create=True) as store:
        guess = add_plant(store, survey[0].parent, drawn, "guess.jpg", confidence=0.3)
    page.open(guess)
    assert page.text("stage") == "–"
    assert not page.window.find_element("id", "agree").is_displayed()
    assert "agree with the program" not in page.text("help-dialog")
    page.keys("a")
    time.sleep(0.8)
    assert stages(survey) == []
    assert guess in page.window.current_url
    page.keys("c")  # a person's own marks are shown, and what they come to
    assert page.text("stage").startswith("V")
    page.keys("u")
    assert page.text("stage") == "–"
    assert page.text("save") == "Save V3"
    page.keys("s")
    until(lambda: guess not in page.window.current_url, "for the next plant")
    with SurveyReader(survey[0]) as store:
        assert [c.count.stage for c in store.counts(guess)] == [3]


def test_what_nobody_can_see_or_believe_is_not_offered(
    page: Page, survey: Survey, drawn: tuple[bytes, Reading]
) -> None:
    assert main_buttons(page) == ["agree"]
    with SurveyWriter(survey[0], create=True) as store:
        guess = add_plant(store, survey[0].parent, drawn, "guess.jpg", stage=4, confidence=0.3)
    page.open(guess)
    assert not page.window.find_element("id", "agree").is_displayed()
    assert main_buttons(page) == []
    for photo in survey[0].parent.glob("*.jpg"):
        photo.unlink()
    page.window.get(f"{page.site.url}/plants/{survey[1][3]}")
    until(lambda: page.window.find_element("id", "gone").is_displayed(), "for the sentence")
    for name in ("agree", "save"):
        assert not page.window.find_element("id", name).is_enabled()
    for name in ("type", "aside"):
        assert page.window.find_element("id", name).is_enabled()
    assert main_buttons(page) == ["type"]
    for key in "as":
        page.run(
            "document.body.dispatchEvent("
            "new KeyboardEvent('keydown', {key: arguments[0], bubbles: true}))",
            key,
        )
    time.sleep(0.8)
    assert stages(survey) == []


def test_the_last_word_is_stored(page: Page, survey: Survey) -> None:
    agree_without_connection(page)
    page.keys("l", "s")  # one more lower leaf is lost after all
    until(lambda: "V4 is kept" in page.text("notice"), "for the second save")
    connect(page)
    page.run("document.querySelector('#post button').click()")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    wait_for(survey, [(0, 3), (0, 4)])
    page.ready()
    assert page.run("return Object.keys(localStorage).filter(k => k.includes('draft'))") == []
    # Not saved yet: it stays on the page, and in this survey's draft.
    agree_without_connection(page)
    page.keys("l")
    connect(page)
    page.run("document.querySelector('#post button').click()")
    until(lambda: "What you changed since isn't saved yet" in page.text("notice"))
    wait_for(survey, [(0, 3), (0, 4), (1, 3)])
    assert survey[1][1] in page.window.current_url
    named = page.run("return document.querySelector('meta[name=survey]').content")
    draft = f"collarvision-draft-{named}-{survey[1][1]}"
    assert page.run("return localStorage.getItem(arguments[0])", draft)
    page.keys("s")
    until(lambda: survey[1][2] in page.window.current_url, "for the next plant")
    wait_for(survey, [(0, 3), (0, 4), (1, 3), (1, 4)])


def test_the_last_word_stands_though_the_clock_was_set_back(page: Page, survey: Survey) -> None:
    agree_without_connection(page)
    page.keys("l", "s")
    until(lambda: "V4 is kept" in page.text("notice"), "for the second save")
    page.run(
        "const box = JSON.parse(localStorage.getItem('collarvision-outbox'));"
        "box[1].made -= 3600e3; localStorage.setItem('collarvision-outbox', JSON.stringify(box))"
    )
    connect(page)
    page.run("document.querySelector('#post button').click()")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    wait_for(survey, [(0, 3), (0, 4)])


def test_counts_that_nobody_has_are_named_until_they_are_dismissed(
    page: Page, survey: Survey
) -> None:
    def post(number: int, label: str, **more: Any) -> dict[str, Any]:
        key = f"{number}" * 16
        reading = page.run("return JSON.parse(document.getElementById('plant').dataset.plant)")
        body = {"who": "Ann", "save_key": key, "reading_id": reading["reading"] + number}
        return {
            "key": key,
            "url": f"/plants/{survey[1][number]}/counts",
            "body": {**body, "way": "agreed", **more.pop("body", {})},
            "label": label,
            **more,
        }

    box = [
        post(1, "V6 for FIRST.jpg", body={"reading_id": 999}),
        post(2, "V3 for SECOND.jpg"),
        post(3, "V7 for THIRD.jpg", survey="elsewhere", surveyName="other.survey"),
    ]
    page.run("localStorage.setItem('collarvision-outbox', arguments[0])", json.dumps(box))
    for _ in range(2):
        page.window.get(f"{page.site.url}/queue")
        wait_for(survey, [(2, 3)])
        until(lambda: "FIRST" in page.text("kept"), "for what wasn't stored")
        assert "Not stored: V6 for FIRST.jpg. The photo was read again" in page.text("kept")
        assert "V7 for THIRD.jpg waits for another survey, other.survey" in page.text("kept")
    said = [one.text for one in page.window.find_elements("css selector", "#kept button")]
    assert said == ["Dismiss", "Throw away"]
    page.window.find_element("css selector", "#kept button").click()
    page.window.refresh()
    until(lambda: "THIRD" in page.text("kept"))
    assert "FIRST" not in page.text("kept")
    assert stages(survey) == [(2, 3)]


def test_what_another_tab_sends_is_heard_here(page: Page, site: Served, survey: Survey) -> None:
    agree_without_connection(page)
    first = page.window.current_window_handle
    page.window.switch_to.new_window("tab")
    try:
        page.window.get(f"{site.url}/queue")
        until(lambda: "Sent: V3 for IMG_0.jpg" in page.text("notice"), "for the other tab")
    finally:
        page.window.close()
        page.window.switch_to.window(first)
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    assert "IMG_0.jpg: V3 saved" in page.ready().text("notice")
    wait_for(survey, [(0, 3)])


def test_a_page_tells_whose_name_its_counts_get(page: Page, survey: Survey) -> None:
    first = page.window.current_window_handle
    page.window.switch_to.new_window("tab")
    try:
        page.open(survey[1][0])
        page.call_me("Bo")
        page.keys("l", "s")
        until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    finally:
        page.window.close()
        page.window.switch_to.window(first)
    until(lambda: "meanwhile" in page.text("notice"), "for the news")
    assert "You have counted it meanwhile: V4." in page.text("notice")
    label = "return document.getElementById('who').getAttribute('aria-label')"
    until(lambda: page.run(label) == "You are Bo", "for the name")
    page.keys("a")
    wait_for(survey, [(0, 4), (0, 3)])
    with SurveyReader(survey[0]) as store:
        assert {count.count.who for count in store.counts()} == {"Bo"}


def test_a_photo_outlives_a_new_start_of_the_program(
    survey: Survey, drawn: tuple[bytes, Reading], tmp_path: Path
) -> None:
    from selenium.webdriver.support.select import Select

    picture = tmp_path / "from phone.jpg"
    picture.write_bytes(drawn[0])
    with (
        browser(390, 844, touch=True) as phone,
        served(survey[0], "0.0.0.0", own_address()) as site,
    ):
        phone.get(f"{site.url}/enter#{site.gate.code().text}")
        until(lambda: phone.current_url == f"{site.url}/take", "to be let in")
        until(lambda: phone.execute_script("return document.readyState") == "complete")
        Select(phone.find_element("id", "field")).select_by_visible_text("North")
        # What a new start forgets.
        site.gate._sessions.clear()
        site.gate._key = b"another key of this start".ljust(32)
        phone.find_element("id", "stored").send_keys(str(picture))
        until(lambda: "keep this page open" in phone.find_element("id", "taking").text)
        here = phone.current_window_handle
        phone.find_element("css selector", "#taking a").click()
        until(lambda: len(phone.window_handles) == 2, "for the new tab")
        phone.switch_to.window(phone.window_handles[-1])
        until(lambda: phone.find_elements("id", "code"), "for the code's page")
        phone.find_element("id", "code").send_keys(site.gate.code().text, "\n")
        until(lambda: phone.current_url == f"{site.url}/take", "to be let in again")
        phone.close()
        phone.switch_to.window(here)
        phone.find_element("id", "again").click()
        until(lambda: "/plants/" in phone.current_url, "for the reading")


def test_a_refused_count_is_there_to_be_put_right(page: Page, survey: Survey) -> None:
    def opened() -> dict[str, str]:
        page.keys("e")
        until(lambda: page.run("return document.getElementById('type-dialog').open"))
        names = "['way', 'collars', 'nodes', 'height', 'unit', 'note']"
        form = "document.getElementById('type-form')"
        found: dict[str, str] = page.run(
            f"return Object.fromEntries({names}.map(n => [n, {form}[n].value]))"
        )
        return found

    empty = {"way": "on-plant", "collars": "", "nodes": "", "height": "", "unit": "in", "note": ""}
    assert opened() == empty
    page.run("document.querySelector('[name=way][value=split-stalk]').click()")
    page.run("document.getElementById('unit').value = 'cm'")
    for name, words in (("nodes", "4"), ("typed-height", "2.54"), ("note", "by the road\n")):
        page.window.find_element("id", name).send_keys(words)
    until(lambda: "far too short" in page.text("kept"), "for the refusal")
    page.window.refresh()  # or on the way back from another plant
    page.ready()
    refused = {**empty, "way": "split-stalk", "nodes": "4", "height": "2.54", "unit": "cm"}
    assert opened() == {**refused, "note": "by the road"}
    assert "far too short" in page.text("type-problem")
    assert page.run("return document.activeElement.id") == "nodes"
    page.window.find_element("css selector", "#type-form [value=cancel]").click()
    assert opened()["nodes"] == "4"  # whoever looks elsewhere first loses nothing
    height = page.window.find_element("id", "typed-height")
    height.clear()
    height.send_keys("90\n")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    page.ready()
    with SurveyReader(survey[0]) as store:
        (count,) = store.counts()
    assert (count.count.nodes, count.count.note) == (4, "by the road")
    assert count.count.height_mm == pytest.approx(900)
    assert page.text("kept") == ""  # it was put right
    assert opened() == {**empty, "unit": "cm"}


def test_a_key_that_comes_before_a_dialog_s_end_is_told_loses_nothing(
    page: Page, survey: Survey
) -> None:
    """A browser may hand on the next key before it tells the page that a dialog was closed."""
    again = (
        "document.getElementById('type-dialog').close(arguments[0]);"
        "document.body.dispatchEvent(new KeyboardEvent('keydown', {key: 'e', bubbles: true}))"
    )
    page.keys("e")
    page.window.find_element("id", "collars").send_keys("4")
    page.run(again, "cancel")
    page.settle()
    page.window.find_element("id", "collars").send_keys("5")
    page.run(again, "ok")
    wait_for(survey, [(0, 5)])
    page.window.find_element("id", "collars").send_keys("6\n")
    wait_for(survey, [(0, 5), (0, 6)])


def test_handles_that_are_back_are_told_on_a_phone_s_screen(site: Served, survey: Survey) -> None:
    with browser(390, 844, touch=True) as phone:
        page = Page(phone, site).open(survey[1][0])
        page.keys("l")
        phone.refresh()
        page.ready()
        script = "const b = document.getElementById(arguments[0]).getBoundingClientRect();"
        draft, view, tools = (
            page.run(f"{script} return [b.top, b.bottom]", name)
            for name in ("draft", "view", "save")
        )
        assert 0 < draft[0] < draft[1] <= view[0]
        assert tools[1] <= 844
        said = page.window.find_element("id", "draft")
        assert said.get_attribute("role") == "status"
        assert "they aren't saved yet" in said.text
        page.click("drop")
        assert not said.is_displayed()
        assert page.run(f"{script} return b.top", "view") < view[0]


def test_the_next_photo_s_menu_has_the_field_that_was_answered(
    page: Page, site: Served, survey: Survey, drawn: tuple[bytes, Reading]
) -> None:
    from selenium.webdriver.support.select import Select

    window = page.window
    picture = survey[0].parent / "from phone.jpg"
    picture.write_bytes(drawn[0])

    def menu() -> Select:
        window.get(f"{site.url}/take")
        until(lambda: window.execute_script("return document.readyState") == "complete")
        return Select(window.find_element("id", "field"))

    for name, told in (("north", "Filed. "), ("East", "It stays in North. ")):
        menu().select_by_value("new")
        window.find_element("id", "new").send_keys(name)
        window.find_element("id", "stored").send_keys(str(picture))
        until(lambda: "/plants/" in window.current_url, "for the reading")
        assert told in page.ready().text("notice")
        if name == "north":
            assert menu().first_selected_option.text == "North"
