"""A photo that the survey has already: sent by a phone, found by a batch, given as another side."""

from __future__ import annotations

import hashlib
import io
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from fastapi.testclient import TestClient
from PIL import Image
from stand_in import DrawnPlant
from surveys import MODEL, NORTH, check_sound, of_version, reading, sha
from test_batch import rows, stage, summary
from test_batch_again import put, side

from collarvision.fieldvisits import visits_of
from collarvision.handcount.site import create_site
from collarvision.plantphotos import whole_plants
from collarvision.survey import PlantRow, SurveyError, SurveyReader, SurveyWriter
from collarvision.survey.asread import known_picture

HERE = "http://localhost:8000"
DAY = "2027-05-20"
SAME = "This is the same photo: go round the plant and take another."


@pytest.fixture
def original(stand_in: Path, drawn_plant: DrawnPlant) -> bytes:
    """A phone's photo, dated, in its best quality."""
    exif, out = Image.Exif(), io.BytesIO()
    exif.get_ifd(0x8769)[0x9003] = "2027:05:20 09:30:00"
    Image.fromarray(drawn_plant.rgb).save(out, "JPEG", quality=98, exif=exif)
    return out.getvalue()


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as store:
        store.add_field("North")
        store.add_field("Sixty")
    return path


@pytest.fixture
def client(survey: Path, stand_in: Path) -> Iterator[TestClient]:
    site = create_site(survey, port=8000)
    with TestClient(site, HERE, client=("127.0.0.1", 1), follow_redirects=False) as client:
        token = client.get("/queue").text.split('name="token" content="')[1].split('"')[0]
        client.headers.update({"origin": HERE, "x-collarvision-token": token})
        yield client


def send(client: TestClient, data: bytes, to: str = "field=1") -> dict[str, Any]:
    answer = client.post(f"/photos?{to}", content=data)
    assert answer.status_code == 200, answer.text
    said: dict[str, Any] = answer.json()
    return said


def refused(client: TestClient, data: bytes, to: str) -> str:
    answer = client.post(f"/photos?{to}", content=data)
    assert answer.status_code == 422
    return answer.text


def plants_of(survey: Path) -> list[PlantRow]:
    with SurveyReader(survey) as store:
        return list(whole_plants(store.plants()))


# ------------------------------------------------------------------ the page and a batch


@pytest.mark.parametrize("note", ["", "rated"])
def test_a_phone_s_copy_of_a_staged_photo_is_no_second_plant(
    client: TestClient, survey: Path, original: bytes, note: str
) -> None:
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root)
    (staged,) = rows(root).values()
    said = send(client, put(survey.parent / "sent.jpg", original, note).read_bytes())
    assert said["url"] == f"/plants/{staged.sha256}"
    assert (said["words"], said["field"]) == ("The survey has this photo already.", "North")
    assert (said["stage"], said["outcome"]) == (staged.stage, staged.outcome)
    assert [row.sha256 for row in plants_of(survey)] == [staged.sha256]
    assert not Path(f"{survey}-photos").exists()
    assert client.get(f"/photos/{staged.sha256}/page").status_code == 200


@pytest.mark.parametrize(
    ("folder", "filed_anew"),
    # What somebody said of a plant's photos ends where they are filed elsewhere.
    [("", [4]), ("stop 2", [2, 2]), ("stop 2/plant 7", [4])],
)
def test_a_batch_over_what_phones_have_sent_makes_no_second_plant(
    client: TestClient, survey: Path, original: bytes, folder: str, filed_anew: list[int]
) -> None:
    sent = send(client, original)["url"].rsplit("/", 1)[1]
    send(client, side(original, 3), f"of={sent}")
    root = survey.parent / "photos"
    for number, data in ((1, original), (2, side(original, 3))):
        put(root / "North" / DAY / folder / f"IMG_{number}.jpg", data)
    result = stage(root)
    assert result.same_pictures == 2
    assert "2 photos held a picture that the survey had" in " ".join(summary(root, result).split())
    (together,) = plants_of(survey)
    assert len(together.others) == 3
    assert len(together.record["photos"]) == 4
    assert "2 photos of this plant: " in together.record["evidence"][0]
    # Read and filed anew, wherever it lies by now, no picture is in two plants.
    assert stage(root).steps == {"known": 2}
    stage(root, restage=True)
    assert [1 + len(row.others) for row in plants_of(survey)] == filed_anew
    check_sound(survey)


