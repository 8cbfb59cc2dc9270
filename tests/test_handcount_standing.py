"""Which count stands, and what the page says: late counts, fast clocks, plants of two photos."""

from __future__ import annotations

import html
import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from countable import FIELD, make_survey
from fastapi.testclient import TestClient
from surveys import MODEL, reading

from collarvision.answer import Reading
from collarvision.handcount.site import create_site
from collarvision.survey import HandCount, SurveyReader, SurveyWriter

HERE = "http://localhost:8000"
Survey = tuple[Path, list[str]]


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading]) -> Survey:
    return make_survey(tmp_path, drawn)


@pytest.fixture
def client(survey: Survey) -> TestClient:
    client = TestClient(create_site(survey[0], port=8000), HERE, client=("127.0.0.1", 1))
    token = client.get("/queue").text.split('name="token" content="')[1].split('"')[0]
    client.headers.update({"origin": HERE, "x-collarvision-token": token})
    return client


def save(client: TestClient, sha256: str, stage: int, **said: Any) -> dict[str, Any]:
    body = {"who": "Ann", "way": "on-plant", "stage": stage, "reading_id": 1, **said}
    body["save_key"] = body.pop("key", f"{body['who'].lower()}-{stage}-{'0' * 16}")
    answer = client.post(f"/plants/{sha256}/counts", content=json.dumps(body))
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def stands(survey: Survey, sha256: str) -> int | None:
    with SurveyReader(survey[0]) as store:
        row = store.plant(sha256)
    assert row is not None
    assert row.hand_count is not None
    return row.hand_count.stage


def together(survey: Survey, *photos: str) -> None:
    """File photos as of one plant; the drawn ones hold one picture, as no two looks at it do."""
    place = replace(FIELD, plant="1")
    with SurveyWriter(survey[0]) as store:
        for sha256 in photos:
            store.add_reading(
                reading("x.jpg"), sha256=sha256, model=MODEL, place=place, refile=True
            )


def text_of(client: TestClient, path: str) -> str:
    words = re.sub("<[^>]*>", " ", html.unescape(client.get(path).text))
    return " ".join(words.split())


def data_of(client: TestClient, sha256: str) -> dict[str, Any]:
    """What the script of a plant's page is given."""
    page = client.get(f"/plants/{sha256}").text
    found: dict[str, Any] = json.loads(html.unescape(page.split('data-plant="')[1].split('"')[0]))
    return found


def test_a_count_that_was_kept_on_a_phone_has_the_time_it_was_made(
    client: TestClient, survey: Survey
) -> None:
    sha256 = survey[1][0]
    assert save(client, sha256, 6, who="Ben")["doubt"] is None
    said = save(client, sha256, 4, waited_s=3600.0)
    assert said["doubt"] == "A later count stands: V6, counted by Ben."
    assert stands(survey, sha256) == 6
    with SurveyReader(survey[0]) as store:
        (late, _) = store.hand_counts(sha256)
    made = datetime.fromisoformat(late.counted_at)
    assert abs((datetime.now(UTC) - made).total_seconds() - 3600) < 60
    assert save(client, sha256, 5, waited_s=0.01)["doubt"] is None
    assert stands(survey, sha256) == 5


@pytest.mark.parametrize("waited", [-1, 31 * 86400, "x", None])
def test_no_other_wait_is_believed(client: TestClient, survey: Survey, waited: object) -> None:
    body = {"who": "Ann", "way": "on-plant", "stage": 4, "reading_id": 1, "save_key": "0" * 16}
    for where, rest in (("counts", body), ("aside", {"reason": "several"})):
        said = {"who": "Ann", "save_key": "0" * 16, **rest, "waited_s": waited}
        answer = client.post(f"/plants/{survey[1][0]}/{where}", content=json.dumps(said))
        assert (answer.status_code, "waited_s" in answer.text) == (422, True)


def test_a_plant_set_aside_without_a_connection_was_counted_since(
    client: TestClient, survey: Survey
) -> None:
    sha256 = survey[1][0]
    save(client, sha256, 6, who="Ben")
    said = {"who": "Ann", "reason": "several", "save_key": "0" * 16, "waited_s": 3600}
    answer = client.post(f"/plants/{sha256}/aside", content=json.dumps(said)).json()
    assert answer["doubt"] == "A later count stands: V6, counted by Ben."
    with SurveyReader(survey[0]) as store:
        row = store.plant(sha256)
    assert row is not None
    assert row.set_aside is None
    said |= {"save_key": "1" * 16, "waited_s": 0}
    answer = client.post(f"/plants/{sha256}/aside", content=json.dumps(said)).json()
    assert answer["doubt"] is None
    with SurveyReader(survey[0]) as store:
        row = store.plant(sha256)
    assert row is not None
    assert row.set_aside == "several"


def test_a_count_of_a_clock_that_is_fast_is_told_to_stand(
    client: TestClient, survey: Survey
) -> None:
    ahead = (datetime.now(UTC) + timedelta(hours=8)).isoformat(timespec="seconds")
    with SurveyWriter(survey[0]) as store:
        store.add_hand_count(survey[1][0], HandCount("Cid", ahead, 7))
    said = save(client, survey[1][0], 4)
    assert said["words"] == "V4"
    told = f"A count dated {ahead} (V7, counted by Cid) still stands: check the clock."
    assert said["doubt"] == told
    assert stands(survey, survey[1][0]) == 7


