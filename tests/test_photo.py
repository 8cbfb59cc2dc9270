"""The photo room: formats, EXIF, bounds, and one clear sentence for every file that is no photo.

Checked against Pillow (decoding, EXIF orientation), hashlib, and the published definitions of the
sRGB and Display P3 colour spaces and of the 35 mm-equivalent focal length.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import struct
import zlib
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image, ImageCms, ImageOps

import collarvision.photo as photo_room
from collarvision.photo import load_photo
from collarvision.photofile import PhotoError

EXIF_IFD, GPS_IFD = 0x8769, 0x8825


def scene(width: int = 160, height: int = 120) -> np.ndarray:
    """A noisy picture with no symmetry, so that every turn of it looks different."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:height, :width]
    rgb = np.stack([40 + x, 30 + 1.2 * y, 200 - x], axis=-1)
    rgb[10:40, 10:30] = (250, 20, 20)
    return np.clip(rgb + rng.normal(0, 3, rgb.shape), 0, 255).astype(np.uint8)


def encoded(kind: str, image: Image.Image | None = None, **options: object) -> bytes:
    out = io.BytesIO()
    (image or Image.fromarray(scene())).save(out, kind, **options)
    return out.getvalue()


def jpeg(image: Image.Image | None = None, **options: object) -> bytes:
    return encoded("JPEG", image, **{"quality": 92, **options})


def sentence(data: bytes | str | Path, **options: float) -> str:
    """The one sentence that loading ends in."""
    with pytest.raises(PhotoError) as caught:
        load_photo(data, **options)
    text = str(caught.value)
    assert text.endswith(".")
    assert "\n" not in text
    assert len(text) < 250
    return text


# --------------------------------------------------------------------------- what can be read


def test_a_jpeg_equals_pillows_decoding_and_is_hashed() -> None:
    data = jpeg()
    photo = load_photo(data, "a.jpg")
    reference = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    # Both use libjpeg-turbo, but may pick other inverse transforms: a level or two.
    assert np.abs(photo.rgb.astype(int) - reference).max() <= 3
    assert photo.rgb.dtype == np.uint8
    assert photo.rgb.flags["C_CONTIGUOUS"]
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert (photo.name, photo.taken_at, photo.gps, photo.focal_eq_mm) == ("a.jpg", None, None, None)


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "GIF", "WEBP"])
def test_other_formats_equal_pillow(kind: str, tmp_path: Path) -> None:
    path = tmp_path / "photo.bin"  # the ending isn't trusted
    path.write_bytes(encoded(kind))
    photo = load_photo(path)
    reference = np.asarray(Image.open(path).convert("RGB"))
    assert np.array_equal(photo.rgb, reference)
    assert photo.name == "photo.bin"


def heic(**options: object) -> bytes:
    pillow_heif = pytest.importorskip("pillow_heif", reason="HEIC photos need pillow-heif")
    out = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene())).save(out, quality=95, **options)
    return out.getvalue()


def test_heic_is_read() -> None:
    photo = load_photo(heic())
    assert photo.rgb.shape == (120, 160, 3)
    assert np.abs(photo.rgb.astype(int) - scene()).mean() < 6


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_the_eight_exif_orientations_agree_with_pillow(kind: str, orientation: int) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = encoded(kind, exif=exif, **({"quality": 95} if kind == "JPEG" else {}))
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB")
    photo = load_photo(data)
    assert photo.rgb.shape == np.asarray(upright).shape
    assert np.abs(photo.rgb.astype(int) - np.asarray(upright)).max() <= 3


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_a_heic_is_turned_once_not_twice(orientation: int) -> None:
    # The container's own rotation is applied by libheif; phones repeat it in EXIF.
    pillow_heif = pytest.importorskip("pillow_heif", reason="HEIC photos need pillow-heif")
    pillow_heif.register_heif_opener()
    exif = Image.Exif()
    exif[0x0112] = orientation
    out = io.BytesIO()
    Image.fromarray(scene()).save(out, "HEIF", quality=95, exif=exif.tobytes())
    expected = scene()
    expected = {
        1: expected,
        3: expected[::-1, ::-1],
        6: np.rot90(expected, -1),
        8: np.rot90(expected, 1),
    }[orientation]
    photo = load_photo(out.getvalue())
    assert photo.rgb.shape == expected.shape
    assert np.abs(photo.rgb.astype(int) - expected).mean() < 6