def test_one_picture_is_one_evidence_even_after_its_copy_was_read_again(
    client: TestClient, survey: Path, original: bytes
) -> None:
    send(client, original)
    copies = Path(f"{survey}-photos")
    stage(copies.rename(survey.parent / "copies"), restage=True)
    (alone,) = plants_of(survey)
    assert len(alone.record["sent_pixels_sha256"]) == 64
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root)
    (both,) = plants_of(survey)
    assert len(both.others) == 1
    assert both.outcome == alone.outcome
    assert both.confidence == pytest.approx(alone.confidence, abs=1e-4)
    assert "is the same picture as" in " ".join(both.record["evidence"])
    # The copy goes elsewhere: what shows the same plant goes along.
    (survey.parent / "copies" / DAY).rename(survey.parent / "copies" / "2027-05-21")
    stage(survey.parent / "copies", restage=True)
    (both,) = plants_of(survey)
    assert (both.date, len(both.others)) == ("2027-05-21", 1)


def test_a_photo_whose_file_got_other_notes_is_still_shown(
    client: TestClient, survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    photo = put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root)
    put(photo, original, "five stars")
    stage(root)
    (plant,) = plants_of(survey)
    assert (plant.path, len(plant.others)) == (str(photo), 1)
    assert client.get(f"/photos/{plant.sha256}/page").status_code == 200
    with SurveyReader(survey) as store:
        (shown,) = visits_of(store, "North").chosen.plants
    # As a report asks, which shows no other photo that lies there by now.
    assert shown.path is not None
    assert hashlib.sha256(Path(shown.path).read_bytes()).hexdigest() == shown.sha256


