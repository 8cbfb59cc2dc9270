"""Export: a row a plant in three forms that others' programs read, whole or not there."""

from __future__ import annotations

import csv
import json
import math
import os
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from command import run
from hypothesis import given, settings
from hypothesis import strategies as st
from surveys import MODEL, NEWER, NORTH, reading, sha

from collarvision.answer import CollarMark, TipMark
from collarvision.coco import read_coco
from collarvision.export import COLUMNS, export_plants, row_of
from collarvision.handles import Handle
from collarvision.record import Record
from collarvision.survey import FileFacts, HandCount, Place, PlantRow, SurveyWriter
from collarvision.writing import OutputError


@pytest.fixture
def survey(tmp_path: Path) -> Path:
    """Three plants: one with everything, one rejected, one unfiled whose latest reading counts."""
    path = tmp_path / "season.survey"
    with SurveyWriter(path, create=True) as store:
        store.add_reading(
            reading(
                taken_at="2027-05-20T09:00:00",
                gps=(41.5, -93.25),
                height_mm=183.04,
                height_interval_mm=(178.0, 188.5),
                height_rule="half-out",
                reasons=('Could be "V3", or V4.', "Count by hand;\nthen note it."),
                outcome="hand-count",
            ),
            sha256=sha(1),
            model=MODEL,
            place=NORTH,
            file=FileFacts("/photos/ü, 1.jpg", 1, 1, 1),
        )
        store.add_hand_count(sha(1), HandCount("Ann", "2027-05-20T10:00", 4, note="split"))
        store.add_reading(reading("b.jpg", None), sha256=sha(2), model=MODEL, place=Place("Süd"))
        store.add_reading(reading("c.jpg", 5), sha256=sha(3), model=MODEL)
        store.add_reading(reading("c.jpg", 6), sha256=sha(3), model=NEWER)
    return path


def by_name(rows: list[dict[str, Any]]) -> dict[str, dict[str, Any]]:
    return {row["photo"]: row for row in rows}


def test_csv_is_read_back_by_any_reader(survey: Path, tmp_path: Path) -> None:
    out = tmp_path / "plants.csv"
    result = run("export", survey, "--to", out)
    assert result.exit_code == 0
    assert "Wrote 3 plants" in result.stderr
    assert "the label is the law" in result.stderr
    # RFC 4180, section 2: lines end in CRLF, one header line, as many fields in every line.
    assert out.read_bytes().startswith(",".join(COLUMNS).encode() + b"\r\n")
    with open(out, encoding="utf-8", newline="") as stream:
        lines = list(csv.reader(stream, strict=True))
    assert {len(line) for line in lines} == {len(COLUMNS)}
    rows = by_name([dict(zip(lines[0], line, strict=True)) for line in lines[1:]])
    first = rows["IMG_1.jpg"]
    assert (first["field"], first["visit"], first["stop"]) == ("North", "2027-05-20", "3")
    assert (first["stage"], first["stage_name"], first["height_mm"]) == ("3", "V3", "183.0")
    assert (first["latitude"], first["longitude"]) == ("41.5", "-93.25")
    assert first["reasons"] == 'Could be "V3", or V4. Count by hand;\nthen note it.'
    assert (first["hand_stage"], first["hand_by"], first["path"]) == (
        "4",
        "Ann",
        "/photos/ü, 1.jpg",
    )
    assert (rows["c.jpg"]["stage"], rows["c.jpg"]["model"]) == ("6", "second")
    assert rows["b.jpg"]["stage"] == ""


def test_json_holds_the_whole_records(survey: Path, tmp_path: Path) -> None:
    out = tmp_path / "plants.json"
    assert run("export", survey, "--to", out).exit_code == 0
    rows = by_name(json.loads(out.read_text(encoding="utf-8")))
    assert set(rows) == {"IMG_1.jpg", "b.jpg", "c.jpg"}
    assert tuple(rows["b.jpg"])[:-1] == COLUMNS
    assert Record.model_validate(rows["IMG_1.jpg"]["record"]).stage == 3
    assert rows["IMG_1.jpg"]["height_low_mm"] == 178.0