def test_grey_alpha_palette_cmyk_and_sixteen_bits_are_converted() -> None:
    base = Image.fromarray(scene())
    grey = base.convert("L")
    assert np.array_equal(load_photo(encoded("PNG", grey)).rgb[..., 1], np.asarray(grey))
    assert load_photo(jpeg(grey)).rgb.shape == (120, 160, 3)

    clear = base.convert("RGBA")
    alpha = np.full((120, 160), 255, np.uint8)
    alpha[:60] = 0
    clear.putalpha(Image.fromarray(alpha))
    on_white = load_photo(encoded("PNG", clear)).rgb
    assert (on_white[:60] == 255).all()
    assert np.array_equal(on_white[60:], scene()[60:])

    palette = base.quantize(64)
    palette_rgb = np.asarray(palette.convert("RGB"))
    assert np.array_equal(load_photo(encoded("PNG", palette)).rgb, palette_rgb)
    see_through = load_photo(encoded("PNG", palette, transparency=0)).rgb
    assert (see_through == 255).all(axis=2).sum() >= (np.asarray(palette) == 0).sum()

    ink = base.convert("CMYK")
    for kind in ("JPEG", "TIFF"):
        read = load_photo(encoded(kind, ink, **({"quality": 95} if kind == "JPEG" else {}))).rgb
        assert np.abs(read.astype(int) - scene()).mean() < 8, kind

    deep = (np.asarray(grey).astype(np.uint16) << 8) + 77
    for kind in ("PNG", "TIFF"):
        read = load_photo(encoded(kind, Image.fromarray(deep))).rgb
        assert np.abs(read[..., 0].astype(int) - np.asarray(grey)).max() <= 1, kind
    fractions = Image.fromarray((np.asarray(grey) / 255).astype(np.float32))
    read = load_photo(encoded("TIFF", fractions)).rgb
    assert np.abs(read[..., 0].astype(int) - np.asarray(grey)).max() <= 1


@pytest.mark.parametrize("kind", ["GIF", "PNG", "TIFF", "WEBP"])
def test_of_an_animation_the_first_frame_is_read(kind: str) -> None:
    frames = [Image.new("RGB", (80, 70), colour) for colour in ("red", "lime", "blue")]
    extra = {"lossless": True} if kind == "WEBP" else {}
    data = encoded(kind, frames[0], save_all=True, append_images=frames[1:], **extra)
    assert (load_photo(data).rgb == (255, 0, 0)).all()


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_blocks": 4}])
def test_what_phones_append_after_a_jpeg_is_left_alone(options: dict[str, object]) -> None:
    data = jpeg(**options)
    whole = load_photo(data).rgb
    second = jpeg(Image.new("RGB", (70, 70)))
    for tail in (b"\x00" * 4000, b"SEFT junk \xff\xd8 \xff\x00\xff", second, second[:400]):
        assert np.array_equal(load_photo(data + tail).rgb, whole)


def test_a_thumbnail_inside_exif_is_no_end_of_the_photo() -> None:
    thumbnail = b"Exif\x00\x00" + b"\x00" * 20 + jpeg(Image.new("RGB", (64, 64)))
    segment = b"\xff\xe1" + struct.pack(">H", len(thumbnail) + 2) + thumbnail
    data = jpeg()
    with_thumbnail = data[:2] + segment + data[2:]
    assert np.array_equal(load_photo(with_thumbnail).rgb, load_photo(data).rgb)
    assert "cut short" in sentence(with_thumbnail[: len(with_thumbnail) - 1500])


