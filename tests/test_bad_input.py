"""Bad input: every odd file ends in a clear sentence and a record, and harms no other photo.

Each file goes through the command line next to a good photo, as in a folder of a day's work.
"""

from __future__ import annotations

import io
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from command import records, run
from PIL import Image
from stand_in import DrawnPlant

from collarvision.reading import read_photo
from collarvision.record import Record

ADVICE = (
    "check", "copy", "give", "shrink", "take", "name", "change", "export", "save", "use",
    "choose", "move", "count", "retake", "hold", "put",
)  # fmt: skip


def jpeg_bytes(rgb: np.ndarray, **options: object) -> bytes:
    stream = io.BytesIO()
    Image.fromarray(rgb).save(stream, "JPEG", quality=95, subsampling=0, **options)
    return stream.getvalue()


def png_header_only(width: int, height: int) -> bytes:
    """A PNG that announces a huge picture and holds nothing (W3C PNG, chunks IHDR, IDAT, IEND)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 1000))
        + chunk(b"IEND", b"")
    )


def jpeg_that_claims(rgb: np.ndarray, width: int, height: int) -> bytes:
    """A small JPEG whose frame header (SOF0, ITU-T T.81 B.2.2) announces another size."""
    data = bytearray(jpeg_bytes(rgb))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.fixture
def good(stand_in: Path, drawn_plant: DrawnPlant, save_jpeg: Callable[..., Path]) -> Path:
    return save_jpeg(drawn_plant.rgb, "good.jpg")


def beside_a_good_photo(good: Path, bad: Path) -> Record:
    """The bad one's record, after checking that the good ones on both sides are unharmed."""
    after = good.with_name("after.jpg")
    after.write_bytes(good.read_bytes())
    first, record, last = records(good, bad, after)
    assert first.stage == last.stage == 3
    assert first.fault is record.fault is last.fault is None
    return record


def assert_refused(record: Record, *words: str) -> None:
    assert record.outcome == "rejected"
    assert record.stage is None
    (reason, *_) = record.reasons
    assert reason.endswith(".")
    assert len(reason) < 220
    assert any(word in reason.lower() for word in ADVICE), f"says not what to do: {reason}"
    assert "Traceback" not in reason
    assert "Error" not in reason
    for word in words:
        assert word in reason


def test_missing_file(good: Path, tmp_path: Path) -> None:
    assert_refused(beside_a_good_photo(good, tmp_path / "gone.jpg"), "gone.jpg")


def test_folder_with_no_photos(good: Path, tmp_path: Path) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    (folder / "notes.txt").write_text("none here")
    record = beside_a_good_photo(good, folder)
    assert record.photo == "empty"
    assert_refused(record, "no photo")


@pytest.mark.parametrize(
    ("data", "word"),
    [
        (b"", "empty"),
        (b"Row 3, stop 4: V5, about 11 inches\n" * 20, "text"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n" + b"0" * 500, "PDF"),
        (b"PK\x03\x04" + b"\0" * 500, "ZIP"),
        (b"\0" * 5000, "zeros"),
        (b"\xff\xd8\xff", ""),
        (bytes(range(256)) * 20, ""),
    ],
    ids=["0 bytes", "text", "pdf", "zip", "zeros", "jpeg start only", "noise"],
)
def test_not_a_photo_whatever_its_name(good: Path, tmp_path: Path, data: bytes, word: str) -> None:
    bad = tmp_path / "bad.jpg"
    bad.write_bytes(data)
    assert_refused(beside_a_good_photo(good, bad), word)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.95])
def test_truncated_jpeg(good: Path, tmp_path: Path, share: float) -> None:
    data = good.read_bytes()
    bad = tmp_path / "cut.jpg"
    bad.write_bytes(data[: int(len(data) * share)])
    assert_refused(beside_a_good_photo(good, bad))


