"""Filing: where a batch finds photos, and which field, visit and stop each belongs to."""

from __future__ import annotations

import json
import os
import unicodedata
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from command import run
from hypothesis import assume, given
from hypothesis import strategies as st

from collarvision.batch.filing import Filing
from collarvision.batch.folders import Folders, place_from_folders, place_from_source
from collarvision.batch.sources import find_photos
from collarvision.outlines import BoundaryError, field_at, named, outline_of, read_outlines
from collarvision.survey import Place


@pytest.mark.parametrize(
    ("names", "expected"),
    [
        ([], Folders()),
        (["North quarter"], Folders("North quarter")),
        (["North", "2027-05-20", "stop 3"], Folders("North", "2027-05-20", "3")),
        (["2027-05-20", "North", "Stop_12"], Folders("North", "2027-05-20", "12")),
        (["North 2027-05-20"], Folders("North", "2027-05-20")),
        (["20270520_North"], Folders("North", "2027-05-20")),
        (["2027.05.20"], Folders(None, "2027-05-20")),
        (["North", "stop3 - gate"], Folders("North", None, "3 - gate")),
        (["North", "evening", "stop A"], Folders("North", None, "A")),
        (["DCIM", "100ABCDE", "South"], Folders("South")),
        (["160acres", "2027-05-20"], Folders("160acres", "2027-05-20")),
        (["240Smith", "dcim", "101_WXYZ"], Folders("240Smith")),
        (["Stopping hill"], Folders("Stopping hill")),
        (["Stop"], Folders("Stop")),
        (["2027-13-40"], Folders("2027-13-40")),
        (["Lot 120270520"], Folders("Lot 120270520")),
        (["North", "2027-05-20", "2027-06-01"], Folders("North", "2027-06-01")),
        # The year last: day and month could be swapped, and it is no field's name either.
        (["05-20-2027", "North"], Folders("North", unclear="05-20-2027")),
        (["North 20.05.2027"], Folders("North", unclear="20.05.2027")),
        (["North", "2027-05-20", "3_4_2027"], Folders("North", "2027-05-20", unclear="3_4_2027")),
        (["Lot 12-7-201"], Folders("Lot 12-7-201")),
        # Digits of a year in which nobody took the photo are a name's.
        (["Tract 10251101"], Folders("Tract 10251101")),
        (["Field 90001231"], Folders("Field 90001231")),
        (["1980-01-01"], Folders("1980-01-01")),
        (["Tract 10251101 2027-05-20"], Folders("Tract 10251101", "2027-05-20")),
        (["North 1990-01-01"], Folders("North", "1990-01-01")),
    ],
)
def test_folder_names_say_field_visit_and_stop(names: list[str], expected: Folders) -> None:
    assert place_from_folders(names) == expected


NAMES = st.text(
    st.characters(codec="utf-8", exclude_characters="/\x00", exclude_categories=["Cs"]),
    min_size=1,
    max_size=20,
)


@given(st.lists(NAMES, max_size=5))
def test_no_folder_name_breaks_the_rule(names: list[str]) -> None:
    said = place_from_folders(names)
    assert said == place_from_folders([unicodedata.normalize("NFD", name) for name in names])
    assert said.field != ""
    assert said.stop != ""


@given(
    field=st.from_regex(r"[A-RT-Z][a-z]{2,9}( [a-z]{1,5})?", fullmatch=True),
    day=st.dates(date(1990, 1, 1), date(date.today().year + 2, 12, 31)),
    stop=st.integers(1, 99),
    together=st.booleans(),
)
def test_what_is_written_into_folder_names_is_read_from_them(
    field: str, day: Any, stop: int, together: bool
) -> None:
    said = day.isoformat()
    names = [f"{said} {field}"] if together else [field, said]
    assert place_from_folders([*names, f"stop {stop}"]) == Folders(field, said, str(stop))


def test_the_source_s_own_name_is_the_last_resort(tmp_path: Path) -> None:
    for name in ("photos", "Downloads", "DCIM"):
        assert place_from_source(str(tmp_path / name)).field is None
    assert place_from_source(str(tmp_path / "North 2027-05-20")) == Folders("North", "2027-05-20")


SQUARE = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0], [0.0, 0.0]]
HOLE = [[0.5, 0.5], [1.5, 0.5], [1.5, 1.5], [0.5, 1.5], [0.5, 0.5]]


