"""Above report: files kept and read back, a story in words, a picture to check it by."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import geojson
import numpy as np
import pytest
from drawn_field import FixedNetwork, draw, jpeg, level_notes, plant, seen_maps

from collarvision.above.calibration import AboveCalibration
from collarvision.above.fields import gather_field
from collarvision.above.frames import read_frame
from collarvision.above.summary import (
    MOST_PLANTS,
    SQUARE_M,
    frame_from_record,
    record_summary,
)
from collarvision.above.values import PLANT_COLUMNS, FieldAbove, FrameAbove, no_plants
from collarvision.abovereport import files, picture, words
from collarvision.abovereport.files import (
    AboveFileError,
    load_field,
    load_frame,
    save_field,
    save_frame,
)
from collarvision.abovereport.picture import draw_above, save_above
from collarvision.abovereport.words import tell_field
from collarvision.photo import load_photo
from collarvision.table import CAUTION
from collarvision.writing import OutputError

WIDE, TALL, MM = 1200, 900, 2.5


def read(seed: int, **notes: float) -> tuple[FrameAbove, np.ndarray]:
    planted = plant(WIDE * MM / 1000, TALL * MM / 1000, seed=seed, missing=0.1, strays=3)
    rgb = draw(planted, WIDE, TALL, MM, seed=seed)
    said = {**level_notes(MM, WIDE, TALL), **notes}
    photo = load_photo(jpeg(rgb, gps=(41.5, -93.25), **said), f"DJ_{seed}.jpg")
    double = np.zeros(len(planted.x))
    double[::9] = 0.9
    maps = seen_maps(planted, WIDE, TALL, MM, double=double)
    return read_frame(photo, FixedNetwork(maps), AboveCalibration()), rgb


@pytest.fixture(scope="module")
def seen() -> tuple[FrameAbove, np.ndarray]:
    return read(1, GimbalYawDegree=30.0)


@pytest.fixture(scope="module")
def field(seen: tuple[FrameAbove, np.ndarray]) -> FieldAbove:
    second, _ = read(2)
    empty = FrameAbove(
        photo="lost.jpg",
        sha256=None,
        size_px=(10, 10),
        quality=("no-scale",),
        reasons=("Nothing tells the photo's scale.",),
    )
    return gather_field([seen[0], second, empty], AboveCalibration(), name="North")


def same(one: FrameAbove, other: FrameAbove, *, exact: bool) -> None:
    """All that is said of a frame; numbers as near as they are written."""
    plain = {"plants": None}
    left, right = replace(one, **plain), replace(other, **plain)  # type: ignore[arg-type]
    if exact:
        assert left == right or left.__dict__ == right.__dict__
    else:
        assert (left.photo, left.quality, left.reasons) == (
            right.photo,
            right.quality,
            right.reasons,
        )
        assert len(left.gaps) == len(right.gaps)
        if left.stand is not None:
            assert right.stand is not None
            assert right.stand.per_m_row == pytest.approx(left.stand.per_m_row, abs=1e-4)
    if one.plants is None:
        assert other.plants is None
        return
    assert other.plants is not None
    for name in (*PLANT_COLUMNS, "tip_x_px", "tip_y_px", "tip_start"):
        np.testing.assert_array_equal(getattr(one.plants, name), getattr(other.plants, name))


# --------------------------------------------------------------------------- files


def test_a_field_is_kept_and_read_back(field: FieldAbove, tmp_path: Path) -> None:
    paths = save_field(field, tmp_path / "out" / "north")
    assert all(path.is_file() for path in paths)
    back = load_field(tmp_path / "out" / "north")
    assert back.name == "North"
    assert back.reasons == field.reasons
    assert back.stages is not None
    assert field.stages is not None
    assert (back.stages.low, back.stages.high) == (field.stages.low, field.stages.high)
    assert back.stages.probabilities == pytest.approx(field.stages.probabilities, abs=1e-4)
    for one, other in zip(field.frames, back.frames, strict=True):
        same(one, other, exact=False)
    assert load_field(paths[-1]).name == "North"


def test_the_same_field_makes_the_same_bytes(field: FieldAbove, tmp_path: Path) -> None:
    first, second = (save_field(field, tmp_path / name) for name in "ab")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes(), one.name


def test_maps_are_sound_geojson(field: FieldAbove, tmp_path: Path) -> None:
    """Checked by the geojson package, RFC 7946."""
    save_field(field, tmp_path)
    read_back = {
        name: geojson.loads((tmp_path / f"{name}.geojson").read_text())
        for name in ("plants", "gaps", "photos")
    }
    assert all(one.is_valid for one in read_back.values())
    first = field.frames[0]
    assert first.plants is not None
    # The second photo has no heading, so only the first one's plants have places.
    assert len(read_back["plants"].features) == len(first.plants)
    assert len(read_back["gaps"].features) == len(first.gaps) > 0
    assert len(read_back["photos"].features) == 2
    # The package itself keeps six places.
    plain = json.loads((tmp_path / "plants.geojson").read_text())
    lon, lat = plain["features"][0]["geometry"]["coordinates"]
    assert (lon, lat) == pytest.approx((first.plants.lon[0], first.plants.lat[0]), abs=1e-8)
    assert read_back["plants"].features[0].properties["stage_low"] == "V3"


def test_a_folder_without_a_field_is_said(tmp_path: Path, field: FieldAbove) -> None:
    with pytest.raises(AboveFileError, match="holds no field seen from above"):
        load_field(tmp_path)
    save_field(field, tmp_path)
    summary = tmp_path / "above.json"
    content = json.loads(summary.read_text())
    for broken in (
        "",
        "[]",
        json.dumps({**content, "form": "x"}),
        json.dumps({"form": files.FORM}),
    ):
        summary.write_text(broken)
        with pytest.raises(AboveFileError, match="run 'collarvision above' again"):
            load_field(tmp_path)
    summary.write_text(json.dumps(content))
    (tmp_path / "plants.npz").write_bytes(b"PK\x03\x04 cut")
    with pytest.raises(AboveFileError, match="can't be read"):
        load_field(tmp_path)


def test_broken_files_of_a_field_are_refused_and_never_end_in_a_fault(
    tmp_path: Path, field: FieldAbove
) -> None:
    save_field(field, tmp_path)
    summary, plants = tmp_path / "above.json", tmp_path / "plants.npz"
    content, whole = json.loads(summary.read_text()), plants.read_bytes()

    def with_frame(**said: object) -> str:
        first, *others = content["frames"]
        return json.dumps({**content, "frames": [{**first, **said}, *others]})

    place = content["frames"][0]["georeference"]
    for broken in (
        "[" * 100_000,
        with_frame(size_px=[float("inf"), 1]),
        with_frame(taken_at=5),
        with_frame(photo=None),
        with_frame(georeference={**place, "lat": "x"}),
        with_frame(georeference={**place, "lon": float("nan")}),
        json.dumps({**content, "frames": [*content["frames"], content["frames"][0]]}),
    ):
        summary.write_text(broken)
        with pytest.raises(AboveFileError, match="run 'collarvision above' again"):
            load_field(tmp_path)
    summary.write_text(json.dumps(content))
    with np.load(plants) as kept:
        columns = {name: kept[name] for name in kept.files}
    np.savez(plants, **{**columns, "tip_count": columns["tip_count"][:3]})
    short = plants.read_bytes()
    middle = len(whole) // 2
    harmed = whole[:middle] + bytes(64) + whole[middle + 64 :]
    for made in (b"", whole[: len(whole) // 2], harmed, short):
        plants.write_bytes(made)
        with pytest.raises(AboveFileError, match="run 'collarvision above' again"):
            load_field(tmp_path)


def test_what_cannot_be_written_leaves_nothing_half(
    field: FieldAbove, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="can't be made"):
        save_field(field, tmp_path / "file" / "out")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "above.json").mkdir()
    with pytest.raises(OutputError, match="can't be replaced"):
        save_field(field, tmp_path / "out")
    assert not list((tmp_path / "out").glob(".*"))
    save_field(field, tmp_path / "two")

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(files, "_collection", stop)
    with pytest.raises(KeyboardInterrupt):
        save_field(field, tmp_path / "two")
    assert not list((tmp_path / "two").glob(".*"))
    # New plants beside an old summary would be read as one field.
    with pytest.raises(AboveFileError, match="holds no field"):
        load_field(tmp_path / "two")
    with pytest.raises(OutputError, match="can't be made"):
        save_frame(field.frames[0], tmp_path / "none", "k")


def test_single_photos_are_kept_exactly(field: FieldAbove, tmp_path: Path) -> None:
    for number, frame in enumerate(field.frames):
        save_frame(frame, tmp_path, f"k{number}")
        back = load_frame(tmp_path, f"k{number}")
        assert back is not None
        same(frame, back, exact=True)
    assert load_frame(tmp_path, "none") is None
    (tmp_path / "frames" / "k0.npz").write_bytes(b"cut")
    assert load_frame(tmp_path, "k0") is None


# --------------------------------------------------------------------------- records


def test_a_record_holds_its_plants_and_gives_them_back(
    seen: tuple[FrameAbove, np.ndarray],
) -> None:
    frame = seen[0]
    record = {
        "photo": frame.photo,
        "sha256": frame.sha256,
        "photo_size": list(frame.size_px),
        "taken_at": frame.taken_at,
        "above": json.loads(json.dumps(record_summary(frame))),
    }
    back = frame_from_record(record, AboveCalibration())
    assert back is not None
    assert back.plants is not None
    assert frame.plants is not None
    assert len(back.plants) == len(frame.plants)
    assert back.plants.lat == pytest.approx(frame.plants.lat, abs=2e-8)
    assert back.plants.tip_count == pytest.approx(frame.plants.tip_count, abs=0.051)
    assert back.plants.row.tolist() == frame.plants.row.tolist()
    off = np.isnan(frame.plants.place_in_row_m)
    assert np.isnan(back.plants.place_in_row_m).tolist() == off.tolist()
    assert back.plants[0].tip_points_px == ()
    assert back.stages == pytest.approx(back.stages)
    assert frame_from_record({"above": None}, AboveCalibration()) is None
    nothing = record_summary(FrameAbove(photo="a", sha256=None, size_px=(1, 1)))
    empty = frame_from_record({**record, "above": nothing}, AboveCalibration())
    assert empty is not None
    assert empty.plants is None


def test_too_many_plants_are_told_by_squares(
    seen: tuple[FrameAbove, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    frame = seen[0]
    assert frame.plants is not None
    monkeypatch.setattr("collarvision.above.summary.MOST_PLANTS", 20)
    said = record_summary(frame)
    assert said["plants"] is None
    rows = said["squares"]["rows"]
    assert sum(row[2] for row in rows) == len(frame.plants)
    assert said["squares"]["side_m"] == SQUARE_M
    assert said["rows"] == len(frame.rows)
    record = {"photo": "a", "sha256": None, "photo_size": [1, 1], "taken_at": None, "above": said}
    back = frame_from_record(record, AboveCalibration())
    assert back is not None
    assert (back.plants, back.rows, back.gaps) == (None, (), ())
    assert back.stand == frame_from_record(record, AboveCalibration()).stand  # type: ignore[union-attr]
    assert MOST_PLANTS == 5000


# --------------------------------------------------------------------------- words


def test_the_story_has_counts_doubts_and_the_caution(field: FieldAbove) -> None:
    told = tell_field(field, us=True)
    for said in ("North: 3 photos from above, 2027-05-20", "an acre", "17 ft", "gap", CAUTION[:30]):
        assert said in told
    assert "lost.jpg: Nothing tells the photo's scale." in told
    assert "a range, not the stage" in told
    assert max(map(len, told.splitlines())) <= 80
    metric = tell_field(field, us=False, width=60)
    assert "a hectare" in metric
    assert "acre" not in metric
    assert "metre of row" in metric
    assert max(map(len, metric.splitlines())) <= 60


def test_the_story_of_less(field: FieldAbove) -> None:
    first = field.frames[0]
    assert first.stand is not None
    alone = FieldAbove(None, (first,), first.stand, first.stages)
    told = tell_field(alone, us=False)
    assert told.startswith("DJ_1.jpg, 2027-05-20")
    one_row = replace(
        first.stand, per_ha=None, per_ha_interval=None, row_spacing_m=None, spacing_cv=None
    )
    assert "can't be said" in tell_field(replace(alone, stand=one_row), us=True)
    loose = replace(first, stand=None, gaps=(), rows=())
    assert "no rows were made out" in tell_field(FieldAbove(None, (loose,)), us=True)
    nothing = FieldAbove(None, (field.frames[2],))
    assert "Nothing tells" in tell_field(nothing, us=True)
    assert CAUTION[:20] not in tell_field(nothing, us=True)
    whole = replace(first, gaps=())
    assert "No gap." in tell_field(FieldAbove(None, (whole,), first.stand), us=True)
    shortest = replace(first.stand, spacing_m=None)
    assert "Evenness" not in tell_field(FieldAbove(None, (first,), shortest), us=True)


def test_a_range_stands_alone_since_the_shares_are_spread_wider(field: FieldAbove) -> None:
    """90 of 100 beside shares of which the range's own come to less reads as a contradiction."""
    assert field.stages is not None
    spread = replace(
        field.stages, low=1, high=3, probabilities=(0.11, 0.21, 0.26, 0.3, 0.12, *[0.0] * 8)
    )
    told = " ".join(tell_field(replace(field, stages=spread), us=True).split())
    assert "Stages V1 to V3, for 90 of 100 plants, by their leaf tips." in told
    assert "VE" not in told
    assert "30%" not in told


