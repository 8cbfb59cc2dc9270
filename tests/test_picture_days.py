"""Days of one picture in several files: which file tells the visit, and what is said of it."""

from __future__ import annotations

import io
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient
from PIL import Image
from stand_in import DrawnPlant
from test_batch import rows, stage, summary
from test_batch_again import put
from test_handcount_known import DAY, client, plants_of, send, survey

from collarvision.fieldvisits import visits_of
from collarvision.survey import HandCount, SurveyReader, SurveyWriter

__all__ = ["client", "survey"]  # fixtures

UNDATED = "no visit date"
TODAY = date.today().isoformat()  # which the page takes a photo to be of that tells no day


@pytest.fixture
def files(stand_in: Path, drawn_plant: DrawnPlant) -> dict[str, bytes]:
    """One picture in two files: one holds the time it was taken, from the other it is lost."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = f"{DAY.replace('-', ':')} 09:30:00"
    found = {}
    for name, more in (("dated", {"exif": exif}), ("undated", {})):
        out = io.BytesIO()
        Image.fromarray(drawn_plant.rgb).save(out, "JPEG", quality=98, **more)  # type: ignore[arg-type]
        found[name] = out.getvalue()
    return found


def days(root: Path) -> set[str | None]:
    return {row.date for row in rows(root).values()}


def said(root: Path, result: Any) -> str:
    return " ".join(summary(root, result).split())


# ------------------------------------------------------------------ a copy without a date


# Files are read by their names: the copy comes before the photo, and after it.
@pytest.mark.parametrize("copy", ["IMG_08 (1).jpg", "z.jpg"])
@pytest.mark.parametrize("at_once", [True, False])
def test_an_undated_copy_takes_no_day_from_its_photo(
    files: dict[str, bytes], tmp_path: Path, copy: str, at_once: bool
) -> None:
    root = tmp_path / "photos"
    first, second = sorted({copy: "undated", "IMG_08.jpg": "dated"}.items())
    put(root / "North" / first[0], files[first[1]])
    if not at_once:
        assert stage(root).undated == (first[1] == "undated")
    put(root / "North" / second[0], files[second[1]])
    result = stage(root)
    assert result.undated == 0
    assert UNDATED not in said(root, result)
    assert result.joined_pictures == ()
    assert days(root) == {DAY}
    with SurveyReader(tmp_path / "s.survey") as store:
        found = visits_of(store, "North")
    assert len(found.chosen.plants) == 1
    assert found.undated == ()
    for restage in (False, True, True):
        result = stage(root, restage=restage)
        assert (result.undated, days(root)) == (0, {DAY})


def test_an_undated_copy_in_another_field_stays_one_plant_where_it_was(
    files: dict[str, bytes], tmp_path: Path
) -> None:
    root = tmp_path / "photos"
    put(root / "East" / "a.jpg", files["undated"])
    put(root / "North" / "b.jpg", files["dated"])
    result = stage(root)
    assert {(row.field, row.date) for row in rows(root).values()} == {("East", None)}
    assert result.undated == 1
    assert len(result.joined_pictures) == 1  # and of the other it is said where it is filed


# ------------------------------------------------------------------ a day that the page guessed


def page_and_folder(
    client: TestClient, survey: Path, files: dict[str, bytes], sent: str, folder: str = ""
) -> Any:
    """A photo sent to the page is found in a dated folder later on; gives the batch's result."""
    send(client, files[sent], "field=1")
    (row,) = plants_of(survey)
    with SurveyWriter(survey) as store:
        store.add_hand_count(row.sha256, HandCount("Ann", f"{TODAY}T10:00:00+00:00", stage=3))
    root = survey.parent / "photos"
    put(root / "North" / "2027-05-21" / folder / "IMG_1.jpg", files[sent])
    return stage(root)


@pytest.mark.parametrize("folder", ["", "stop 2", "stop 2/plant 7"])
def test_a_dated_folder_outdoes_the_day_that_the_page_guessed(
    client: TestClient, survey: Path, files: dict[str, bytes], folder: str
) -> None:
    result = page_and_folder(client, survey, files, "undated", folder)
    (plant,) = plants_of(survey)
    assert len(plant.others) == 1
    assert {one.date for one in (plant, *plant.others)} == {"2027-05-21"}
    assert plant.hand_count is not None  # counts go with the photo
    (told,) = result.joined_pictures
    assert (told.was.date, told.now.date) == (TODAY, "2027-05-21")
    with SurveyReader(survey) as store:
        assert [one.date for one in store.visits("North")] == ["2027-05-21"]
    stage(survey.parent / "photos")
    assert len(plants_of(survey)) == 1


def test_a_day_from_the_photo_itself_and_a_plant_of_the_page_stay(
    client: TestClient, survey: Path, files: dict[str, bytes]
) -> None:
    page_and_folder(client, survey, files, "dated")
    assert {row.date for row in plants_of(survey)} == {DAY}


def test_a_plant_that_the_page_has_several_photos_of_stays(
    client: TestClient, survey: Path, files: dict[str, bytes]
) -> None:
    send(client, files["undated"], "field=1")
    (row,) = plants_of(survey)
    other = Image.open(io.BytesIO(files["undated"])).transpose(Image.Transpose.FLIP_LEFT_RIGHT)
    out = io.BytesIO()
    other.save(out, "JPEG", quality=98)
    send(client, out.getvalue(), f"of={row.sha256}")
    root = survey.parent / "photos"
    put(root / "North" / "2027-05-21" / "IMG_1.jpg", files["undated"])
    stage(root)
    (plant,) = plants_of(survey)
    assert (plant.date, len(plant.others)) == (TODAY, 2)