def geojson(path: Path, *features: dict[str, Any]) -> Path:
    path.write_text(json.dumps({"type": "FeatureCollection", "features": list(features)}))
    return path


def polygon(name: str | None, *rings: list[list[float]]) -> dict[str, Any]:
    return {
        "type": "Feature",
        "properties": {"Name": name} if name else {},
        "geometry": {"type": "Polygon", "coordinates": list(rings)},
    }


def test_each_part_of_a_place_comes_from_the_first_that_knows(tmp_path: Path) -> None:
    boundaries = read_outlines(geojson(tmp_path / "f.geojson", polygon("Mapped", SQUARE)))
    filing = Filing(boundaries, "Named")
    everything: dict[str, Any] = {
        "folders": Folders("Folder", "2027-05-20", "7"),
        "source": Folders("Source"),
        "gps": (1.0, 1.0),
        "taken_at": "2027-05-21T10:00:00",
        "code_field": "Coded",
        "code_stop": "3",
    }
    assert filing.place(**everything) == Place("Coded", "2027-05-20", "3", "code")
    del everything["code_field"]
    assert filing.place(**everything) == Place("Folder", "2027-05-20", "3", "folder")
    everything["folders"] = Folders()
    assert filing.place(**everything) == Place("Mapped", "2027-05-21", "3", "gps")
    everything["gps"] = (5.0, 5.0)
    assert filing.place(**everything) == Place("Named", "2027-05-21", "3", "option")
    assert Filing().place(**everything) == Place("Source", "2027-05-21", "3", "source")
    assert Filing().place(Folders()) == Place()


@pytest.mark.parametrize(
    "taken_at",
    ["1980-01-01T00:00:12", "0001-01-01T00:00:00", "2099-01-01T00:00:00", "9999-12-31", "soon", ""],
)
def test_a_camera_without_a_clock_dates_no_visit(taken_at: str) -> None:
    assert Filing(field="North").place(Folders(), taken_at=taken_at).date is None
    dated = Filing(field="North").place(Folders(date="2027-05-20"), taken_at=taken_at)
    assert dated.date == "2027-05-20"


def test_the_last_likely_day_goes_by_this_machines_clock() -> None:
    last = date(date.today().year + 2, 12, 31)
    for day, said in ((last, last.isoformat()), (last + timedelta(days=1), None)):
        assert Filing().place(Folders(), taken_at=f"{day}T08:00:00-05:00").date == said


# ------------------------------------------------------------------ boundaries


def test_a_hole_is_outside_and_longitude_comes_first(tmp_path: Path) -> None:
    """Positions and holes as in RFC 7946, sections 3.1.1 and 3.1.6."""
    far = [[x + 10, y + 50] for x, y in SQUARE]
    two = {
        "type": "Feature",
        "properties": {"field": "Two parts"},
        "geometry": {"type": "MultiPolygon", "coordinates": [[far], [HOLE]]},
    }
    path = geojson(tmp_path / "f.geojson", polygon("Ring", SQUARE, HOLE), two)
    boundaries = read_outlines(path)
    assert field_at(boundaries, 0.2, 0.3) == "Ring"
    assert field_at(boundaries, 1.0, 1.0) == "Two parts"
    assert field_at(boundaries, 51.0, 11.0) == "Two parts"
    assert field_at(boundaries, 11.0, 51.0) is None
    assert field_at(boundaries, 3.0, 1.0) is None


