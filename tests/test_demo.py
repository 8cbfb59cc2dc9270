"""The demo farm: what is laid out, for whichever day, and what it leaves alone."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from command import run
from PIL import ExifTags, Image

from collarvision.demo import DemoError, farm, lay_out
from collarvision.demo.stamp import stamped
from collarvision.limitsfile import read_limits
from collarvision.outlines import field_at, read_outlines
from collarvision.photo import load_photo
from collarvision.temperatures import read_temperatures

TODAY = date(2027, 5, 21)
NAMES = tuple(
    f"{field}-{visit}-s{stop}-p{plant}.jpg"
    for field in ("owl", "acre", "mill", "creek")
    for visit in (1, 2)
    for stop in (1, 2, 3)
    for plant in (1, 2)
)


def jpeg(seed: int, exif: Image.Exif | None = None) -> bytes:
    pixels = np.random.default_rng(seed).integers(0, 256, (160, 120, 3)).astype(np.uint8)
    spool = io.BytesIO()
    Image.fromarray(pixels).save(
        spool, "JPEG", quality=82, exif=Image.Exif() if exif is None else exif
    )
    return spool.getvalue()


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("rendered")
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 27
    for seed, name in enumerate(NAMES):
        (folder / name).write_bytes(jpeg(seed, exif))
    return folder


def files_in(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# --- time and place in a photo ---


def test_a_stamp_says_when_and_where_to_any_reader_and_leaves_the_picture_alone() -> None:
    """Read back by Pillow's own EXIF reader and by the photo room."""
    before = jpeg(1)
    at = datetime(2027, 5, 20, 8, 5, 37, tzinfo=timezone(timedelta(hours=-5)))
    after = stamped(before, at, (41.70251, -95.00123))
    with Image.open(io.BytesIO(before)) as old, Image.open(io.BytesIO(after)) as new:
        assert np.array_equal(np.asarray(old), np.asarray(new))
        detail = new.getexif().get_ifd(ExifTags.IFD.Exif)
        gps = new.getexif().get_ifd(ExifTags.IFD.GPSInfo)
    assert detail[ExifTags.Base.DateTimeOriginal] == "2027:05:20 08:05:37"
    assert gps[ExifTags.GPS.GPSLongitudeRef] == "W"
    degrees = [float(v) for v in gps[ExifTags.GPS.GPSLatitude]]
    assert degrees[0] + degrees[1] / 60 + degrees[2] / 3600 == pytest.approx(41.70251, abs=1e-6)
    photo = load_photo(after, "a.jpg")
    assert photo.taken_at == at
    assert photo.gps == pytest.approx((41.70251, -95.00123), abs=1e-6)


def test_a_stamp_keeps_what_else_the_exif_says_and_a_second_one_replaces_the_first() -> None:
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 27
    at = datetime(2027, 5, 20, 8, tzinfo=UTC)
    once = stamped(jpeg(2, exif), at, (41.7, -95.0))
    twice = stamped(once, at + timedelta(days=1), (41.8, -95.0))
    photo = load_photo(twice, "a.jpg")
    assert photo.focal_eq_mm == 27
    assert photo.taken_at == at + timedelta(days=1)
    assert twice.count(b"Exif\x00\x00") == 1


def test_only_a_jpeg_is_stamped() -> None:
    with pytest.raises(ValueError, match="not a JPEG"):
        stamped(b"\x89PNG", datetime(2027, 1, 1, tzinfo=UTC), (0.0, 0.0))


# --- the folder ---


def test_photos_lie_by_field_day_and_stop_and_inside_their_own_field(
    tmp_path: Path, photos: Path
) -> None:
    laid = lay_out(tmp_path / "demo", TODAY, photos)
    assert (laid.fields, laid.photos) == (4, len(NAMES))
    outlines = read_outlines(tmp_path / "demo" / "fields.geojson")
    found = sorted((tmp_path / "demo" / "photos").rglob("*.jpg"))
    assert len(found) == len(NAMES)
    days = set()
    for path in found:
        field, day, stop = path.relative_to(tmp_path / "demo" / "photos").parts[:3]
        photo = load_photo(path)
        assert photo.gps is not None
        assert photo.taken_at is not None
        assert field_at(outlines, *photo.gps) == field
        assert photo.taken_at.date().isoformat() == day
        assert stop.startswith("stop ")
        days.add(day)
    assert days == {"2027-05-13", "2027-05-20"}


