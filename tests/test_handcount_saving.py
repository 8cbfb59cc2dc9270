"""Saving and taking photos, below the page."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from countable import make_survey
from fastapi.testclient import TestClient
from PIL import Image
from stand_in import DrawnPlant

from collarvision.answer import Reading
from collarvision.batch.otherwise import Lay, notes_of
from collarvision.batch.worker import Options, Task, stage_file
from collarvision.handcount import taking
from collarvision.handcount.pictures import Pictures
from collarvision.handcount.protection import MAX_PHOTO_BYTES
from collarvision.handcount.saving import agreed_handles
from collarvision.handcount.site import create_site
from collarvision.handcount.taking import Busy, PhotoTaker, TakingError
from collarvision.photo import load_photo
from collarvision.plantphotos import whole_plants
from collarvision.survey import SurveyReader

HERE = "http://localhost:8000"


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading]) -> tuple[Path, list[str]]:
    return make_survey(tmp_path, drawn)


@pytest.fixture
def client(survey: tuple[Path, list[str]], stand_in: Path) -> Iterator[TestClient]:
    site = create_site(survey[0], port=8000)
    with TestClient(site, HERE, client=("127.0.0.1", 1), follow_redirects=False) as client:
        token = client.get("/queue").text.split('name="token" content="')[1].split('"')[0]
        client.headers.update({"origin": HERE, "x-collarvision-token": token})
        yield client


def plant_data(client: TestClient, sha256: str) -> dict[str, Any]:
    import html

    page = client.get(f"/plants/{sha256}").text
    data: dict[str, Any] = json.loads(html.unescape(page.split('data-plant="')[1].split('"')[0]))
    return data


def save(client: TestClient, sha256: str, key: int = 0, **said: Any) -> Any:
    body = {"who": "Ann", "way": "marked", "save_key": f"{key:016d}", **said}
    if "reading_id" not in body:
        body["reading_id"] = plant_data(client, sha256)["reading"]
    return client.post(f"/plants/{sha256}/counts", content=json.dumps(body))


# ------------------------------------------------------------------ saving


def test_marks_are_counted_again_here(client: TestClient, survey: tuple[Path, list[str]]) -> None:
    sha256 = survey[1][0]
    handles = plant_data(client, sha256)["handles"]
    for handle in handles:
        handle["rank"] = handle["rank"] and handle["rank"] + 1
        handle["rounded"] = False
    gap = save(client, sha256, handles=handles)
    assert gap.status_code == 422
    assert gap.text == "Leaf 1 without a collar: add it, mark the leaf lost, or renumber."
    lost = {"part": "leaf", "rank": 1, "lost": True}
    # The stage is what the points come to, whatever else is claimed.
    saved = save(client, sha256, handles=[*handles, lost], stage=9)
    assert saved.json()["words"] == "V4"
    with SurveyReader(survey[0]) as store:
        (count,) = store.counts()
    assert (count.count.stage, count.count.height_mm) == (4, None)  # nobody moved soil or arch


@pytest.mark.parametrize(
    ("handles", "words"),
    [
        ([], "Nothing is marked"),
        ([{"part": "soil", "x": 5, "y": 5}], "Nothing is marked"),
        ([{"part": "leaf", "rank": 1}], "A lost leaf has no collar"),
        ([{"part": "collar", "x": 5, "y": 5, "rank": 1, "lost": True}], "A lost leaf has no"),
        ([{"part": "collar", "x": 901, "y": 5, "rank": 1}], "outside the photo"),
        ([{"part": "collar", "x": None, "y": 5, "rank": 1}], "no place"),
    ],
)
def test_marks_that_make_no_count_are_refused(
    client: TestClient, survey: tuple[Path, list[str]], handles: list[Any], words: str
) -> None:
    answer = save(client, survey[1][0], handles=handles)
    assert answer.status_code == 422
    assert words in answer.text


def test_a_count_makes_no_survey_where_there_is_none_any_more(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    path, (sha256, *_) = survey
    page = plant_data(client, sha256)
    path.rename(path.with_suffix(".moved"))
    answer = save(client, sha256, reading_id=page["reading"], handles=page["handles"])
    assert answer.status_code == 503  # the page keeps the count and tries again
    assert path.name in answer.text
    assert not path.exists()


def test_agreeing_needs_a_stage_and_keeps_points_only_if_they_say_it(
    drawn: tuple[bytes, Reading],
) -> None:
    record = drawn[1].record()
    assert len(agreed_handles(record)) == 3 + 4 + 2
    assert agreed_handles({**record, "stage": 4}) == ()


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (
            {"stage": 1, "height_mm": 900, "unit": "cm"},
            "V1 at 90 cm is far too tall: 90 mm? Nothing",
        ),
        ({"stage": 8, "height_mm": 30, "unit": "cm"}, "V8 at 3 cm is far too short: 3 ft? Nothing"),
        ({"stage": 8, "height_mm": 30}, "V8 at 1.2 in is far too short. Nothing is kept"),
        ({"stage": 6, "height_mm": 2540, "unit": "in"}, "V6 at 100 in is far too tall"),
        ({"stage": 22, "height_mm": 1}, "V22 at 0.0 in is far too short. Nothing is kept"),
        ({"way": "split-stalk", "nodes": 4, "height_mm": 25.4, "unit": "in"}, "V8 at 1 in is far"),
    ],
)
def test_a_typed_stage_and_height_that_cannot_both_be_are_refused(
    client: TestClient, survey: tuple[Path, list[str]], said: dict[str, Any], words: str
) -> None:
    answer = save(client, survey[1][0], **{"way": "on-plant", **said})
    assert (answer.status_code, words in answer.text) == (422, True), answer.text
    with SurveyReader(survey[0]) as store:
        assert list(store.counts()) == []


def test_a_pair_that_hardly_fits_is_kept_and_asked_about(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    first, second, third = survey[1]
    said = save(client, first, 1, way="on-plant", stage=6, height_mm=190, unit="cm").json()
    assert said["doubt"] == "SURE? V6 at 19 cm is unusually short: 19 in? Count it again if so."
    # What was typed on one day and counted on another is one plant's too. Nobody typed 7.5 in.
    again = save(client, first, 2, way="on-plant", stage=7).json()["doubt"]
    assert again == "SURE? V7 at 7.5 in is unusually short. Count it again if either is a slip."
    marked = plant_data(client, second)["handles"]
    arch = next(handle for handle in marked if handle["part"] == "arch")
    soil = next(handle for handle in marked if handle["part"] == "soil")
    arch["y"] = soil["y"] - 30
    said = save(client, second, 3, handles=marked).json()
    assert (said["words"], "SURE? V3 at 0.6 in is far too short." in said["doubt"]) == ("V3", True)
    assert save(client, third, 4, way="on-plant", stage=6, height_mm=430).json()["doubt"] is None


def test_a_height_that_no_plant_has_is_not_kept_where_it_is_dragged_either(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    marked = plant_data(client, survey[1][0])["handles"]
    arch, soil = (next(h for h in marked if h["part"] == part) for part in ("arch", "soil"))
    arch["x"], arch["y"] = soil["x"] + 1, soil["y"] - 3
    answer = save(client, survey[1][0], handles=marked)
    assert answer.status_code == 422
    assert "V3 at 0.1 in is far too short. Nothing is kept: see where the soil line" in answer.text
    with SurveyReader(survey[0]) as store:
        assert list(store.counts()) == []


def test_a_page_that_shows_an_older_reading_is_told_so(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    answer = save(client, survey[1][0], way="agreed", reading_id=999)
    assert answer.status_code == 409
    assert "read again meanwhile" in answer.text


def test_a_count_outlives_the_reading_that_was_shown(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    """A phone that was out of reach while the photo was read again sends what was counted."""
    sha256 = survey[1][0]
    for key, words in (
        (1, {"way": "on-plant", "stage": 5}),
        (2, {"way": "split-stalk", "nodes": 8}),
    ):
        assert save(client, sha256, key, reading_id=999, **words).status_code == 200
    agreed = save(client, sha256, 3, way="agreed")
    with SurveyReader(survey[0]) as store:
        shown = store.counts()
        assert [c.count.way for c in shown] == ["on-plant", "split-stalk", "agreed"]
    # The same save sent again is found although another reading is the latest by now.
    again = save(client, sha256, 3, way="agreed", reading_id=999)
    assert (again.status_code, again.json()["words"]) == (200, agreed.json()["words"])
    with SurveyReader(survey[0]) as store:
        assert len(list(store.counts())) == 3


def test_who_counted_meanwhile_is_told(client: TestClient, survey: tuple[Path, list[str]]) -> None:
    sha256 = survey[1][0]
    assert save(client, sha256, 1, way="on-plant", stage=4, who="Bo").json()["new"] == []
    said = save(client, sha256, 2, way="on-plant", stage=3).json()
    assert [one["who"] for one in said["new"]] == ["Bo"]
    assert said["apart"] == {"Bo": "V4", "Ann": "V3"}
    listed = client.get(f"/plants/{sha256}/counts").json()["counts"]
    assert [(one["who"], one["stage"]) for one in listed] == [("Ann", "V3"), ("Bo", "V4")]


def test_the_end_of_the_queue_leads_back_to_it(
    client: TestClient, survey: tuple[Path, list[str]]
) -> None:
    hops = [save(client, sha, n, way="agreed").json()["next"] for n, sha in enumerate(survey[1])]
    assert hops == [f"/plants/{survey[1][1]}", f"/plants/{survey[1][2]}", "/queue"]
    assert "Nothing waits here" in client.get("/queue").text
    skipped = client.get(f"/plants/{survey[1][0]}/next")
    assert skipped.headers["location"] == "/queue"


def test_one_field_at_a_time(client: TestClient, survey: tuple[Path, list[str]]) -> None:
    for path in ("/queue", "/plants", "/agreement"):
        assert client.get(f"{path}?field=1").status_code == 200
        assert client.get(f"{path}?field=").status_code == 200
    skipped = client.get(f"/plants/{survey[1][0]}/next?field=1")
    assert skipped.headers["location"] == f"/plants/{survey[1][1]}?field=1"


# ------------------------------------------------------------------ taking photos


def jpeg(rgb: Any, **options: Any) -> bytes:
    out = io.BytesIO()
    Image.fromarray(rgb).save(out, "JPEG", quality=92, **options)
    return out.getvalue()


def test_a_photo_is_encoded_anew_read_and_filed(
    client: TestClient, survey: tuple[Path, list[str]], drawn_plant: DrawnPlant
) -> None:
    exif = Image.Exif()
    inner = exif.get_ifd(0x8769)
    inner[0x9003], inner[0xA405] = "2027:05:21 09:30:00", 26
    inner[0x927C] = b"maker's note"
    exif[0x010F], exif[0x9286] = "Maker", "comment"
    gps = exif.get_ifd(0x8825)
    gps[1], gps[2], gps[3], gps[4] = "N", (41.0, 30.0, 15.5), "W", (93.0, 36.0, 0.25)
    sent = jpeg(drawn_plant.rgb, exif=exif, comment=b"<?php evil ?>") + b"<?php evil ?>"
    answer = client.post("/photos?new=South <b>", content=sent)
    assert answer.status_code == 200, answer.text
    said = answer.json()
    assert (said["outcome"] in ("staged", "hand-count"), said["stage"]) == (True, 3)
    with SurveyReader(survey[0]) as store:
        row = store.plant(said["url"].rsplit("/", 1)[1])
        assert row is not None
        (path,) = store.files_of(row.sha256)
    assert (row.field, row.date) == ("South <b>", "2027-05-21")
    assert row.gps == pytest.approx((41 + 30 / 60 + 15.5 / 3600, -(93 + 36 / 60 + 0.25 / 3600)))
    stored = Path(path)
    assert stored.parent == Path(f"{survey[0]}-photos") / "2027-05-21"
    data = stored.read_bytes()
    for trace in (b"evil", b"Maker", b"maker", b"comment"):
        assert trace not in data
    assert load_photo(data).focal_eq_mm == 26
    assert client.get(f"/photos/{row.sha256}/page").status_code == 200


def test_how_a_photo_was_read_is_noted_as_a_batch_notes_it(
    survey: tuple[Path, list[str]], stand_in: Path, drawn_plant: DrawnPlant
) -> None:
    taker = PhotoTaker(survey[0], Pictures(survey[0]), check_bar_mm=97.5)
    taken = taker.take(jpeg(drawn_plant.rgb), "North").result(30)
    taker.close()
    with SurveyReader(survey[0]) as store:
        row = store.plant(taken.sha256)
        assert row is not None
        (path,) = store.files_of(row.sha256)
    other = stage_file(Task(0, path, None), Options(check_bar_mm=97.5))
    noted = notes_of(other.pixels_sha256, other.options, Lay(path))
    assert {name: row.record[name] for name in noted} == noted
    assert noted["read_with"]["check_bar_mm"] == 97.5
    assert len(noted["pixels_sha256"]) == 64


def test_a_photo_without_a_date_is_of_today(
    client: TestClient, survey: tuple[Path, list[str]], drawn_plant: DrawnPlant
) -> None:
    answer = client.post("/photos?field=1", content=jpeg(drawn_plant.rgb))
    with SurveyReader(survey[0]) as store:
        row = store.plant(answer.json()["url"].rsplit("/", 1)[1])
    assert row is not None
    assert (row.field, row.date) == ("North", date.today().isoformat())


@pytest.mark.parametrize(
    ("path", "content", "status", "words"),
    [
        ("/photos?field=1", b"", 422, "empty"),
        ("/photos?field=", b"GIF89a", 422, "Choose a field"),
        ("/photos?field=1", b"GIF89a not really", 422, ""),
        ("/photos?field=1", b"<svg xmlns='http://www.w3.org/2000/svg'/>", 422, "text"),
        ("/photos?field=1", b"%PDF-1.7", 422, "PDF"),
        ("/photos?field=99", b"x", 404, "no such field"),
        ("/photos?new=", b"x", 422, "Choose a field"),
        ("/photos?new=" + "x" * 81, b"x", 422, "Choose a field"),
    ],
)
def test_what_is_no_photo_or_has_no_field_is_refused(
    client: TestClient,
    survey: tuple[Path, list[str]],
    path: str,
    content: bytes,
    status: int,
    words: str,
) -> None:
    answer = client.post(path, content=content)
    assert answer.status_code == status
    assert words in answer.text
    assert not Path(f"{survey[0]}-photos").exists()


def test_photos_are_limited_in_bytes_and_pixels(
    client: TestClient, monkeypatch: pytest.MonkeyPatch, drawn_plant: DrawnPlant
) -> None:
    assert client.post("/photos?field=1", content=b"x" * (MAX_PHOTO_BYTES + 1)).status_code == 413
    monkeypatch.setattr(taking, "MAX_MEGAPIXELS", 1.0)  # the drawing has 1.08
    answer = client.post("/photos?field=1", content=jpeg(drawn_plant.rgb))
    assert answer.status_code == 422
    assert "megapixels" in answer.text


def test_a_photo_of_the_other_side_joins_its_plant(
    client: TestClient, survey: tuple[Path, list[str]], drawn_plant: DrawnPlant
) -> None:
    first = survey[1][0]
    assert "One more photo of the plant of" in client.get(f"/take?of={first}").text
    answer = client.post(f"/photos?of={first}", content=jpeg(drawn_plant.rgb))
    assert answer.status_code == 200, answer.text
    second = answer.json()["url"].rsplit("/", 1)[1]
    with SurveyReader(survey[0]) as store:
        one, other = store.plant(first), store.plant(second)
        assert one is not None
        assert other is not None
        assert (other.field, other.date, other.stop) == (one.field, one.date, one.stop)
        assert one.plant == other.plant == "1"
        (together,) = (row for row in whole_plants(store.plants()) if row.others)
    for sha256, seen in ((first, other.photo), (second, one.photo)):
        page = client.get(f"/plants/{sha256}").text
        assert "2 photos of this plant read together: V3" in page
        assert f">{seen}</a>" in page
    assert {together.sha256, together.others[0].sha256} == {first, second}


def test_the_other_side_of_no_photo_is_refused(
    client: TestClient, survey: tuple[Path, list[str]], drawn_plant: DrawnPlant
) -> None:
    unknown = "0" * 64
    assert client.get(f"/take?of={unknown}").status_code == 404
    assert client.get("/take?of=../x").status_code == 404
    content = jpeg(drawn_plant.rgb)
    assert client.post(f"/photos?of={unknown}", content=content).status_code == 404
    assert not Path(f"{survey[0]}-photos").exists()


def test_no_more_photos_at_a_time_than_can_be_read(
    survey: tuple[Path, list[str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    import threading

    go = threading.Event()
    taker = PhotoTaker(survey[0], Pictures(survey[0]))

    def slow(data: bytes, field: str, of: str | None) -> Any:
        go.wait(10)
        raise TakingError("read")

    monkeypatch.setattr(taker, "_take", slow)
    futures = [taker.take(b"", "North") for _ in range(4)]
    with pytest.raises(Busy, match="again in a few seconds"):
        taker.take(b"", "North")
    go.set()
    for future in futures:
        with pytest.raises(TakingError):
            future.result(10)
    taker.take(b"", "North")  # there is room again
    taker.close()


def test_a_stage_that_its_collars_do_not_come_to_is_explained(
    client: TestClient, survey: tuple[Path, list[str]], drawn: tuple[bytes, Reading]
) -> None:
    from countable import add_plant

    from collarvision.survey import SurveyWriter

    with SurveyWriter(survey[0], create=True) as store:
        sha256 = add_plant(store, survey[0].parent, drawn, "other.jpg", stage=4)
    told = "Read as V4, though the collars it shows come to V3"
    assert told in client.get(f"/plants/{sha256}").text
    assert "though the collars" not in client.get(f"/plants/{survey[1][0]}").text


def test_a_broken_calibration_is_said_on_the_queue_and_stops_no_count(
    client: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collarvision.handcount import pages_lists
    from collarvision.network import ModelError

    def broken(*asked: Any) -> Any:
        raise ModelError("The calibration file c.json is broken. Install the package again.")

    monkeypatch.setattr(pages_lists, "warnings_of", broken)
    monkeypatch.setattr(pages_lists, "_said", {})
    page = client.get("/queue")
    assert page.status_code == 200
    assert "calibration file c.json is broken" in page.text