def check_geojson(content: Any) -> None:
    """The rules of RFC 7946 for a collection of points, by section."""
    assert content["type"] == "FeatureCollection"  # 3.3
    assert isinstance(content["features"], list)
    assert not {"coordinates", "geometries", "geometry", "properties"} & set(content)  # 7.1
    for feature in content["features"]:
        assert feature["type"] == "Feature"  # 3.2
        assert {"geometry", "properties"} <= set(feature)
        assert feature["properties"] is None or isinstance(feature["properties"], dict)
        assert isinstance(feature.get("id", ""), str | int | float)
        assert not {"coordinates", "geometries", "features"} & set(feature)  # 7.1
        assert "crs" not in feature  # 4: always WGS 84
        geometry = feature["geometry"]
        if geometry is not None:  # 3.2: null for the unlocated
            assert geometry["type"] == "Point"  # 3.1.2
            longitude, latitude = geometry["coordinates"]  # 3.1.1: in this order
            assert math.isfinite(longitude)
            assert math.isfinite(latitude)
            assert -180 <= longitude <= 180
            assert -90 <= latitude <= 90


def test_geojson_follows_the_standard(survey: Path, tmp_path: Path) -> None:
    """IETF RFC 7946, The GeoJSON Format, August 2016."""
    out = tmp_path / "plants.geojson"
    assert run("export", survey, "--to", out).exit_code == 0
    content = json.loads(out.read_text(encoding="utf-8"))
    check_geojson(content)
    points = {f["properties"]["photo"]: f["geometry"] for f in content["features"]}
    assert points["IMG_1.jpg"] == {"type": "Point", "coordinates": [-93.25, 41.5]}
    assert points["b.jpg"] is None
    assert "the label is the law" in content["caution"]


def test_geojson_passes_a_validator_of_others(survey: Path, tmp_path: Path) -> None:
    """The `geojson` package, which checks every object by the standard's rules."""
    geojson = pytest.importorskip("geojson")
    out = tmp_path / "plants.geojson"
    assert run("export", survey, "--to", out).exit_code == 0
    read = geojson.loads(out.read_text(encoding="utf-8"))
    assert isinstance(read, geojson.FeatureCollection)
    assert read.is_valid, read.errors()
    assert len(read.features) == 3
    assert geojson.loads(geojson.dumps(read)) == read


# ------------------------------------------------------------------ Parquet


def test_parquet_is_read_back_with_its_types(survey: Path, tmp_path: Path) -> None:
    """Through Arrow's own reader and through pandas, against the CSV of the same survey."""
    parquet, pandas = pytest.importorskip("pyarrow.parquet"), pytest.importorskip("pandas")
    out, same = tmp_path / "plants.parquet", tmp_path / "plants.csv"
    result = run("export", survey, "--to", out)
    assert result.exit_code == 0
    assert "Wrote 3 plants" in result.stderr
    run("export", survey, "--to", same)
    table = parquet.read_table(out)
    assert tuple(table.column_names) == COLUMNS
    assert b"the label is the law" in table.schema.metadata[b"caution"]
    rows = by_name(table.to_pylist())
    first = rows["IMG_1.jpg"]
    assert (first["visit"], first["stage"], first["hand_stage"]) == (date(2027, 5, 20), 3, 4)
    assert first["reasons"] == ['Could be "V3", or V4.', "Count by hand;\nthen note it."]
    assert first["read_at"].utcoffset() == timedelta(0)
    assert rows["b.jpg"]["stage"] is None
    frame, flat = pandas.read_parquet(out), pandas.read_csv(same)
    assert frame["photo"].tolist() == flat["photo"].tolist()
    for name in ("stage", "confidence", "height_mm", "latitude", "hand_stage"):
        pandas.testing.assert_series_equal(
            frame[name], flat[name], check_dtype=False, check_names=False
        )