def test_display_p3_comes_out_as_srgb() -> None:
    # Published: P3's primaries and white in linear sRGB (SMPTE EG 432-1, CSS Color 4, section 10).
    p3_to_srgb = np.array(
        [[1.2249, -0.2247, 0.0], [-0.0420, 1.0419, 0.0], [-0.0197, -0.0786, 1.0979]]
    )

    def linear(v: np.ndarray) -> np.ndarray:
        return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)

    def curved(v: np.ndarray) -> np.ndarray:
        v = np.clip(v, 0, 1)
        return np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)

    colours = np.array([[80, 130, 60], [150, 120, 90], [200, 200, 200], [60, 80, 140]], np.uint8)
    image = Image.fromarray(np.repeat(np.repeat(colours[None], 64, 0), 32, 1))
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    for name in ("Display P3".encode("ascii"), "Display P3".encode("utf-16-be")):
        read = load_photo(encoded("PNG", image, icc_profile=profile + name)).rgb[0, 16::32]
        expected = 255 * curved(linear(colours / 255) @ p3_to_srgb.T)
        assert np.abs(read - expected).max() < 9  # a fit, see upright._TO_SRGB
        assert np.abs(read - expected).mean() < np.abs(colours - expected).mean()
    assert np.array_equal(
        load_photo(encoded("PNG", image, icc_profile=profile)).rgb[0, 16::32], colours
    )


# --------------------------------------------------------------------------- EXIF notes


def with_exif(
    main: dict | None = None, detail: dict | None = None, place: dict | None = None
) -> bytes:
    exif = Image.Exif()
    for tag, value in (main or {}).items():
        exif[tag] = value
    exif.get_ifd(EXIF_IFD).update(detail or {})
    exif.get_ifd(GPS_IFD).update(place or {})
    return jpeg(exif=exif)


def test_capture_time_and_its_zone() -> None:
    plain = load_photo(with_exif(detail={0x9003: "2024:06:03 14:05:09"})).taken_at
    assert plain == datetime(2024, 6, 3, 14, 5, 9)
    zoned = {0x9003: "2024:06:03 14:05:09", 0x9011: "-05:00"}
    moment = load_photo(with_exif(detail=zoned)).taken_at
    assert moment == datetime(2024, 6, 3, 19, 5, 9, tzinfo=UTC)
    assert moment.tzinfo == timezone(-timedelta(hours=5))
    fallback = load_photo(with_exif(main={0x0132: "2023:05:01 08:00:00"})).taken_at
    assert fallback == datetime(2023, 5, 1, 8)
    for blank in ("0000:00:00 00:00:00", "    :  :     :  :  ", "yesterday"):
        assert load_photo(with_exif(detail={0x9003: blank})).taken_at is None
    # A camera that lost its clock; the file's own time may be better.
    for lost in ("1980:01:01 00:00:12", "0001:01:01 00:00:00", "2999:01:01 00:00:00"):
        assert load_photo(with_exif(detail={0x9003: lost})).taken_at is None
        both = with_exif(main={0x0132: "2023:05:01 08:00:00"}, detail={0x9003: lost})
        assert load_photo(both).taken_at == fallback


def test_position_in_degrees() -> None:
    place = {1: "N", 2: (41.0, 30.0, 36.0), 3: "W", 4: (93.0, 45.0, 0.0)}
    latitude, longitude = load_photo(with_exif(place=place)).gps
    # Degrees, minutes and seconds by hand: 41 + 30/60 + 36/3600; -(93 + 45/60).
    assert latitude == pytest.approx(41.51)
    assert longitude == pytest.approx(-93.75)
    for spoilt in (
        {**place, 1: "X"},
        {**place, 2: (99.0, 0.0, 0.0)},
        {2: (41.0, 30.0, 36.0)},
        {1: "N", 2: (0.0, 0.0, 0.0), 3: "E", 4: (0.0, 0.0, 0.0)},
    ):
        assert load_photo(with_exif(place=spoilt)).gps is None