def test_what_was_counted_on_one_photo_of_a_plant_is_told_on_its_others(
    client: TestClient, survey: Survey
) -> None:
    one, other, alone = survey[1]
    together(survey, one, other)
    save(client, one, 5)
    page = text_of(client, f"/plants/{other}")
    assert "Nobody has counted this plant" not in page
    assert "1 count by 1 person" in page
    assert "V5 Ann" in page
    assert [c["who"] for c in client.get(f"/plants/{other}/counts").json()["counts"]] == ["Ann"]
    said = save(client, other, 3, who="Ben")
    assert said["apart"] == {"Ann": "V5", "Ben": "V3"}
    assert [new["who"] for new in said["new"]] == ["Ann"]
    for photo in (one, other):
        assert "People differ: Ann: V5 Ben: V3" in text_of(client, f"/plants/{photo}")
    # Once, in the lists too, and as one plant.
    listed = client.get("/queue").text.split("Counted differently")[1]
    assert listed.count("/plants/") == 1
    assert f"/plants/{other}" in listed
    assert "Ann and Ben 1 0%" in text_of(client, "/agreement")
    assert "Nobody has counted this plant" in text_of(client, f"/plants/{alone}")


def test_marks_of_one_photo_are_not_offered_on_another(client: TestClient, survey: Survey) -> None:
    one, other, _ = survey[1]
    together(survey, one, other)

    there = data_of(client, other)
    save(client, other, 3, way="marked", handles=there["handles"], reading_id=there["reading"])
    there = data_of(client, other)
    assert len(there["markings"]) == 1
    here = data_of(client, one)
    assert here["markings"] == []
    assert here["seen"] == there["seen"]


def test_a_photo_that_was_set_aside_has_no_say_in_who_differs(
    client: TestClient, survey: Survey
) -> None:
    one, other, _ = survey[1]
    save(client, other, 7)
    together(survey, one, other)
    with SurveyWriter(survey[0]) as store:
        store.set_aside(other, "Ben", "not-corn")
    assert save(client, one, 5, who="Ben")["apart"] == {}
    assert "No plant is counted differently" in text_of(client, "/queue")


def test_the_word_said_last_stands_however_long_the_one_before_was_on_its_way(
    client: TestClient, survey: Survey
) -> None:
    one, other, _ = survey[1]
    # The first took 3 s to get here; the second was entered meanwhile, and waited for it.
    for sha256 in (one, other):
        save(client, sha256, 4, key=f"first-{sha256[:16]}")
    said = save(client, one, 5, waited_s=2.0, after=f"first-{one[:16]}")
    assert said["doubt"] is None
    assert stands(survey, one) == 5
    body = {"who": "Ann", "reason": "several", "save_key": "2" * 16, "waited_s": 2.0}
    sent = json.dumps({**body, "after": f"first-{other[:16]}"})
    assert client.post(f"/plants/{other}/aside", content=sent).json()["doubt"] is None
    assert save(client, other, 6, waited_s=1.0, after="2" * 16)["doubt"] is None
    assert stands(survey, other) == 6
    said = save(client, one, 7, who="Ben", waited_s=60.0, after="a-key-of-nothing")
    assert said["doubt"] == "A later count stands: V5, counted by Ann."


def test_no_entry_is_older_than_the_page_it_was_made_on(client: TestClient, survey: Survey) -> None:
    sha256 = survey[1][0]
    save(client, sha256, 6, who="Ben")
    shown_at = data_of(client, sha256)["shownAt"]
    # The clock of a phone was put right by weeks between the entry and its sending.
    said = save(client, sha256, 4, waited_s=20 * 86400.0, shown_at=shown_at)
    assert said["doubt"] is None
    assert stands(survey, sha256) == 4
    # No clock is believed that is ahead of the computer's.
    save(client, sha256, 5, shown_at="2999-01-01T00:00:00.000+00:00")
    with SurveyReader(survey[0]) as store:
        last = list(store.hand_counts(sha256))[-1]
    assert last.counted_at <= datetime.now(UTC).isoformat(timespec="milliseconds")


def test_a_late_count_of_a_photo_that_was_set_aside_since_is_told_not_to_stand(
    client: TestClient, survey: Survey
) -> None:
    sha256 = survey[1][0]
    with SurveyWriter(survey[0]) as store:
        store.set_aside(sha256, "Ben", "several")
    assert save(client, sha256, 4, waited_s=3600.0)["doubt"] == (
        "Ben set the photo aside later, and that stands: count it again if it can be counted."
    )
    assert save(client, sha256, 5)["doubt"] is None
    assert stands(survey, sha256) == 5


def test_of_two_reasons_to_set_a_photo_aside_the_one_said_last_stands(survey: Survey) -> None:
    sha256 = survey[1][0]
    with SurveyWriter(survey[0]) as store:
        store.set_aside(sha256, "Ben", "cannot-tell", said_at="2027-05-20T11:00:00.000+00:00")
        store.set_aside(sha256, "Ann", "no-plant", said_at="2027-05-20T10:00:00.000+00:00")
        row = store.plant(sha256)
        assert row is not None
        assert row.set_aside == "cannot-tell"
        assert [one.who for one in store.set_asides(sha256)] == ["Ann", "Ben"]