def test_one_pixel(good: Path, save_jpeg: Callable[..., Path]) -> None:
    bad = save_jpeg(np.zeros((1, 1, 3), np.uint8), "dot.jpg")
    assert_refused(beside_a_good_photo(good, bad), "1 x 1")


def test_bombs_are_refused_before_decoding(good: Path, drawn_plant: DrawnPlant) -> None:
    import tracemalloc

    for name, data in (
        ("bomb.png", png_header_only(20000, 10000)),
        ("bomb.jpg", jpeg_that_claims(drawn_plant.rgb[:256, :256], 20000, 10000)),
    ):
        bad = good.with_name(name)
        bad.write_bytes(data)
        tracemalloc.start()
        reading = read_photo(bad)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 50e6
        assert_refused(Record.model_validate(reading.record()), "megapixels")
    assert_refused(beside_a_good_photo(good, bad))


def test_the_bound_on_pixels_can_be_set(good: Path) -> None:
    (record,) = records(good, "--max-megapixels", "0.5")
    assert_refused(record, "megapixels")


def test_permission_denied(stand_in: Path, ordinary_user: Path, drawn_plant: DrawnPlant) -> None:
    good = ordinary_user / "good.jpg"
    good.write_bytes(jpeg_bytes(drawn_plant.rgb))
    locked = ordinary_user / "locked.jpg"
    locked.write_bytes(good.read_bytes())
    locked.chmod(0)
    assert_refused(beside_a_good_photo(good, locked), "locked.jpg")


def test_a_special_file_does_not_hang(good: Path, tmp_path: Path) -> None:
    if not hasattr(os, "mkfifo"):
        pytest.skip("this system has no named pipes")
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    assert_refused(beside_a_good_photo(good, pipe))


# ------------------------------------------------------------------ odd but good photos


def assert_reads_the_plant(record: Record, plant: DrawnPlant, tolerance_px: float = 6.0) -> None:
    assert record.outcome != "rejected", record.reasons
    assert record.stage == plant.stage
    found = np.array([(c.x, c.y) for c in record.collars])
    assert found.shape == (3, 2)
    assert np.abs(found - np.array(plant.collars)).max() < tolerance_px


def as_cmyk(rgb: np.ndarray, path: Path) -> None:
    Image.fromarray(rgb).convert("CMYK").save(path, quality=95)


def as_16_bit(rgb: np.ndarray, path: Path) -> None:
    import cv2

    cv2.imwrite(str(path), rgb[..., ::-1].astype(np.uint16) * 257)


def as_palette(rgb: np.ndarray, path: Path) -> None:
    Image.fromarray(rgb).quantize(64).save(path)


def as_transparent(rgb: np.ndarray, path: Path) -> None:
    Image.fromarray(rgb).convert("RGBA").save(path)


def as_progressive(rgb: np.ndarray, path: Path) -> None:
    Image.fromarray(rgb).save(path, quality=95, subsampling=0, progressive=True)


def as_animated(rgb: np.ndarray, path: Path) -> None:
    frames = [Image.fromarray(rgb), Image.fromarray(rgb[::-1])]
    # Lossless where the format can choose: it is the frames that this file is odd for.
    frames[0].save(path, save_all=True, append_images=frames[1:], duration=100, lossless=True)


def as_heic(rgb: np.ndarray, path: Path) -> None:
    import pillow_heif

    pillow_heif.from_pillow(Image.fromarray(rgb)).save(path, quality=95, chroma=444)


@pytest.mark.parametrize(
    ("name", "write"),
    [
        ("cmyk.jpg", as_cmyk),
        ("deep.png", as_16_bit),
        ("deep.tiff", as_16_bit),
        ("palette.png", as_palette),
        ("transparent.png", as_transparent),
        ("progressive.jpg", as_progressive),
        ("animated.png", as_animated),
        ("animated.webp", as_animated),
        ("phone.heic", as_heic),
        ("wrong-name.png", as_progressive),
    ],
)
def test_unusual_photos_read_like_the_usual_one(
    good: Path,
    drawn_plant: DrawnPlant,
    name: str,
    write: Callable[[np.ndarray, Path], None],
) -> None:
    path = good.with_name(name)
    if name == "wrong-name.png":
        write(drawn_plant.rgb, path.with_suffix(".jpg"))
        path.with_suffix(".jpg").rename(path)
    else:
        write(drawn_plant.rgb, path)
    assert_reads_the_plant(beside_a_good_photo(good, path), drawn_plant)