def test_focal_length_as_noted_or_from_the_sensor() -> None:
    assert load_photo(with_exif(detail={0xA405: 26})).focal_eq_mm == 26.0
    assert load_photo(with_exif(detail={0xA405: 0})).focal_eq_mm is None
    # 160 x 120 px at 20 px/mm: an 8 x 6 mm sensor, diagonal 10 mm; a 6.5 mm lens is
    # 6.5 * 43.27 / 10 = 28.1 mm-equivalent (43.27 mm: the diagonal of 24 x 36, CIPA DCG-001).
    sensor = {0x920A: 6.5, 0xA20E: 200.0, 0xA20F: 200.0, 0xA210: 3, 0xA002: 160, 0xA003: 120}
    assert load_photo(with_exif(detail=sensor)).focal_eq_mm == pytest.approx(28.13, abs=0.01)
    cropped = {0xA405: 26, 0xA002: 300, 0xA003: 120}
    assert load_photo(with_exif(detail=cropped)).focal_eq_mm is None


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.binary(max_size=80))
def test_a_broken_exif_block_never_costs_the_photo(junk: bytes) -> None:
    block = b"Exif\x00\x00II*\x00" + junk
    data = jpeg()
    data = data[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + data[2:]
    assert min(load_photo(data).rgb.shape[:2]) == 120


# --------------------------------------------------------------------------- what can't be read


def test_missing_empty_folder_and_foreign_files(tmp_path: Path) -> None:
    assert "no file" in sentence(tmp_path / "nowhere.jpg")
    assert "folder" in sentence(tmp_path)
    assert "0 bytes" in sentence(b"")
    (tmp_path / "empty.jpg").write_bytes(b"")
    assert "0 bytes" in sentence(str(tmp_path / "empty.jpg"))
    (tmp_path / "notes.jpg").write_text("Feld 3: Mais, 4 Blätter\n" * 30, encoding="utf-8")
    assert "text" in sentence(tmp_path / "notes.jpg")
    assert "PDF" in sentence(b"%PDF-1.7\n")
    assert "video" in sentence(b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00mp42isom")
    assert "zeros" in sentence(b"\x00" * 900)
    assert "unknown" in sentence(bytes(range(256)) * 3)
    assert "unknown" in sentence(encoded("BMP"))
    assert "ZIP" in sentence(b"PK\x03\x04" + b"\x00" * 40)
    assert "can't be read" in sentence("a\x00b.jpg")


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(jpeg())

    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert "permissions" in sentence(path)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may read every file"
)
def test_a_file_whose_mode_forbids_reading(tmp_path: Path) -> None:
    path = tmp_path / "locked.jpg"
    path.write_bytes(jpeg())
    path.chmod(0)
    assert "permissions" in sentence(path)


def test_a_share_that_fails_while_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "gone.jpg"
    path.write_bytes(jpeg())

    def fail(self: Path) -> bytes:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "read_bytes", fail)
    assert "Input/output error" in sentence(path)


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_blocks": 4}])
def test_a_jpeg_cut_anywhere_is_refused(options: dict[str, object]) -> None:
    data = jpeg(**options)
    for share in (0.02, 0.1, 0.3, 0.5, 0.75, 0.9, 0.97):
        assert "cut short" in sentence(data[: int(share * len(data))]), share


def test_a_cut_jpeg_that_was_closed_with_an_end_marker_is_still_refused() -> None:
    data = jpeg()
    for share in (0.3, 0.6, 0.9):
        assert "cut short" in sentence(data[: int(share * len(data))] + b"\xff\xd9"), share


PROGRESSIVE = [
    {},
    {"quality": 60, "subsampling": 2},
    {"quality": 100, "subsampling": 0},
    {"restart_marker_blocks": 4},
    {"restart_marker_rows": 1},
]


@pytest.mark.parametrize("options", PROGRESSIVE)
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_a_progressive_jpeg_is_read_when_whole_and_refused_when_cut_and_closed(
    mode: str, options: dict[str, object]
) -> None:
    data = jpeg(Image.fromarray(scene()).convert(mode), progressive=True, **options)
    assert load_photo(data).size == (160, 120)
    # CMYK ends in a scan of a black that is nought everywhere: nothing is lost with it.
    for share in (0.2, 0.35, 0.5, 0.7, 0.85, *([] if mode == "CMYK" else [0.95, 0.98])):
        assert "cut short" in sentence(data[: int(share * len(data))] + b"\xff\xd9"), share


def test_a_progressive_jpeg_cut_between_two_scans_is_refused() -> None:
    data = jpeg(progressive=True)
    scans = [at for at in range(len(data)) if data[at : at + 2] == b"\xff\xda"]
    assert len(scans) > 2
    for at in scans[1:]:
        assert "cut short" in sentence(data[:at] + b"\xff\xd9")