def test_many_photos_and_remarks_are_bounded(field: FieldAbove) -> None:
    first = field.frames[0]
    frames = tuple(
        replace(first, photo=f"a_very_long_name_of_a_photo_{k:04}.jpg", reasons=(f"R{k % 9}.",))
        for k in range(60)
    )
    told = tell_field(FieldAbove(None, frames, first.stand, first.stages), us=True, width=70)
    assert "and 20 more photos." in told
    assert "more remarks" in told
    assert "photos: R0." in told
    assert max(map(len, told.splitlines())) <= 70
    assert words.range_words(None) == "–"


# --------------------------------------------------------------------------- picture


def test_marks_stand_on_the_plants(seen: tuple[FrameAbove, np.ndarray]) -> None:
    frame, rgb = seen
    drawn = draw_above(rgb, frame)
    assert drawn.shape[1] == WIDE
    assert drawn.shape[0] > TALL
    assert frame.plants is not None
    changed = np.abs(drawn[:TALL].astype(int) - rgb.astype(int)).sum(2) > 60
    for one in list(frame.plants)[:20]:
        x, y = int(one.x_px), int(one.y_px)
        assert changed[max(0, y - 3) : y + 4, max(0, x - 3) : x + 4].any()
    assert changed.mean() < 0.25
    gap = frame.gaps[0]
    middle = [(a + b) / 2 for a, b in zip(gap.start_m, gap.end_m, strict=True)]
    x = int(WIDE / 2 + middle[0] * 1000 / MM)
    y = int(TALL / 2 - middle[1] * 1000 / MM)
    assert changed[y - 15 : y + 16, x - 15 : x + 16].any()


