"""`collarvision above`: photos and orthomosaics from the command line, to a story and files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from command import records, run
from drawn_field import draw, height_for, jpeg, plant, write_above_stand_in
from stand_in import DrawnPlant

from collarvision.above import ortho as ortho_module
from collarvision.above.calibration import AboveCalibration
from collarvision.above.network import ABOVE_MODEL_VARIABLE
from collarvision.above.summary import frame_from_record
from collarvision.abovereport.files import load_field
from collarvision.photo import Photo
from collarvision.photofile import damaged
from collarvision.survey import SurveyReader

WIDE, TALL, MM = 1200, 900, 2.5


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("above") / "above.onnx"
    write_above_stand_in(path)
    return path


@pytest.fixture(autouse=True)
def _network(model: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(model))


@pytest.fixture(scope="module")
def flown() -> list[bytes]:
    photos = []
    for seed in range(2):
        planted = plant(WIDE * MM / 1000, TALL * MM / 1000, seed=seed, missing=0.1)
        photos.append(
            jpeg(
                draw(planted, WIDE, TALL, MM, seed=seed),
                gps=(41.5 + seed * 0.0005, -93.25),
                RelativeAltitude=height_for(MM, WIDE, TALL),
                GimbalPitchDegree=-90.0,
                GimbalYawDegree=10.0,
            )
        )
    return photos


@pytest.fixture
def folder(flown: list[bytes], tmp_path: Path) -> Path:
    where = tmp_path / "flight"
    where.mkdir()
    for number, data in enumerate(flown):
        (where / f"DJ_{number}.jpg").write_bytes(data)
    return where


def square(lat: float, lon: float, side_deg: float, name: str = "North") -> str:
    ring = [[lon - side_deg, lat - side_deg], [lon + side_deg, lat - side_deg]]
    ring += [[lon + side_deg, lat + side_deg], [lon - side_deg, lat + side_deg]]
    shape = {"type": "Polygon", "coordinates": [[*ring, ring[0]]]}
    return json.dumps({"type": "Feature", "properties": {"name": name}, "geometry": shape})


def test_a_flight_becomes_a_story_and_files(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    result = run("above", folder, "--rows", "30in", "--field", "North", "--out", out)
    assert result.exit_code == 0, result.output
    assert "North: 2 photos from above" in result.stdout
    assert "an acre" in result.stdout
    assert "the label is the law" in " ".join(result.stdout.split())
    # These photos show 90 plants, by which `walk` couldn't go.
    assert "next: collarvision walk" not in result.stderr
    assert "90 plants of the field: under 100 tell nothing" in result.stderr
    told = load_field(out)
    assert [frame.photo for frame in told.frames] == ["DJ_0.jpg", "DJ_1.jpg"]
    assert told.stand is not None
    assert len(list((out / "overlays").glob("*.overlay.jpg"))) == 2
    assert json.loads((out / "plants.geojson").read_text())["features"]


def test_a_second_run_reads_only_what_is_new(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    first = run("above", folder / "DJ_0.jpg", "--out", out)
    assert first.exit_code == 0
    from collarvision.above import frames

    read: list[str] = []
    original = frames.read_frame

    def counted(photo, *words, **more):  # type: ignore[no-untyped-def]
        read.append(photo.name)
        return original(photo, *words, **more)

    monkeypatch.setattr(frames, "read_frame", counted)
    assert run("above", folder, "--out", out).exit_code == 0
    assert read == ["DJ_1.jpg"]
    assert run("above", folder, "--out", out).exit_code == 0
    assert read == ["DJ_1.jpg"]
    # Another statement of the rows is another reading.
    assert run("above", folder, "--out", out, "--rows", "76.2cm").exit_code == 0
    assert read == ["DJ_1.jpg", "DJ_0.jpg", "DJ_1.jpg"]
    next((out / "overlays").glob("DJ_1*")).unlink()


def test_a_stopped_run_keeps_what_was_read(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from collarvision.above import frames

    original = frames.read_frame
    read: list[str] = []

    def once(photo, *words, **more):  # type: ignore[no-untyped-def]
        if read:
            raise KeyboardInterrupt
        read.append(photo.name)
        return original(photo, *words, **more)

    monkeypatch.setattr(frames, "read_frame", once)
    out = tmp_path / "out"
    stopped = run("above", folder, "--out", out)
    assert stopped.exit_code == 130
    assert "go on" in stopped.stderr
    assert not (out / "above.json").exists()
    lost = run("above", folder)
    assert lost.exit_code == 130
    assert "lost" in lost.stderr
    monkeypatch.setattr(frames, "read_frame", original)
    assert run("above", folder, "--out", out).exit_code == 0
    assert len(load_field(out).frames) == 2


def test_photos_from_the_side_are_left_out(
    folder: Path, drawn_plant: DrawnPlant, tmp_path: Path
) -> None:
    from PIL import Image

    Image.fromarray(drawn_plant.rgb).save(folder / "side.jpg")
    (folder / "broken.jpg").write_bytes(b"\xff\xd8\xff broken")
    out = tmp_path / "out"
    result = run("above", folder, "--out", out, "--units", "cm", "--no-overlays")
    assert result.exit_code == 0
    assert "1 photo taken from the side left out" in result.stderr
    assert "broken.jpg: The JPEG is cut short" in result.stderr
    assert "hectare" in result.stdout
    assert len(load_field(out).frames) == 2
    assert not (out / "overlays").exists()
    # Named outright it is read as the user says, and says what it lacks.
    named = run("above", folder / "side.jpg", "--out", tmp_path / "named")
    assert named.exit_code == 0
    assert "look like corn" in " ".join(named.stdout.split())
    assert "This looks like a photo from the side: `collarvision stage` reads it." in " ".join(
        named.stdout.split()
    )
    (frame,) = load_field(tmp_path / "named").frames
    assert frame.quality[0] == "from-the-side"
    assert frame.reasons[0].startswith("This looks like a photo from the side")
    assert "looks like a photo from" not in run("above", folder / "DJ_0.jpg").output
    nothing = run("above", folder / "broken.jpg", folder / "none.jpg")
    assert nothing.exit_code == 2
    assert "No photo from above was given" in nothing.stderr
    assert "none.jpg: There is no file" in nothing.stderr
    assert "left out" not in nothing.stderr
    empty = tmp_path / "empty"
    empty.mkdir()
    assert "holds no photo" in run("above", empty).stderr


def test_a_folder_that_above_wrote_is_to_be_walked(folder: Path, tmp_path: Path) -> None:
    out = tmp_path / "north"
    assert run("above", folder, "--out", out).exit_code == 0
    again = run("above", out)
    said = " ".join(again.stderr.split())
    assert again.exit_code == 2
    assert f"{out} is what `above` wrote: walk it with `collarvision walk {out} --bound" in said
    assert "passed over" not in said
    assert "holds no photo" not in said
    # What somebody else put there is still told of, and photos there are read.
    (out / "raw.CR2").write_bytes(b"x")
    assert "1 other file passed over (.cr2)" in run("above", out).stderr
    (out / "DJ_0.jpg").write_bytes((folder / "DJ_0.jpg").read_bytes())
    read = run("above", out)
    assert read.exit_code == 0
    assert "is what `above` wrote" not in read.stderr


def test_a_photo_whose_damage_shows_late_keeps_nobody_from_the_others(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """More of a photo is decoded while it is read, and again for its overlay."""
    original = Photo.pixels

    def broken_below(coarsest: float):  # type: ignore[no-untyped-def]
        def pixels(photo: Photo, wanted: float = np.inf) -> tuple[np.ndarray, int]:
            if photo.name == "DJ_0.jpg" and wanted < coarsest:
                raise damaged("JPEG")
            return original(photo, wanted)

        return pixels

    only_its_overlay = WIDE / 2000
    for number, coarsest in enumerate((np.inf, only_its_overlay)):
        monkeypatch.setattr(Photo, "pixels", broken_below(coarsest))
        out = tmp_path / f"out{number}"
        result = run("above", folder, "--out", out)
        assert result.exit_code == 0, result.output
        assert "DJ_0.jpg: The JPEG file is damaged" in result.stderr
        assert "left out" not in result.stderr
        assert [frame.photo for frame in load_field(out).frames] == ["DJ_1.jpg"]


def test_the_output_folder_is_never_read(folder: Path) -> None:
    out = folder / "out"
    assert run("above", folder, "--out", out).exit_code == 0
    assert run("above", folder, "--out", out).exit_code == 0
    assert len(load_field(out).frames) == 2


def test_a_boundary_leaves_the_rest_out(folder: Path, tmp_path: Path) -> None:
    outline = tmp_path / "north.geojson"
    outline.write_text(square(41.5, -93.25, 0.0001))
    result = run("above", folder, "--boundary", outline, "--field", "North")
    assert result.exit_code == 0
    assert "nothing of this field" in " ".join(result.stdout.split())
    lost = run("above", folder, "--boundary", outline, "--field", "South")
    assert lost.exit_code == 2
    assert "give" not in lost.stdout


def triangle(*corners: tuple[float, float]) -> str:
    ring = [[-93.25 + x, 41.5 + y] for x, y in (*corners, corners[0])]
    return json.dumps({"type": "Polygon", "coordinates": [ring]})


def test_what_was_counted_in_one_outline_is_not_given_for_another(
    folder: Path, tmp_path: Path
) -> None:
    """Two halves of a square have one middle of their boxes and one area."""
    d = 0.0001
    halves = {
        "low": triangle((-d, -d), (d, -d), (-d, d)),
        "high": triangle((d, d), (-d, d), (d, -d)),
    }
    answers = []
    for name, shape in halves.items():
        (tmp_path / f"{name}.geojson").write_text(shape)
        words = ("above", folder / "DJ_0.jpg", "--boundary", tmp_path / f"{name}.geojson")
        for out in ("both", name):
            assert run(*words, "--out", tmp_path / out).exit_code == 0
        plants = [load_field(tmp_path / out).frames[0].plants for out in ("both", name)]
        assert all(plants)
        answers.append(plants)
    for shared, own in answers:
        assert np.array_equal(shared.lat, own.lat)


def test_an_orthomosaic_is_read_by_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rasterio = pytest.importorskip("rasterio", reason="GeoTIFFs need the ortho extra")
    planted = plant(6.0, 4.5, seed=3)
    rgb = draw(planted, 1500, 1125, 4.0)
    path = tmp_path / "north.tif"
    where = rasterio.transform.from_origin(478_000.0, 4_594_000.0, 0.004, 0.004)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=1500,
        height=1125,
        count=3,
        dtype="uint8",
        crs="EPSG:32615",
        transform=where,
    ) as file:
        file.write(np.moveaxis(rgb, 2, 0))
    out = tmp_path / "out"
    result = run("above", path, "--out", out, "--rows", "76.2 cm")
    assert result.exit_code == 0, result.output
    assert "orthomosaic's georeference" in " ".join(result.stdout.split())
    (frame,) = load_field(out).frames
    assert frame.plants is not None
    assert len(frame.plants) == pytest.approx(len(planted.x), rel=0.03)
    assert len(list((out / "overlays").iterdir())) == 1
    assert not list(out.glob("blocks-*"))
    flat = tmp_path / "flat.tif"
    with rasterio.open(
        flat, "w", driver="GTiff", width=64, height=64, count=1, dtype="uint8", transform=where
    ) as file:
        file.write(np.zeros((1, 64, 64), np.uint8))
    refused = run("above", flat)
    assert refused.exit_code == 2
    assert "where on the earth" in refused.stderr
    # One that can't be read keeps nobody from the others, and what was read isn't read again.
    read: list[Path] = []
    original = ortho_module.read_ortho

    def counted(path: Path, *words, **more):  # type: ignore[no-untyped-def]
        read.append(path)
        return original(path, *words, **more)

    monkeypatch.setattr(ortho_module, "read_ortho", counted)
    both = run("above", flat, path, "--out", out, "--rows", "76.2 cm")
    assert both.exit_code == 0, both.output
    assert "where on the earth" in both.stderr
    assert read == [flat]
    assert len(load_field(out).frames) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--rows", "30"), "no unit: write it like '30 in' or '76 cm'."),
        (("--height", "6"), "no unit: write it like '20 ft' or '6 m'."),
        (("--rows", "9m"), "can't be corn's"),
        (("--height", "300m"), "not above the sea"),
        (("--height", "tall"), "isn't a number"),
        (("--units", "miles"), "use in or cm"),
        (("--boundary", "none.geojson"), "can't be read"),
    ],
)
def test_what_is_not_understood_is_said(words: tuple[str, str], said: str, folder: Path) -> None:
    result = run("above", folder, *words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_folder_that_cannot_be_written_is_said_at_once(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    result = run("above", folder, "--out", tmp_path / "file" / "out")
    assert result.exit_code == 3
    assert "can't be made" in result.stderr


def test_without_a_network_it_says_so(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(tmp_path / "none.onnx"))
    result = run("above", folder)
    assert result.exit_code == 4
    assert "no network for photos from above" in result.stderr
    broken = tmp_path / "broken.onnx"
    broken.write_bytes(b"x")
    monkeypatch.setenv(ABOVE_MODEL_VARIABLE, str(broken))
    assert run("above", folder).exit_code == 4
    # The main way keeps the photo with its view.
    (record, *_) = records(folder)
    assert (record.view, record.outcome) == ("above", "hand-count")
    assert record.quality == ["no-network"]
    assert record.above is not None
    assert record.above["scale"]["source"] == "exif"


# --------------------------------------------------------------------------- the record, the survey


def test_a_photo_from_above_has_its_reading_and_is_never_staged(
    folder: Path, stand_in: Path, tmp_path: Path
) -> None:
    found = records(folder)
    assert {(one.view, one.outcome) for one in found} == {("above", "hand-count")}
    for one in found:
        assert (one.stage, one.height_mm, one.confidence) == (None, None, None)
        assert one.above is not None
        assert one.above["stages"]["level"] == 0.9
        assert one.model == "above-stand-in"
        frame = frame_from_record(one.model_dump(), AboveCalibration())
        assert frame is not None
        assert frame.plants is not None
        assert len(frame.plants) == one.above["plant_count"] > 40
    shown = run("stage", folder)
    assert "range" in shown.stdout
    assert "2 photos: 2 from above." in shown.stdout
    assert "count the hand-count plants" not in shown.stdout
    survey = tmp_path / "s.survey"
    batch = run("batch", folder, "--survey", survey, "--workers", 1)
    assert batch.exit_code == 0
    assert "2 photos from above" in batch.stdout
    assert "Nothing waits for a hand count" in batch.stdout
    with SurveyReader(survey) as store:
        (first, _) = store.plants()
        (reading,) = store.history(first.sha256)
        kept = frame_from_record(reading.record, AboveCalibration())
    assert kept is not None
    assert kept.plants is not None


def test_the_next_step_is_named_where_it_can_be_taken(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from PIL import Image

    from collarvision.walk import flight

    out = tmp_path / "out"
    monkeypatch.setattr(flight, "FEWEST_PLANTS", 50)
    assert f"next: collarvision walk {out}" in run("above", folder, "--out", out).stderr
    none = tmp_path / "none"
    none.mkdir()
    Image.fromarray(np.full((600, 800, 3), 90, np.uint8)).save(none / "a.png")
    result = run("above", none / "a.png", "--rows", "30in", "--out", tmp_path / "b")
    assert "next: collarvision walk" not in result.stderr
    assert "shows no plants to walk by" in result.stderr


def test_an_overlay_of_a_photo_from_above(folder: Path, stand_in: Path, tmp_path: Path) -> None:
    marked = tmp_path / "marked"
    assert run("stage", folder, "--overlay", marked).exit_code == 0
    from PIL import Image

    pictures = list(marked.glob("*.overlay.jpg"))
    assert len(pictures) == 2
    with Image.open(pictures[0]) as drawn:
        # The photo whole, with a key under it: no banner as over a staged plant.
        assert drawn.width == WIDE
        assert TALL < drawn.height < 1.2 * TALL
