"""The hand-count page end to end, in a headless Chromium."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Page, Served, browser, own_address, served, until
from countable import SCRIPT, add_plant, make_survey
from PIL import Image

from collarvision.answer import Reading
from collarvision.handles import Handle, lost_leaf
from collarvision.survey import Place, StoredCount, SurveyReader, SurveyWriter

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def phone() -> Iterator[Any]:
    with browser(390, 844, touch=True) as opened:
        yield opened


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading], stand_in: Path) -> tuple[Path, list[str]]:
    return make_survey(tmp_path, drawn)


@pytest.fixture
def page(window: Any, site: Served, survey: tuple[Path, list[str]]) -> Iterator[Page]:
    window.get("about:blank")
    window.get_log("browser")  # of a page that was still loading when its site closed
    opened = Page(window, site).open(survey[1][0])
    opened.call_me("Ann")
    yield opened
    assert opened.complaints() == []
    opened.run("localStorage.clear(); sessionStorage.clear()")


def counts(survey: tuple[Path, list[str]], number: int | None = None) -> list[StoredCount]:
    with SurveyReader(survey[0]) as store:
        return list(store.counts(None if number is None else survey[1][number]))


def wait_for_counts(survey: tuple[Path, list[str]], number: int) -> list[StoredCount]:
    found: list[StoredCount] = until(
        lambda: found if len(found := counts(survey)) >= number else None, "for a count"
    )
    return found


def height_in(page: Page) -> float:
    return float(page.text("height").split(" in")[0])


def test_correct_a_plant_by_dragging(
    page: Page, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading]
) -> None:
    _, reading = drawn
    assert reading.height_mm is not None
    assert reading.mm_per_px is not None
    assert page.text("stage") == "V3?"
    assert height_in(page) == pytest.approx(reading.height_mm / 25.4, abs=0.051)
    scale = page.scale()
    page.drag("collar-3", 24, -30)
    page.drag("arch", 0, -40)
    moved_px = 40 / scale
    taller = reading.height_mm + moved_px * reading.mm_per_px
    assert height_in(page) == pytest.approx(taller / 25.4, rel=0.02)
    page.drag("arch", 0, 12)
    page.click("undo")
    shown = height_in(page)
    assert shown == pytest.approx(taller / 25.4, rel=0.02)
    page.click("save")
    (count,) = wait_for_counts(survey, 1)
    assert (count.count.who, count.count.stage, count.count.way) == ("Ann", 3, "marked")
    assert count.count.height_mm == pytest.approx(shown * 25.4, abs=0.05 * 25.4 + 0.1)
    was = reading.collars[2]
    now = next(h for h in count.handles if h.part == "collar" and h.rank == 3)
    assert now.x == pytest.approx(was.x + 24 / scale, abs=1.5 / scale)
    assert now.y == pytest.approx(was.y - 30 / scale, abs=1.5 / scale)
    # On to the next plant, and the one before is told.
    until(lambda: survey[1][1] in page.window.current_url)
    page.ready()
    assert "IMG_0.jpg: V3 saved" in page.text("notice")


def test_what_the_program_doubts_has_its_sign_until_a_person_sets_it_right(
    page: Page,
    site: Served,
    survey: tuple[Path, list[str]],
    drawn: tuple[bytes, Reading],
    tmp_path: Path,
) -> None:
    tall = drawn[1].height_mm
    assert tall is not None
    wide = {"height_interval_mm": (0.6 * tall, 1.1 * tall)}
    with SurveyWriter(survey[0], create=True) as store:
        sure = add_plant(store, tmp_path, drawn, "IMG_8.jpg", outcome="staged", reasons=())
        doubtful = add_plant(store, tmp_path, drawn, "IMG_9.jpg", **wide)
    page.open(sure)
    assert (page.text("stage"), page.text("height")[-1]) == ("V3", ")")
    page.open(doubtful)
    assert (page.text("stage"), page.text("height")[-2:]) == ("V3?", ")?")
    seen = page.window.find_element("css selector", ".evidence li").text
    assert seen.startswith("V3?, ")
    assert seen.endswith(" cm)?")
    page.drag("arch", 0, -40)
    assert (page.text("stage"), page.text("height")[-1]) == ("V3", ")")
    page.window.get(f"{site.url}/plants")
    cards = [one.text for one in page.window.find_elements("css selector", ".card")]
    told = {text.splitlines()[1]: text.splitlines()[0] for text in cards}
    assert (told["IMG_8.jpg"], told["IMG_9.jpg"]) == ("V3", "V3?")


def test_add_a_lost_leaf(page: Page, survey: tuple[Path, list[str]]) -> None:
    page.keys("l")
    assert page.text("stage") == "V4"
    assert page.text("trouble") == ""
    page.click("save")
    (count,) = wait_for_counts(survey, 1)
    assert count.count.stage == 4
    assert lost_leaf(1) in count.handles
    assert sorted(h.rank or 0 for h in count.handles if h.part == "collar") == [2, 3, 4]


def test_agree_by_key_after_saying_who(page: Page, survey: tuple[Path, list[str]]) -> None:
    page.run("localStorage.removeItem('collarvision-who')")
    page.keys("a")
    until(lambda: page.run("return document.getElementById('who-dialog').open"))
    page.keys("Bo", "\n")
    (count,) = wait_for_counts(survey, 1)
    assert (count.count.who, count.count.stage, count.count.way) == ("Bo", 3, "agreed")
    assert len([h for h in count.handles if h.part == "collar"]) == 3
    until(lambda: survey[1][1] in page.window.current_url)
    assert page.ready().run("return document.querySelector('#who .full').textContent") == "Bo"


def test_lose_the_connection_in_the_middle_of_a_save(
    page: Page, site: Served, survey: tuple[Path, list[str]]
) -> None:
    site.cut = True  # the count is stored, but its answer never arrives
    page.keys("l", "s")
    until(lambda: "No connection" in page.text("post"), "for the banner")
    assert "One count is kept on this device" in page.text("post")
    assert survey[1][0] in page.window.current_url  # nobody is sent on yet
    assert len(counts(survey)) == 1
    site.cut = False
    page.run("document.querySelector('#post button').click()")
    until(lambda: survey[1][1] in page.window.current_url, "for the next plant")
    page.ready()
    (count,) = counts(survey)  # sent more than once, stored once
    assert count.count.stage == 4
    assert page.run("return localStorage.getItem('collarvision-outbox')") == "[]"
    page.complaints()  # the lost connection itself stands in the console


def test_a_save_that_never_left_is_sent_after_a_reload(
    page: Page, survey: tuple[Path, list[str]]
) -> None:
    blocked = {"urls": ["*/counts*"]}
    page.window.execute_cdp_cmd("Network.enable", {})
    page.window.execute_cdp_cmd("Network.setBlockedURLs", blocked)
    page.keys("l", "s")
    until(lambda: "No connection" in page.text("post"), "for the banner")
    assert counts(survey) == []
    page.window.execute_cdp_cmd("Network.setBlockedURLs", {"urls": []})
    page.window.refresh()
    (count,) = wait_for_counts(survey, 1)
    assert count.count.stage == 4
    until(lambda: page.run("return localStorage.getItem('collarvision-outbox')") == "[]")
    page.complaints()


def test_a_reload_keeps_what_was_moved(page: Page, survey: tuple[Path, list[str]]) -> None:
    page.keys("l", "l")
    page.drag("arch", 30, 0)
    page.window.refresh()
    page.ready()
    assert page.text("stage") == "V5"
    assert page.window.find_element("id", "draft").is_displayed()
    page.click("drop")
    assert page.text("stage") == "V3?"
    page.window.refresh()
    assert page.ready().text("stage") == "V3?"
    assert counts(survey) == []


def test_two_tabs_on_one_plant(page: Page, site: Served, survey: tuple[Path, list[str]]) -> None:
    first = page.window.current_window_handle
    page.window.switch_to.new_window("tab")
    page.open(survey[1][0])
    page.call_me("Bo")
    page.keys("l", "s")
    wait_for_counts(survey, 1)
    until(lambda: survey[1][1] in page.window.current_url)
    page.call_me("Ann")
    page.window.close()
    page.window.switch_to.window(first)
    until(lambda: "Counted meanwhile by Bo" in page.text("notice"), "for the news")
    page.keys("a")
    wait_for_counts(survey, 2)
    until(lambda: survey[1][1] in page.window.current_url)
    page.ready()
    assert "People differ: Bo V4, Ann V3" in page.text("notice")
    assert {(c.count.who, c.count.stage) for c in counts(survey, 0)} == {("Bo", 4), ("Ann", 3)}
    page.window.get(f"{site.url}/queue")
    listed = page.window.find_element("id", "main").text
    assert "Counted differently" in listed
    assert "Bo: V4" in listed
    page.window.get(f"{site.url}/agreement")
    (row,) = page.window.find_elements("css selector", "#people ~ .scroll tbody tr")[:1]
    assert row.text.startswith("Ann and Bo 1 0% 100%")


def test_the_keyboard_alone_does_it_all(page: Page, survey: tuple[Path, list[str]]) -> None:
    from selenium.webdriver.common.keys import Keys

    page.run("document.getElementById('view').focus()")
    page.keys("n", "n")  # soil first, then the lowest collar
    assert page.text("what") == "Collar of leaf 1"
    page.keys("h")
    assert page.text("what") == "Collar of leaf 1, hidden"
    page.keys(Keys.ARROW_RIGHT, Keys.ARROW_UP)
    page.keys("]")
    assert page.text("stage") == "V4"
    assert "Leaf 1 without a collar" in page.text("trouble")
    assert not page.window.find_element("id", "save").is_enabled()
    page.keys("[", Keys.ESCAPE)
    assert page.text("stage") == "V3"
    page.keys("n", Keys.DELETE)  # the soil line
    assert page.text("height") == "no height"
    page.keys("u", "c")
    assert page.text("stage") == "V4"
    page.keys("u", "y", "u")
    page.keys("?")
    until(lambda: page.run("return document.getElementById('help-dialog').open"))
    page.keys("s")  # keys rest while a dialog is open
    assert counts(survey) == []
    page.keys(Keys.ESCAPE, "s")
    (count,) = wait_for_counts(survey, 1)
    first = next(h for h in count.handles if h.part == "collar" and h.rank == 1)
    assert first.occluded
    assert count.count.stage == 3


def test_a_count_from_a_split_stalk_is_typed(page: Page, survey: tuple[Path, list[str]]) -> None:
    page.keys("e")
    until(lambda: page.run("return document.getElementById('type-dialog').open"))
    page.run("document.querySelector('[name=way][value=split-stalk]').click()")
    page.window.find_element("id", "nodes").send_keys("0\n")
    assert "Give the number of nodes" in page.text("type-problem")
    nodes = page.window.find_element("id", "nodes")
    nodes.clear()
    nodes.send_keys("3")
    page.window.find_element("id", "typed-height").send_keys("20")
    page.window.find_element("id", "note").send_keys("two leaves gone\n")
    (count,) = wait_for_counts(survey, 1)
    # Nodes alone are stored, so that whoever uses them weighs the rule's own error.
    assert (count.count.nodes, count.count.stage, count.count.way) == (3, None, "split-stalk")
    assert count.count.height_mm == pytest.approx(508.0)
    assert count.count.note == "two leaves gone"
    until(lambda: survey[1][1] in page.window.current_url)


def test_a_typed_pair_that_hardly_fits_is_asked_about_and_one_that_cannot_be_is_not_kept(
    page: Page, survey: tuple[Path, list[str]]
) -> None:
    def type_in(collars: str, height: str) -> None:
        page.keys("e")
        until(lambda: page.run("return document.getElementById('type-dialog').open"))
        page.run("document.getElementById('unit').value = 'cm'")
        for name, words in (("collars", collars), ("typed-height", height)):
            page.window.find_element("id", name).clear()  # it holds what was refused
            page.window.find_element("id", name).send_keys(words)
        page.window.find_element("id", "typed-height").send_keys("\n")

    type_in("1", "90")
    until(lambda: "V1 at 90 cm is far too tall: 90 mm? Nothing is kept" in page.text("kept"))
    (refused,) = page.complaints()  # the browser's own word on an answer that refuses
    assert "422" in refused
    type_in("6", "19")
    (count,) = wait_for_counts(survey, 1)
    assert (count.count.stage, count.count.height_mm) == (6, 190)
    until(lambda: survey[1][1] in page.window.current_url)
    assert "SURE? V6 at 19 cm is unusually short: 19 in?" in page.ready().text("notice")


def test_a_photo_without_a_plant_is_set_aside(page: Page, survey: tuple[Path, list[str]]) -> None:
    page.keys("x")
    until(lambda: page.run("return document.getElementById('aside-dialog').open"))
    page.run("document.querySelector('#aside-dialog [value=no-plant]').click()")
    until(lambda: survey[1][1] in page.window.current_url)
    with SurveyReader(survey[0]) as store:
        assert [a.reason for a in store.set_asides(survey[1][0])] == ["no-plant"]
        assert len(list(store.waiting())) == 2


def test_a_field_named_like_a_script_is_a_name(
    page: Page, site: Served, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading]
) -> None:
    with SurveyWriter(survey[0], create=True) as store:
        place = Place(SCRIPT, "2027-05-21", None, "folder")
        sha256 = add_plant(store, survey[0].parent, drawn, f"{SCRIPT}.jpg", place)
    page.open(sha256)
    assert SCRIPT in page.text("title")
    page.window.get(f"{site.url}/take")
    menu = page.window.find_element("id", "field")
    assert SCRIPT in menu.text
    assert page.run("return document.querySelectorAll('script:not([src])').length") == 0


# ------------------------------------------------------------------ on a phone


def test_fingers_drag_and_pinch(
    phone: Any, site: Served, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading]
) -> None:
    page = Page(phone, site).open(survey[1][0])
    page.call_me("Cy")
    scale = page.scale()
    x, y = page.screen_of("collar-2")
    page.touch([(x, y), (x + 5, y), (x + 15, y - 10), (x + 25, y - 20)])
    assert page.text("what") == "Collar of leaf 2"
    moved = page.screen_of("collar-2")
    assert moved == (pytest.approx(x + 25, abs=1.5), pytest.approx(y - 20, abs=1.5))
    assert page.window.find_element("id", "loupe").is_displayed() is False  # gone with the finger
    box = page.run("return document.getElementById('view').getBoundingClientRect().toJSON()")
    cx, cy = box["left"] + box["width"] / 2, box["top"] + box["height"] / 2
    page.touch([(cx - 30, cy), (cx - 60, cy)], [(cx + 30, cy), (cx + 60, cy)])
    assert page.scale() == pytest.approx(2 * scale, rel=0.1)
    page.click("lost")  # leaf 2 is chosen still
    assert page.text("stage") == "V3"
    page.click("save")
    (count,) = wait_for_counts(survey, 1)
    assert lost_leaf(2) in count.handles
    assert Handle not in map(type, [h for h in count.handles if h.part == "collar" and h.rank == 2])
    assert page.complaints() == []


def test_a_phone_comes_in_by_the_code_and_takes_a_photo(
    phone: Any, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading], tmp_path: Path
) -> None:
    from selenium.webdriver.support.select import Select

    picture = tmp_path / "from phone.jpg"
    picture.write_bytes(drawn[0])
    with served(survey[0], "0.0.0.0", own_address()) as site:
        phone.get(f"{site.url}/queue")
        phone.get_log("browser")  # of the pages before
        assert phone.current_url == f"{site.url}/enter"
        phone.get("about:blank")
        phone.get(f"{site.url}/enter#{site.gate.code().text}")
        until(lambda: phone.current_url == f"{site.url}/take", "to be let in")
        until(lambda: phone.execute_script("return document.readyState") == "complete")
        # No field is anybody's choice yet: nothing is filed under the first of the alphabet.
        menu = Select(phone.find_element("id", "field"))
        assert menu.first_selected_option.text == "Choose a field …"
        phone.find_element("id", "stored").send_keys(str(picture))
        until(lambda: "Choose the field first" in phone.find_element("id", "taking").text)
        assert [path.name for path in survey[0].parent.glob("*-photos")] == []
        menu.select_by_visible_text("North")
        phone.find_element("id", "again").click()
        until(lambda: "/plants/" in phone.current_url, "for the reading")
        page = Page(phone, site).ready()
        assert page.text("stage") == "V3"
        assert "North" in page.text("title")
        assert page.complaints() == []
        taken = phone.current_url.rsplit("/", 1)[1]
        # The next photo on this walk is of the same field.
        phone.get(f"{site.url}/take")
        until(lambda: phone.execute_script("return document.readyState") == "complete")
        menu = Select(phone.find_element("id", "field"))
        until(lambda: menu.first_selected_option.text == "North")
        # A plant that one photo doesn't settle is taken from its other side as well.
        phone.get(f"{site.url}/plants/{taken}")
        page = Page(phone, site).ready()
        page.click("other-side")
        until(lambda: phone.current_url == f"{site.url}/take?of={taken}")
        until(lambda: phone.execute_script("return document.readyState") == "complete")
        from_behind = tmp_path / "from behind.jpg"
        Image.open(picture).resize((1000, 1200)).save(from_behind)
        phone.find_element("id", "stored").send_keys(str(from_behind))
        until(lambda: "/plants/" in phone.current_url, "for the second reading")
        page = Page(phone, site).ready()
        assert "2 photos of this plant read together: V3" in page.text("sides")
        assert page.complaints() == []
    with SurveyReader(survey[0]) as store:
        row = store.plant(taken)
        assert row is not None
        (path,) = store.files_of(taken)
    assert (row.field, row.stage) == ("North", 3)
    assert Path(path).parent.parent == Path(f"{survey[0]}-photos")