def test_pictures_of_every_size_and_of_nothing(
    seen: tuple[FrameAbove, np.ndarray], tmp_path: Path
) -> None:
    frame, rgb = seen
    small = draw_above(rgb[::4, ::4], frame)
    assert small.shape[1] == 900
    large = draw_above(np.repeat(np.repeat(rgb, 3, 0), 3, 1), frame)
    assert large.shape[1] == picture.LONG_SIDE_PX
    tiny = draw_above(rgb, replace(frame, stand=replace(frame.stand, spacing_m=0.01)))  # type: ignore[type-var]
    assert tiny.shape == draw_above(rgb, frame).shape
    nothing = replace(frame, plants=None, stages=None, stand=None, reasons=("Because.",))
    assert draw_above(rgb, nothing).shape[0] > TALL
    tilted = replace(frame, scale=replace(frame.scale, tilt_deg=20.0))  # type: ignore[type-var]
    assert (
        np.abs(draw_above(rgb, tilted).astype(int) - draw_above(rgb, frame).astype(int)).mean() < 1
    )
    save_above(rgb, frame, tmp_path / "a.overlay.jpg")
    assert (tmp_path / "a.overlay.jpg").stat().st_size > 10_000
    with pytest.raises(OSError, match="No such file"):
        save_above(rgb, frame, tmp_path / "none" / "a.jpg")


def test_one_plant_is_not_plural(seen: tuple[FrameAbove, np.ndarray]) -> None:
    many = replace(seen[0], stages=None, stand=None)
    assert picture._headline(many).endswith(" plants")
    assert picture._headline(replace(many, plants=no_plants())).endswith(": 0 plants")
    assert many.plants is not None
    columns = {name: getattr(many.plants, name)[:1] for name in PLANT_COLUMNS}
    one = replace(many.plants, **columns, tip_start=many.plants.tip_start[:2])
    assert picture._headline(replace(many, plants=one)).endswith(": 1 plant")


def test_colours_run_from_few_to_many() -> None:
    ends = [picture._colour(share) for share in (-1.0, 0.0, 0.5, 1.0, 9.0)]
    assert ends[0] == ends[1]
    assert ends[3] == ends[4]
    assert len(set(ends)) == 3