@given(
    corners=st.lists(
        st.tuples(st.floats(-50, 50, width=32), st.floats(-50, 50, width=32)),
        min_size=3,
        max_size=12,
    ),
    point=st.tuples(st.floats(-60, 60, width=32), st.floats(-60, 60, width=32)),
)
def test_inside_agrees_with_opencv(
    tmp_path_factory: pytest.TempPathFactory,
    corners: list[tuple[float, float]],
    point: tuple[float, float],
) -> None:
    """The convex hull of the corners, against `cv2.pointPolygonTest`."""
    import cv2

    hull = cv2.convexHull(np.array(corners, np.float32))
    assume(hull is not None and len(hull) >= 3)
    distance = cv2.pointPolygonTest(hull, point, measureDist=True)
    assume(abs(distance) > 1e-3)
    path = tmp_path_factory.getbasetemp() / "hull.geojson"
    ring = [[float(x), float(y)] for ((x, y),) in [*hull, hull[0]]]
    boundaries = read_outlines(geojson(path, polygon("Hull", ring)))
    assert (field_at(boundaries, point[1], point[0]) == "Hull") == (distance > 0)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "isn't GeoJSON"),
        ("[]", "no Polygon"),
        ('{"type": "FeatureCollection", "features": []}', "no Polygon"),
        ('{"type": "Feature", "properties": {"name": "A"}, "geometry": null}', "no Polygon"),
        (json.dumps(polygon(None, SQUARE)), "no name"),
        (json.dumps(polygon("A", SQUARE[:2])), "fewer than three"),
        (json.dumps(polygon("A", [[179, 1], [-179, 1], [-179, 2], [179, 1]])), "180th meridian"),
        (json.dumps(polygon("A", [[100, 1], [300, 1], [300, 2], [100, 1]])), "WGS84"),
        (json.dumps(polygon("A", [[4e5, 5e6], [4e5, 6e6], [5e5, 6e6], [4e5, 5e6]])), "WGS84"),
    ],
)
def test_boundaries_that_make_no_sense(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "f.geojson"
    path.write_text(text)
    with pytest.raises(BoundaryError, match=words):
        named(read_outlines(path), path)
    result = run("batch", tmp_path, "--survey", tmp_path / "s.survey", "--fields", path)
    assert result.exit_code == 2
    assert words in result.stderr


def test_outlines_of_one_name_are_one_field(tmp_path: Path) -> None:
    far = [[x + 10, y] for x, y in SQUARE]
    over = [[x + 1, y + 1] for x, y in SQUARE]
    collection = {
        "type": "Feature",
        "properties": {"name": "Collected"},
        "geometry": {
            "type": "GeometryCollection",
            "geometries": [
                {"type": "Point", "coordinates": [40.0, 0.0]},
                {"type": "Polygon", "coordinates": [[[x + 40, y] for x, y in SQUARE]]},
            ],
        },
    }
    three = [polygon("Parts", ring) for ring in (SQUARE, far, over)]
    path = geojson(tmp_path / "f.geojson", *three, collection)
    parts, collected = named(read_outlines(path), path)
    assert parts.geometry == {"type": "MultiPolygon", "coordinates": [[SQUARE], [far], [over]]}
    # As the survey gives it back; where two parts lie over each other is inside too.
    kept = outline_of(json.loads(json.dumps(parts.geometry)), "Parts")
    for outline in (parts, kept):
        assert [outline.holds(1.0, x) for x in (1.0, 5.0, 11.0)] == [True, False, True]
        assert outline.holds(1.5, 1.5)
    assert collected.holds(1.0, 41.0)
    assert outline_of(collected.geometry, "Collected").holds(1.0, 41.0)


# ------------------------------------------------------------------ sources


def test_sources_are_folders_patterns_lists_and_photos(tmp_path: Path) -> None:
    for name in ("North/2027-05-20/a.jpg", "North/b.jpg", "South/c.JPG", "notes.md"):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"x")
    (tmp_path / "list.txt").write_text("# two\nNorth/b.jpg\n\nSouth/c.JPG\n", encoding="utf-8")

    def found(*words: Path) -> list[tuple[str, tuple[str, ...]]]:
        return [(photo.name, photo.folders) for photo in find_photos(words)]

    everything = [("a.jpg", ("North", "2027-05-20")), ("b.jpg", ("North",)), ("c.JPG", ("South",))]
    assert found(tmp_path) == everything
    assert found(tmp_path / "list.txt") == everything[1:]
    assert found(tmp_path / "*" / "*.*") == everything[1:]
    assert found(tmp_path / "North" / "b.jpg") == [("b.jpg", ())]
    assert found(tmp_path / "North", tmp_path) == [
        ("a.jpg", ("2027-05-20",)),
        ("b.jpg", ()),
        ("c.JPG", ("South",)),
    ]
    (trouble,) = find_photos([tmp_path / "no.txt"])
    assert "can't be read" in str(trouble.trouble)


@pytest.mark.skipif(os.name == "nt", reason="needs symbolic links")
def test_a_loop_of_links_has_an_end(tmp_path: Path) -> None:
    (tmp_path / "North").mkdir()
    (tmp_path / "North" / "a.jpg").write_bytes(b"x")
    (tmp_path / "North" / "back").symlink_to(tmp_path, target_is_directory=True)
    (tmp_path / "again.jpg").symlink_to(tmp_path / "North" / "a.jpg")
    assert len(find_photos([tmp_path])) == 1