def test_many_plants_are_written_in_groups(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    monkeypatch.setattr("collarvision.export.PARQUET_ROWS", 10)
    out = tmp_path / "o.parquet"
    assert export_plants((replace(PLANT, photo=f"{k}.jpg") for k in range(25)), out) == 25
    file = parquet.ParquetFile(out)
    assert [file.metadata.row_group(k).num_rows for k in range(3)] == [10, 10, 5]
    assert export_plants([], tmp_path / "empty.parquet") == 0
    assert parquet.read_table(tmp_path / "empty.parquet").num_rows == 0


def test_parquet_without_its_package_is_a_sentence(
    survey: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    result = run("export", survey, "--to", tmp_path / "o.parquet")
    assert result.exit_code == 2
    assert "collarvision[parquet]" in result.stderr


# ------------------------------------------------------------------ COCO

READ = {
    "photo_size": (600, 800),
    "collars": (CollarMark(1, 300.5, 640.5, 0.9), CollarMark(2, 301.0, 560.0, 0.9)),
    "tips": (TipMark(1, 250.0, 600.0, "rounded", 0.9), TipMark(2, 380.0, 500.0, "pointed", 0.9)),
    "soil_line": (300.0, 700.0),
    "lower_leaves_missing": 0,
}


def test_coco_holds_what_people_marked_and_what_was_staged_and_says_which(tmp_path: Path) -> None:
    """Read by the COCO authors' own reader, pycocotools."""
    coco = pytest.importorskip("pycocotools.coco")
    path, out = tmp_path / "s.survey", tmp_path / "plants.coco.json"
    with SurveyWriter(path, create=True) as store:
        for number, (name, outcome) in enumerate(
            [("staged.jpg", "staged"), ("marked.jpg", "hand-count"), ("waiting.jpg", "hand-count"),
             ("denied.jpg", "staged"), ("split.jpg", "staged")], start=1
        ):  # fmt: skip
            said = reading(name, 2, **READ, outcome=outcome)
            store.add_reading(said, sha256=sha(number), model=MODEL)
        store.add_reading(reading("none.jpg", None), sha256=sha(8), model=MODEL)
        store.add_reading(reading("above.jpg", None, view="above"), sha256=sha(9), model=MODEL)
        moved = (Handle("collar", 310.5, 630.5, 1), Handle("collar", 301, 560, 2, occluded=True),
                 Handle("collar", 302, 480, 3), Handle("soil", 300, 700))  # fmt: skip
        store.add_hand_count(
            sha(2), HandCount("Ann", "2027-05-20T10:00", 3, way="marked"), handles=moved
        )
        store.add_hand_count(sha(4), HandCount("Ann", "2027-05-20T10:00", 6, way="on-plant"))
        nodes = HandCount("Ann", "2027-05-20T10:00", None, 8, way="split-stalk")
        store.add_hand_count(sha(5), nodes)
    result = run("export", path, "--to", out)
    assert result.exit_code == 0, result.output
    assert "Wrote 2 plants" in result.stderr
    assert "the label is the law" in json.loads(out.read_text(encoding="utf-8"))["info"]["caution"]
    read = coco.COCO(str(out))
    images = {image["id"]: image for image in read.loadImgs(read.getImgIds())}
    plants = {
        images[a["image_id"]]["file_name"]: a for a in read.loadAnns(read.getAnnIds(catIds=[1]))
    }
    assert set(plants) == {"staged.jpg", "marked.jpg"}
    assert plants["staged.jpg"]["attributes"]["labelled_by"] is None
    assert plants["marked.jpg"]["attributes"]["labelled_by"] == "Ann"
    assert [plants[n]["attributes"]["stage"] for n in ("staged.jpg", "marked.jpg")] == [2, 3]
    names = read.loadCats([1])[0]["keypoints"]
    at = 3 * names.index("collar_1")
    # COCO counts pixels from 0, so that the middle of the first one is 0 and not 0.5.
    assert plants["staged.jpg"]["keypoints"][at : at + 3] == [300.0, 640.0, 2]
    assert plants["marked.jpg"]["keypoints"][at : at + 3] == [310.0, 630.0, 2]
    assert {images[k]["width"] for k in images} == {600}
    back = read_coco(out)
    assert not back.problems
    assert {(plant.sha256, plant.who) for plant in back.plants} == {(sha(1), None), (sha(2), "Ann")}


def test_photos_of_one_plant_are_called_photos_where_each_is_written(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    with SurveyWriter(path, create=True) as store:
        for number in (1, 2):
            said = reading(f"IMG_{number}.jpg", 2, **READ)
            place = Place("North", "2027-05-20", "3", "folder", plant="2")
            store.add_reading(said, sha256=sha(number), model=MODEL, place=place)
    for ending, wrote in (("coco.json", "Wrote 2 photos"), ("csv", "Wrote 1 plant to")):
        assert run("export", path, "--to", tmp_path / f"o.{ending}").stderr.startswith(wrote)


@pytest.fixture
def walked(survey: Path) -> Path:
    """Two plants more that have no photo: one was counted again, one's height alone is known."""
    with SurveyWriter(survey) as store:
        (stop,) = store.stops("North")
        first = store.add_stop_count(stop.id, HandCount("Ann", "2027-05-20T10:00", 16))
        store.count_stop_plant_again(first, HandCount("Ann", "2027-05-20T10:01", 6, note="slip"))
        place = Place("Süd", None, "9")
        store.add_stop_count(place, HandCount("Bo", "2027-05-20T11:00", height_mm=508.0))
    return survey


def test_plants_without_a_photo_have_their_row_too(walked: Path, tmp_path: Path) -> None:
    for form in ("csv", "json", "geojson"):
        result = run("export", walked, "--to", tmp_path / f"o.{form}")
        assert "Wrote 5 plants" in result.stderr
    with open(tmp_path / "o.csv", encoding="utf-8", newline="") as stream:
        bare = [row for row in csv.DictReader(stream, strict=True) if row["photo"] == ""]
    first, second = ({key: said for key, said in row.items() if said} for row in bare)
    assert first == {
        "field": "North", "visit": "2027-05-20", "stop": "3", "plant": "stop 3, plant 1",
        "latitude": "41.5", "longitude": "-93.25", "photos": "0",
        "hand_stage": "6", "hand_by": "Ann", "hand_at": "2027-05-20T10:01", "hand_note": "slip",
    }  # fmt: skip
    assert second == {
        "field": "Süd", "stop": "9", "plant": "stop 9, plant 1", "photos": "0",
        "hand_height_mm": "508.0", "hand_by": "Bo", "hand_at": "2027-05-20T11:00",
    }  # fmt: skip
    rows = json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))
    assert {tuple(row) for row in rows} == {(*COLUMNS, "record")}
    assert [(row["hand_stage"], row["record"]) for row in rows[3:]] == [(6, None), (None, None)]
    content = json.loads((tmp_path / "o.geojson").read_text(encoding="utf-8"))
    check_geojson(content)
    assert len({feature["id"] for feature in content["features"]}) == 5
    assert content["features"][3]["geometry"]["coordinates"] == [-93.25, 41.5]
    assert content["features"][4]["geometry"] is None
    run("export", walked, "--to", tmp_path / "o.json", "--field", "North")
    assert len(json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))) == 2


