"""What the hand-count pages tell in words: doubts, what was left out, times, and which survey."""

from __future__ import annotations

import html
import json
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from countable import add_plant, make_survey
from fastapi.testclient import TestClient

from collarvision.answer import Reading
from collarvision.fieldtable import local_time
from collarvision.handcount.site import create_site
from collarvision.handles import Handle
from collarvision.survey import HandCount, SurveyWriter

HERE = "http://localhost:8000"
Drawn = tuple[bytes, Reading]


@pytest.fixture
def survey(tmp_path: Path, drawn: Drawn) -> tuple[Path, list[str]]:
    return make_survey(tmp_path, drawn)


@pytest.fixture
def in_chicago(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "CST6CDT")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def page_of(survey: Path, path: str) -> str:
    client = TestClient(create_site(survey, port=8000), HERE, client=("127.0.0.1", 1))
    return html.unescape(client.get(path).text)


def data_of(page: str) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(page.split('data-plant="')[1].split('">\n')[0])
    return data


@pytest.mark.parametrize(
    ("stage", "lost", "told"),
    [
        (4, 2, "no collar was found, and the leaves taken for lost come to V2: look for"),
        (4, 0, "no collar was found: look for them"),
        (2, 2, None),
    ],
)
def test_every_stage_that_its_marks_do_not_come_to_is_explained(
    survey: tuple[Path, list[str]], drawn: Drawn, stage: int, lost: int, told: str | None
) -> None:
    seen = {"collars": (), "tips": (), "lower_leaves_missing": lost}
    with SurveyWriter(survey[0], create=True) as store:
        sha256 = add_plant(store, survey[0].parent, drawn, "odd.jpg", stage=stage, **seen)
    page = page_of(survey[0], f"/plants/{sha256}")
    if told is None:
        assert "Read as" not in page
    else:
        assert f"Read as V{stage}, though {told}" in page


def test_a_guess_that_lists_hide_is_called_one(
    survey: tuple[Path, list[str]], drawn: Drawn
) -> None:
    with SurveyWriter(survey[0], create=True) as store:
        guess = add_plant(store, survey[0].parent, drawn, "guess.jpg", confidence=0.3)
    page = page_of(survey[0], f"/plants/{guess}")
    assert "A wild guess: V3?" in page
    assert data_of(page)["wild"] is True
    page = page_of(survey[0], f"/plants/{survey[1][0]}")
    assert "wild guess" not in page
    assert data_of(page)["wild"] is False


def test_what_a_count_is_worth_is_a_sentence(survey: tuple[Path, list[str]]) -> None:
    ends = r"the field's chance of being at V\d by \d+ in 100\."
    assert re.search(f"Could change {ends}", page_of(survey[0], "/queue"))
    plant = page_of(survey[0], f"/plants/{survey[1][0]}")
    assert re.search(f"Your count could change {ends}", plant)


def test_an_empty_queue_tells_what_was_left_out(
    survey: tuple[Path, list[str]], drawn: Drawn
) -> None:
    with SurveyWriter(survey[0], create=True) as store:
        store.add_hand_count(survey[1][0], HandCount("Ann", "2020-05-20T10:00", 3))
        store.add_hand_count(survey[1][1], HandCount("Ann", "2020-05-20T10:00", 3))
        store.add_hand_count(survey[1][2], HandCount("Ann", "2020-05-20T10:00", 3))
    assert "Every plant has an answer." in page_of(survey[0], "/queue")
    with SurveyWriter(survey[0], create=True) as store:
        for sha256 in survey[1][:2]:
            store.set_aside(sha256, "Ann", "no-plant", f"key of {sha256[:20]}")
        add_plant(store, survey[0].parent, drawn, "bad.jpg", outcome="rejected")
    page = page_of(survey[0], "/queue")
    told = "2 plants were set aside and 1 photo couldn't be used; every other plant has an answer."
    assert told in page
    assert "Every plant has" not in page


def test_times_are_those_of_the_clock_on_the_wall(
    survey: tuple[Path, list[str]], in_chicago: None
) -> None:
    assert local_time("2027-05-21T02:05:09.123+00:00") == "2027-05-20 21:05"
    assert local_time("2027-05-20T10:00") == "2027-05-20 10:00"  # without a zone: as it was said
    assert local_time("last Tuesday") == "last Tuesday"
    with SurveyWriter(survey[0], create=True) as store:
        count = HandCount("Ann", "2027-05-21T02:05:09+00:00", 1, way="marked")
        handles = [Handle("collar", 10.0, 10.0, 1)]
        store.add_hand_count(survey[1][0], count, handles=handles)
    page = page_of(survey[0], f"/plants/{survey[1][0]}")
    assert "Ann, 2027-05-20 21:05, marked on the photo" in page
    assert [one["words"] for one in data_of(page)["markings"]] == ["Ann, 2027-05-20 21:05"]


def test_each_survey_has_a_name_of_its_own_for_browsers(
    survey: tuple[Path, list[str]], tmp_path: Path
) -> None:
    other = tmp_path / "other.survey"
    SurveyWriter(other, create=True).close()

    def name(path: Path) -> str:
        return page_of(path, "/queue").split('<meta name="survey" content="')[1].split('"')[0]

    assert name(survey[0]) == name(survey[0]) != name(other)