def test_a_picture_under_another_name_with_other_notes_is_one_plant(
    survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", original)
    stage(root)
    put(root / "North" / DAY / "IMG_1 (1).jpg", original, "rated")
    assert stage(root).same_pictures == 1
    assert len(plants_of(survey)) == 1


def test_a_photo_that_earlier_versions_took_is_known_by_its_copy(
    client: TestClient, survey: Path, original: bytes
) -> None:
    first = send(client, original)
    connection = sqlite3.connect(survey)
    with connection:
        connection.execute("DROP TRIGGER records_stay")
        connection.execute(
            "UPDATE records SET record = json_remove(record, '$.sent_pixels_sha256')"
        )
    connection.close()
    assert send(client, original)["url"] == first["url"]
    assert refused(client, original, f"of={first['url'].rsplit('/', 1)[1]}") == SAME


# ------------------------------------------------------------------ surveys of earlier versions


def test_a_survey_of_an_earlier_version_knows_its_pictures(tmp_path: Path) -> None:
    script = f"""
        INSERT INTO models VALUES (1, '{MODEL.sha256}', 'first');
        INSERT INTO photos (id, sha256, name) VALUES (1, '{sha(1)}', 'a.jpg'),
            (2, '{sha(2)}', 'b.jpg'), (3, '{sha(3)}', 'c.jpg');
        INSERT INTO readings VALUES (1, 1, 1, 1, 'guesses', '2027', 'staged', 3, 0.9, NULL),
            (2, 2, 1, 1, 'guesses', '2027', 'staged', 3, 0.9, NULL),
            (3, 3, 1, 1, 'guesses', '2027', 'staged', 3, 0.9, NULL);
        INSERT INTO records VALUES (1, '{{"pixels_sha256": "{sha(9)}"}}'), (2, '{{}}'),
            (3, 'spoilt');
    """
    path = of_version(5, tmp_path / "old.survey", script)
    with SurveyReader(path) as store:
        found = known_picture(store, sha(8), sha(9))
        assert found is not None
        assert found.photo == "a.jpg"
        assert known_picture(store, sha(2), sha(7)) is not None  # by its content alone
        assert known_picture(store, sha(8), sha(7)) is None
    check_sound(path)


def test_a_season_is_not_gone_through_for_each_photo(tmp_path: Path) -> None:
    from collarvision.survey import asread

    asked: list[str] = []
    with SurveyWriter(tmp_path / "s.survey", create=True) as store:
        store._connection.set_trace_callback(asked.append)
        asread.known_picture(store, sha(1), sha(2))
        store._connection.set_trace_callback(None)
        (question,) = (sql for sql in asked if "FROM records AS c" in sql)
        plan = [row[3] for row in store._connection.execute(f"EXPLAIN QUERY PLAN {question}")]
    for index in ("records_by_pixels", "records_by_sent_pixels"):
        assert any(index in step for step in plan), plan
    assert not any(step.startswith("SCAN") for step in plan), plan


# ------------------------------------------------------------------ the other side


def test_the_same_photo_is_no_other_side(client: TestClient, survey: Path, original: bytes) -> None:
    root = survey.parent / "photos"
    put(root / "North" / DAY / "IMG_1.jpg", side(original, 5))
    stage(root)
    (staged,) = rows(root).values()
    sent = send(client, original)["url"].rsplit("/", 1)[1]
    rated = put(survey.parent / "sent.jpg", original, "rated").read_bytes()
    for data, first in (
        (side(original, 5), staged.sha256),
        (original, sent),
        (rated, sent),
    ):
        assert refused(client, data, f"of={first}") == SAME
    assert len(plants_of(survey)) == 2
    assert not any(row.others for row in plants_of(survey))


def test_a_staged_photo_of_the_other_side_joins_its_plant(
    client: TestClient, survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    for number in (1, 2, 3):
        put(root / "North" / DAY / f"IMG_{number}.jpg", side(original, number))
    put(root / "North" / DAY / "plant 9" / "IMG_4.jpg", side(original, 4))
    put(root / "IMG_5.jpg", side(original, 5))  # of no field yet
    stage(root)
    first = rows(root)["IMG_1.jpg"].sha256
    for _ in range(2):  # the answer may have got lost on its way
        said = send(client, side(original, 2), f"of={first}")
        assert said["url"] == f"/plants/{rows(root)['IMG_2.jpg'].sha256}"
        assert said["words"] == "The survey has this photo already."
    send(client, side(original, 5), f"of={first}")
    told = refused(client, side(original, 4), f"of={first}")
    assert told.startswith("The survey has this photo already, as IMG_4.jpg of another plant")
    found = {name: row.plant for name, row in rows(root).items()}
    assert found["IMG_1.jpg"] == found["IMG_2.jpg"] == found["IMG_5.jpg"] is not None
    assert found["IMG_3.jpg"] is None
    assert found["IMG_4.jpg"] not in (None, found["IMG_1.jpg"])


def test_nobody_can_say_that_one_picture_is_two_looks_at_a_plant(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    pixels = ({"pixels_sha256": sha(7)}, {"pixels_sha256": sha(8), "sent_pixels_sha256": sha(7)})
    with SurveyWriter(path, create=True) as store:
        for number, notes in enumerate((*pixels, {"pixels_sha256": sha(9)}), start=1):
            said = reading(f"IMG_{number}.jpg")
            store.add_reading(said, sha256=sha(number), model=MODEL, place=NORTH, notes=notes)
        with pytest.raises(SurveyError) as told:
            store.say_one_plant([sha(1), sha(2)])
        assert str(told.value) == SAME
        assert {row.plant for row in store.plants()} == {None}
    # As two plants they would go on to count twice.
    result = run("together", path, "IMG_1", "IMG_2")
    assert result.exit_code == 2
    assert f"{SAME} It counts once." in " ".join(result.stderr.split())
    assert sorted(1 + len(row.others) for row in plants_of(path)) == [1, 2]
    assert run("together", path, "IMG_1", "IMG_2", "IMG_3").exit_code == 0
    (plant,) = plants_of(path)
    assert "2 photos of this plant: IMG_1.jpg V3, IMG_3.jpg V3." in plant.record["evidence"]


# ------------------------------------------------------------------ which field


def test_a_known_photo_says_that_it_stays_where_it_is(
    client: TestClient, survey: Path, original: bytes
) -> None:
    assert send(client, original)["words"] == "Filed."
    said = send(client, original, "new=South")
    assert said["words"] == "The survey has this photo already. It stays in North."
    (row,) = plants_of(survey)
    assert row.field == "North"
    assert send(client, original, "new=north")["words"] == "The survey has this photo already."


def test_a_known_photo_of_no_field_is_filed(
    client: TestClient, survey: Path, original: bytes
) -> None:
    root = survey.parent / "photos"
    put(root / "IMG_1.jpg", original)
    stage(root)
    assert send(client, original)["words"] == "The survey has this photo already."
    (row,) = plants_of(survey)
    assert (row.photo, row.field, row.date) == ("IMG_1.jpg", "North", DAY)


def test_a_field_typed_otherwise_is_answered_as_the_survey_spells_it(
    client: TestClient, original: bytes
) -> None:
    assert send(client, original, "new=sixty")["field"] == "Sixty"
    assert send(client, side(original, 1), "new=East")["field"] == "East"


# ------------------------------------------------------------------ the list


def listed(client: TestClient, to: str = "") -> tuple[str, dict[str, str]]:
    """The heading, and each card's text by its photo."""
    page = client.get(f"/plants{to}").text
    cards = {part.split("<b>")[1].split("</b>")[0]: " ".join(_words(part)) for part in _cards(page)}
    return page.split("<h1>")[1].split("</h1>")[0], cards


def _cards(page: str) -> list[str]:
    return page.split('<li class="card">')[1:]


def _words(part: str) -> list[str]:
    from html.parser import HTMLParser

    found: list[str] = []
    parser = HTMLParser()
    parser.handle_data = lambda data: found.extend(data.split())  # type: ignore[method-assign]
    parser.feed(part.split("</li>")[0])
    return found


def test_the_list_tells_plants_from_photos(client: TestClient, survey: Path) -> None:
    with SurveyWriter(survey) as store:
        for number, one in enumerate(
            (
                reading("a.jpg", stage=3, stage_probabilities=_belief(3)),
                reading("b.jpg", stage=5, stage_probabilities=_belief(5)),
                reading("c.jpg"),
                reading("r.jpg", stage=None),
                reading("s.jpg", stage=None),
                reading("top.jpg", view="above"),
            ),
            start=1,
        ):
            store.add_reading(one, sha256=sha(number), model=MODEL, place=NORTH)
        store.say_one_plant([sha(1), sha(2), sha(5)])
    title, cards = listed(client)
    assert title == "2 plants in 6 photos"
    (plant, *_) = (row for row in plants_of(survey) if row.others)
    assert plant.outcome == "hand-count"
    whole = {cards[name].split(" ")[0] for name in ("a.jpg", "b.jpg", "s.jpg")}
    assert len(whole) == 1  # one plant, one stage
    assert whole.pop() in ("V3?", "V4?", "V5?", "–")
    assert "hand count" in cards["a.jpg"]
    assert "with b.jpg, s.jpg; alone V3" in cards["a.jpg"]
    assert "with a.jpg, s.jpg; alone V5" in cards["b.jpg"]
    assert "with a.jpg, b.jpg; alone rejected" in cards["s.jpg"]
    assert "with" not in cards["c.jpg"]
    assert listed(client, "?field=1")[0] == "2 plants in 6 photos"
    assert listed(client, "?field=2")[0] == "0 plants in 0 photos"


def _belief(stage: int) -> tuple[float, ...]:
    belief = np.full(13, 0.01)
    belief[stage] = 1 - 0.12
    return tuple(belief)