def test_plants_without_a_photo_in_parquet(walked: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    assert run("export", walked, "--to", tmp_path / "o.parquet").exit_code == 0
    row = parquet.read_table(tmp_path / "o.parquet").to_pylist()[3]
    assert (row["visit"], row["hand_stage"], row["photos"]) == (date(2027, 5, 20), 6, 0)
    assert (row["photo"], row["read_at"], row["outcome"], row["stage"]) == (None,) * 4


def test_coco_says_which_plants_it_has_no_place_for(walked: Path, tmp_path: Path) -> None:
    said = run("export", walked, "--to", tmp_path / "o.coco.json").stderr
    assert "Left out: 2 plants that were counted at a stop without a photo" in said
    said = run("export", walked, "--to", tmp_path / "o.coco.json", "--field", "North").stderr
    assert "Left out: 1 plant that was counted at a stop without a photo" in said


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@given(
    field=TEXT, stop=TEXT, name=TEXT, reason=TEXT, lat=st.floats(-90, 90), lon=st.floats(-180, 180)
)
@settings(max_examples=60, deadline=None)
def test_any_text_goes_out_and_comes_back(
    tmp_path_factory: pytest.TempPathFactory,
    field: str,
    stop: str,
    name: str,
    reason: str,
    lat: float,
    lon: float,
) -> None:
    plant = replace(
        PLANT, field=field, stop=stop, photo=name, gps=(lat, lon), record={"reasons": [reason]}
    )
    folder = tmp_path_factory.getbasetemp()
    for form in ("csv", "json", "geojson"):
        assert export_plants([plant, plant], folder / f"any.{form}") == 2
    with open(folder / "any.csv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream, strict=True))
    assert len(rows) == 2
    # Text that a spreadsheet would take for a formula has an apostrophe before it.
    assert [rows[1][key] for key in ("field", "stop", "photo", "reasons")] == [
        f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text
        for text in (field, stop, name, reason)
    ]
    assert (float(rows[0]["latitude"]), float(rows[0]["longitude"])) == (lat, lon)
    assert json.loads((folder / "any.json").read_text(encoding="utf-8"))[1]["reasons"] == [reason]
    content = json.loads((folder / "any.geojson").read_text(encoding="utf-8"))
    check_geojson(content)
    assert content["features"][0]["properties"]["stop"] == stop


@pytest.mark.parametrize("first", ["=", "+", "-", "@", "\t", "\r"])
def test_no_spreadsheet_takes_a_name_for_a_formula(tmp_path: Path, first: str) -> None:
    said = f'{first}HYPERLINK("https://example.org")'
    count = HandCount(said, "2026-05-20T10:00:00+00:00", 4, height_mm=200.0, note=said)
    plant = replace(
        PLANT, field=said, photo=said, gps=(-33.5, -70.25), hand_count=count,
        record={"reasons": [said, "=2"]},
    )  # fmt: skip
    for form in ("csv", "json"):
        export_plants([plant], tmp_path / f"o.{form}")
    with open(tmp_path / "o.csv", encoding="utf-8", newline="") as stream:
        (row,) = csv.DictReader(stream, strict=True)
    for name in ("field", "photo", "hand_by", "hand_note"):
        assert row[name] == f"'{said}"
    assert row["reasons"] == f"'{said} =2"
    assert (row["latitude"], row["longitude"], row["hand_stage"]) == ("-33.5", "-70.25", "4")
    (exact,) = json.loads((tmp_path / "o.json").read_text(encoding="utf-8"))
    assert (exact["field"], exact["hand_note"]) == (said, said)


PLANT = PlantRow(
    photo="a.jpg",
    sha256=sha(1),
    path=None,
    view="side",
    field=None,
    date=None,
    stop=None,
    taken_at=None,
    gps=None,
    outcome="rejected",
    stage=None,
    confidence=None,
    height_mm=None,
    read_at="2027-05-20T10:00:00+00:00",
    model=None,
    calibration="guesses",
    hand_count=None,
    record={},
)


def test_every_column_has_its_value() -> None:
    row = row_of(replace(PLANT, stage=0))
    assert tuple(row) == COLUMNS
    assert row["stage_name"] == "VE"


@pytest.mark.parametrize("form", ["csv", "json", "geojson"])
def test_an_empty_survey_is_an_empty_file_of_its_form(tmp_path: Path, form: str) -> None:
    SurveyWriter(tmp_path / "s.survey", create=True).close()
    out = tmp_path / f"o.{form}"
    assert run("export", tmp_path / "s.survey", "--to", out).exit_code == 0
    text = out.read_text(encoding="utf-8")
    if form == "csv":
        assert len(text.splitlines()) == 1
    else:
        said = json.loads(text)
        assert said == [] or (said["type"], said["features"]) == ("FeatureCollection", [])
    assert sorted(path.name for path in tmp_path.iterdir()) == [out.name, "s.survey"]


def test_one_field_alone(survey: Path, tmp_path: Path) -> None:
    out = tmp_path / "o.json"
    assert run("export", survey, "--to", out, "--field", "Süd").exit_code == 0
    assert [row["photo"] for row in json.loads(out.read_text(encoding="utf-8"))] == ["b.jpg"]
    result = run("export", survey, "--to", tmp_path / "p.json", "--field", "Nowhere")
    assert result.exit_code == 2
    assert "no field Nowhere" in result.stderr
    assert not (tmp_path / "p.json").exists()


def test_an_export_that_breaks_off_leaves_the_old_file(tmp_path: Path) -> None:
    out = tmp_path / "o.csv"
    out.write_text("old")

    def broken() -> Iterator[PlantRow]:
        yield PLANT
        raise OSError(28, "No space left on device")

    with pytest.raises(OutputError, match="No space left"):
        export_plants(broken(), out)
    assert out.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["o.csv"]


def test_what_cannot_be_written_is_a_sentence(survey: Path, tmp_path: Path) -> None:
    (tmp_path / "folder.csv").mkdir()
    outlines = tmp_path / "fields.geojson"
    outlines.write_text('{"features": [{"geometry": {"type": "Polygon"}}]}')
    for out, words, status in (
        (tmp_path / "o.xlsx", "should end in .csv", 2),
        (tmp_path / "plants", "should end in .csv", 2),
        (tmp_path / "no" / "o.csv", "make it first", 3),
        (tmp_path / "folder.csv", "is a folder", 3),
        (survey, "the survey itself", 2),
        (outlines, "holds outlines of fields", 2),
    ):
        result = run("export", survey, "--to", out)
        assert result.exit_code == status
        assert words in result.stderr
    result = run("export", tmp_path / "gone.survey", "--to", tmp_path / "o.csv")
    assert result.exit_code == 3
    assert "There is no survey" in result.stderr
    assert not (tmp_path / "gone.survey").exists()


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX rights")
def test_a_file_that_may_not_be_replaced(ordinary_user: Path) -> None:
    out = ordinary_user / "o.csv"
    out.write_text("mine")
    out.chmod(0o444)
    with pytest.raises(OutputError, match="Permission denied"):
        export_plants([PLANT], out)
    assert out.read_text() == "mine"