def test_greyscale_gets_a_record_and_no_fault(good: Path, drawn_plant: DrawnPlant) -> None:
    path = good.with_name("grey.jpg")
    Image.fromarray(drawn_plant.rgb).convert("L").save(path)
    record = beside_a_good_photo(good, path)
    assert record.outcome != "staged"  # the stand-in network sees colour alone
    assert record.reasons


# EXIF 2.3 (CIPA DC-008), tag 0x0112: how the stored picture is made from the upright one.
STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a[::-1, ::-1].transpose(1, 0, 2),
    8: lambda a: np.rot90(a, -1),
}


@pytest.mark.parametrize("orientation", STORED)
def test_every_exif_orientation_reads_like_the_upright_photo(
    good: Path,
    drawn_plant: DrawnPlant,
    save_jpeg: Callable[..., Path],
    orientation: int,
) -> None:
    from PIL import ImageOps

    exif = Image.Exif()
    exif[0x0112] = orientation
    stored = np.ascontiguousarray(STORED[orientation](drawn_plant.rgb))
    path = save_jpeg(stored, f"turned{orientation}.jpg", exif=exif)
    with Image.open(path) as image:  # Pillow's own reading of the tag, as a referee
        assert ImageOps.exif_transpose(image).size == (900, 1200)
    (record,) = records(path)
    assert record.photo_size == (900, 1200)
    assert_reads_the_plant(record, drawn_plant)
    (upright,) = records(good)
    # Each way of storing it is compressed anew: the arch may come out a cell away.
    assert record.height_mm == pytest.approx(upright.height_mm, rel=0.02)
    assert record.soil_line == pytest.approx(upright.soil_line, abs=3)


# ------------------------------------------------------------------ outputs that can't be


@pytest.mark.parametrize("form", ["table", "json", "jsonl"])
def test_unwritable_output_is_said_before_a_photo_is_read(
    good: Path, tmp_path: Path, form: str
) -> None:
    for out in (tmp_path / "missing" / "r", tmp_path):
        result = run("stage", good, "--format", form, "--out", out)
        assert result.exit_code == 3
        assert result.stdout == ""
        assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize("form", ["table", "json", "jsonl"])
def test_output_without_permission_keeps_the_old_file(
    stand_in: Path, ordinary_user: Path, drawn_plant: DrawnPlant, form: str
) -> None:
    photo = ordinary_user / "good.jpg"
    photo.write_bytes(jpeg_bytes(drawn_plant.rgb))
    out = ordinary_user / "kept"
    out.write_text("yesterday")
    out.chmod(0o400)
    result = run("stage", photo, "--format", form, "--out", out)
    assert result.exit_code == 3
    assert "Permission denied" in result.stderr
    assert out.read_text() == "yesterday"


def test_an_overlay_folder_that_cannot_be_made(good: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = run("stage", good, "--overlay", tmp_path / "file" / "marked")
    assert result.exit_code == 3
    assert "overlays" in result.stderr


def test_an_overlay_that_cannot_be_written_does_not_cost_the_record(
    good: Path, tmp_path: Path
) -> None:
    # A folder already has the overlay's name: writing fails there and then.
    (tmp_path / "marked" / "good.overlay.jpg").mkdir(parents=True)
    result = run("stage", good, "--overlay", tmp_path / "marked", "--format", "jsonl")
    assert result.exit_code == 3
    assert "can't be written" in result.stderr
    assert Record.model_validate_json(result.stdout).stage == 3