def test_every_stop_lies_inside_its_field_and_no_photo_is_from_the_future(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    outlines = read_outlines(tmp_path / "fields.geojson")
    names = [f"{f.key}-2-s{k + 1}-p1.jpg" for f in farm.FIELDS for k in range(len(f.stops_m))]
    for photo in farm.photos_of(names, TODAY):
        assert photo.taken_at.date() < TODAY
        assert field_at(outlines, *photo.gps) == photo.field.name


def test_limits_and_weather_are_files_that_their_own_readers_take(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    limits = read_limits(tmp_path / "limits.toml")
    assert [limit.highest.leaves for limit in limits.limits] == [6, 8]
    weather = read_temperatures(tmp_path / "temperatures.csv", today=TODAY)
    assert weather.findings == (f"10 days from {TODAY} on are taken as a forecast.",)
    assert not weather.gaps
    assert sum(day.origin == "ahead" for day in weather.days) == farm.FORECAST_DAYS
    with (tmp_path / "temperatures.csv").open(newline="") as stream:
        assert len(list(csv.DictReader(stream))) == len(weather.days)


def test_outlines_follow_the_standard(tmp_path: Path, photos: Path) -> None:
    """RFC 7946, section 3.1.6: rings are closed, and outer ones run counterclockwise."""
    lay_out(tmp_path, TODAY, photos)
    features = json.loads((tmp_path / "fields.geojson").read_text())["features"]
    assert len(features) == len(farm.FIELDS)
    for feature in features:
        (ring,) = feature["geometry"]["coordinates"]
        assert ring[0] == ring[-1]
        x, y = np.array(ring).T
        assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0


def test_the_flight_is_one_that_walk_takes_and_is_dated_by_the_day(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    result = run("walk", tmp_path / "flight", "--boundary", tmp_path / "fields.geojson",
                 "--field", "Heron Slope", "--day", TODAY, "--format", "json")  # fmt: skip
    assert result.exit_code == 0, result.stderr
    walk = json.loads(result.stdout)
    assert walk["flown"] == (TODAY - timedelta(days=2)).isoformat()
    assert len(walk["zones"]) == 3
    said = json.loads((tmp_path / "flight" / "above.json").read_text())
    assert said["name"] == "Heron Slope"
    assert all(frame["sha256"] is None for frame in said["frames"])  # no photo was ever taken


def test_the_readme_names_only_commands_and_files_that_are_there(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    text = (tmp_path / "README.md").read_text()
    commands = text.split("```sh")[1].split("```")[0].replace("\\\n", " ")
    for line in commands.strip().splitlines():
        done = run(line.split()[1], "--help")
        assert done.exit_code == 0, line
        for word in line.split():
            if word.endswith((".toml", ".geojson", ".coco.json", "temperatures.csv")):
                assert (tmp_path / word).exists(), line


def test_laid_out_again_it_is_the_same_to_the_byte_and_keeps_its_day(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    first = files_in(tmp_path)
    lay_out(tmp_path, None, photos)
    assert files_in(tmp_path) == first


def test_another_day_moves_the_visits_and_leaves_the_users_files(
    tmp_path: Path, photos: Path
) -> None:
    lay_out(tmp_path, TODAY, photos)
    mine = tmp_path / "photos" / "Owl Forty" / "2027-05-20" / "mine.txt"
    mine.write_text("notes")
    (tmp_path / "farm.survey").write_text("a survey")
    lay_out(tmp_path, TODAY + timedelta(days=30), photos)
    days = {path.parent.parent.name for path in tmp_path.rglob("*.jpg")}
    assert days == {"2027-06-12", "2027-06-19"}
    assert mine.read_text() == "notes"
    assert (tmp_path / "farm.survey").exists()
    assert not (tmp_path / "photos" / "Mill Corner" / "2027-05-20").exists()


def test_a_folder_of_other_things_is_left_as_it_is(tmp_path: Path, photos: Path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(DemoError, match="isn't empty and holds no demo"):
        lay_out(tmp_path, TODAY, photos)
    assert files_in(tmp_path) == {"thesis.txt": b"years of work"}


def test_a_mark_that_was_tampered_with_reaches_nothing_outside(
    tmp_path: Path, photos: Path
) -> None:
    (tmp_path / "precious.txt").write_text("mine")
    demo = tmp_path / "demo"
    lay_out(demo, TODAY, photos)
    mark = json.loads((demo / ".collarvision-demo.json").read_text())
    mark["files"].append("../precious.txt")
    (demo / ".collarvision-demo.json").write_text(json.dumps(mark))
    lay_out(demo, TODAY + timedelta(days=1), photos)
    assert (tmp_path / "precious.txt").read_text() == "mine"


def test_a_file_in_the_way_and_missing_photos_are_told(tmp_path: Path, photos: Path) -> None:
    (tmp_path / "demo").write_text("a file")
    with pytest.raises(DemoError, match="is a file"):
        lay_out(tmp_path / "demo", TODAY, photos)
    with pytest.raises(DemoError, match="install collarvision again"):
        lay_out(tmp_path / "new", TODAY, tmp_path)


def test_the_command_says_what_to_try_and_refuses_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "thesis.txt").write_text("years of work")
    done = run("demo", str(tmp_path))
    assert done.exit_code == 2
    assert len(done.stderr.strip().splitlines()) == 1


def test_a_date_and_a_place_that_cannot_be_are_told_with_their_status(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done = run("demo", tmp_path / "new", "--date", "05-20-2027")
    assert done.exit_code == 2
    assert done.stderr == "--date '05-20-2027' isn't a date: write it like 2027-06-04.\n"

    make = Path.mkdir

    def forbidden(folder: Path, *more: int, **options: bool) -> None:
        if folder.is_relative_to(tmp_path / "new"):
            raise PermissionError(13, "Permission denied")
        make(folder, *more, **options)

    monkeypatch.setattr(Path, "mkdir", forbidden)
    done = run("demo", tmp_path / "new")
    assert done.exit_code == 3
    assert "can't be written to" in done.stderr


def test_a_full_disk_asks_for_room(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write = Path.write_bytes

    def full(path: Path, data: bytes) -> int:
        if path.is_relative_to(tmp_path):
            raise OSError(28, "No space left on device")
        return write(path, data)

    monkeypatch.setattr(Path, "write_bytes", full)
    done = run("demo", tmp_path / "new")
    assert done.exit_code == 3
    assert "(No space left on device): free some space or choose another folder." in done.stderr