@pytest.mark.parametrize("flat", [0, 128, 255])
def test_a_progressive_jpeg_with_nothing_in_it_is_no_cut_one(flat: int) -> None:
    data = jpeg(Image.new("RGB", (160, 120), (flat,) * 3), progressive=True)
    assert load_photo(data).size == (160, 120)


def test_a_jpeg_that_lacks_nothing_but_its_end_marker_is_read() -> None:
    # Some cameras leave it out; every pixel is there.
    data = jpeg()
    assert np.array_equal(load_photo(data[:-2]).rgb, load_photo(data).rgb)


def test_a_white_corner_is_no_cut_jpeg() -> None:
    rgb = scene()
    rgb[80:, 100:] = 255
    assert load_photo(jpeg(Image.fromarray(rgb))).rgb.shape == rgb.shape


@pytest.mark.parametrize("kind", ["PNG", "TIFF", "WEBP"])
def test_other_formats_cut_short_are_refused(kind: str) -> None:
    data = encoded(kind)
    assert "damaged" in sentence(data[: len(data) // 2])


def test_a_damaged_heic_is_refused() -> None:
    data = heic()
    assert "damaged" in sentence(data[: len(data) // 2])


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "GIF"])
@pytest.mark.parametrize("size", [(1, 1), (20, 400)])
def test_icons_are_refused(kind: str, size: tuple[int, int]) -> None:
    assert "pixels" in sentence(encoded(kind, Image.new("RGB", size)))


def png_header(width: int, height: int) -> bytes:
    """A PNG that announces its size and holds next to nothing."""

    def chunk(name: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
        )

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\x00" * 1000))
        + chunk(b"IEND", b"")
    )


def test_a_bomb_is_refused_before_a_pixel_is_decoded(monkeypatch: pytest.MonkeyPatch) -> None:
    def never(*args: object) -> None:
        raise AssertionError("decoded")

    monkeypatch.setattr(photo_room.cv2, "imdecode", never)
    monkeypatch.setattr(Image.Image, "convert", never)
    assert "megapixels" in sentence(png_header(20_000, 10_000))
    assert "megapixels" in sentence(png_header(12_500, 10_000))  # under Pillow's own bound
    data = bytearray(jpeg())
    size_at = data.index(b"\xff\xc0") + 5
    data[size_at : size_at + 4] = struct.pack(">HH", 10_000, 20_000)
    assert "200 megapixels" in sentence(bytes(data))
    assert "0.0192 megapixels" in sentence(jpeg(), max_megapixels=0.015)  # 160 x 120 px


def test_a_raw_file_is_named_as_such() -> None:
    assert "raw" in sentence(b"II*\x00\x10\x00\x00\x00CR\x02\x00" + b"\x00" * 100)
    dng = {50706: b"\x01\x04\x00\x00"}
    assert "raw" in sentence(encoded("TIFF", tiffinfo=dng))


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.data())
def test_a_corrupted_file_ends_in_a_photo_or_a_sentence(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(["JPEG", "PNG", "TIFF", "GIF"]))
    body = bytearray(encoded(kind, Image.fromarray(scene(70, 66))))
    for _ in range(data.draw(st.integers(1, 6))):
        body[data.draw(st.integers(8, len(body) - 1))] = data.draw(st.integers(0, 255))
    with contextlib.suppress(PhotoError):  # any other exception fails the test
        assert load_photo(bytes(body), max_megapixels=1).rgb.ndim == 3


@pytest.mark.parametrize(("code", "told"), [(-4, MemoryError), (-2, PhotoError)])
def test_a_lack_of_memory_is_no_damage(monkeypatch, code: int, told: type[Exception]) -> None:
    """OpenCV's codes: -4 is no memory (cv::Error::StsNoMem), -2 a failure of its own."""

    def broken(*_: object) -> None:
        error = cv2.error("no room")
        error.code, error.err = code, "no room"
        raise error

    data = jpeg()
    monkeypatch.setattr(cv2, "imdecode", broken)
    with pytest.raises(told):
        load_photo(data)
