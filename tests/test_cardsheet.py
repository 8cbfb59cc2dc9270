"""The card sheet: true size, vector, found again by the card room, and its code read back.

Page sizes are those of ISO 216 and of US Letter (8.5 x 11 in). Rasters come from an independent
PDF renderer (pypdfium2, or poppler's pdftoppm), and grey levels are checked against the published
sRGB value of 18 % grey.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pytest
from command import run
from hypothesis import given, settings
from hypothesis import strategies as st

from collarvision.card import find_card
from collarvision.cardsheet import CardSheetError, reflectance_grey, write_card
from collarvision.photo import Photo
from collarvision.stopcode import (
    StopCode,
    StopCodeError,
    parse_stop_payload,
    read_stop_code,
    stop_payload,
)

DPI = 150
PX_PER_MM = DPI / 25.4
CARD_LEFT_TOP_MM = {"a4": (31.0, 10.0), "letter": (33.95, 7.0)}


def raster(path: Path, dpi: int = DPI) -> np.ndarray:
    """Render the first page, (H, W, 3) uint8."""
    try:
        import pypdfium2
    except ImportError:
        if shutil.which("pdftoppm") is None:
            pytest.skip("needs a PDF renderer: pypdfium2, or pdftoppm from poppler")
        picture = path.with_suffix(f".{dpi}")
        command = ["pdftoppm", "-r", str(dpi), "-png", "-singlefile", str(path), str(picture)]
        subprocess.run(command, check=True)
        return cv2.imread(f"{picture}.png")[..., ::-1].copy()
    with pypdfium2.PdfDocument(path) as document:
        return np.array(document[0].render(scale=dpi / 72).to_pil().convert("RGB"))


@pytest.fixture(scope="module")
def sheets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("cards")
    return {
        "a4": write_card(folder / "a4.pdf"),
        "letter": write_card(folder / "letter.pdf", "letter", field="Mühle & Co; 50%", stop=3),
    }


@pytest.mark.parametrize(
    ("page", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (8.5 * 25.4, 11 * 25.4))]
)
def test_page_sizes_are_those_of_the_standards(
    sheets: dict[str, Path], page: str, size_mm: tuple[float, float]
) -> None:
    pypdf = pytest.importorskip("pypdf", reason="reading a PDF back needs pypdf")
    reader = pypdf.PdfReader(sheets[page])
    assert len(reader.pages) == 1
    box = reader.pages[0].mediabox
    assert float(box.width) == pytest.approx(size_mm[0] / 25.4 * 72, abs=0.01)
    assert float(box.height) == pytest.approx(size_mm[1] / 25.4 * 72, abs=0.01)


def test_the_sheet_is_vector_with_its_fonts_inside_and_asks_for_no_scaling(
    sheets: dict[str, Path],
) -> None:
    pypdf = pytest.importorskip("pypdf", reason="reading a PDF back needs pypdf")
    reader = pypdf.PdfReader(sheets["letter"])
    assert not reader.pages[0].images
    fonts = reader.pages[0]["/Resources"]["/Font"]
    used = [fonts[name].get_object() for name in fonts]
    embedded = [f for f in used if "/FontFile2" in f.get("/FontDescriptor", {})]
    assert len(embedded) >= 2
    text = reader.pages[0].extract_text()
    assert re.search(r"Print at 100\s*%", text)
    assert "Mühle & Co" in text
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"


@pytest.mark.parametrize("page", ["a4", "letter"])
def test_the_printed_card_is_found_at_its_true_size(sheets: dict[str, Path], page: str) -> None:
    scale = find_card(Photo(page, raster(sheets[page]), ""))
    assert scale is not None
    assert scale.markers_found == 4
    assert scale.tilt_deg < 0.5
    x, y = scale.corners_px.mean(axis=0)
    assert scale.mm_per_px_at(x, y) == pytest.approx(25.4 / DPI, rel=0.003)
    left, top = CARD_LEFT_TOP_MM[page]
    card = np.array([[0, 0], [148, 0], [148, 210], [0, 210]]) + (left, top)
    assert np.abs(scale.corners_px - card * PX_PER_MM).max() < 1.0


def test_the_check_bar_is_100_mm_on_paper(sheets: dict[str, Path]) -> None:
    fine = 300
    grey = raster(sheets["a4"], fine)[..., 1]
    left, top = CARD_LEFT_TOP_MM["a4"]
    row = grey[round((top + 61.6) * fine / 25.4)]
    across = row[round((left + 10) * fine / 25.4) : round((left + 138) * fine / 25.4)]
    ink = (255 - across.astype(float)).sum() / 255  # px, the two ends' part-inked px counted
    assert ink / fine * 25.4 == pytest.approx(100.0, abs=0.1)


def test_grey_patches_stand_for_their_reflectances(sheets: dict[str, Path]) -> None:
    # Published: 18 % grey is 118 in sRGB.
    assert 255 * reflectance_grey(0.18) == pytest.approx(118, abs=0.6)
    grey = raster(sheets["a4"])[..., 1]
    left, top = CARD_LEFT_TOP_MM["a4"]
    x, y = (left + 24 + 2 * 20.5 + 9) * PX_PER_MM, (top + 86) * PX_PER_MM
    assert abs(int(grey[round(y), round(x)]) - 118) <= 1


@pytest.mark.parametrize("page", ["a4", "letter"])
def test_nothing_is_printed_next_to_a_marker(sheets: dict[str, Path], page: str) -> None:
    grey = raster(sheets[page])[..., 1]
    left, top = CARD_LEFT_TOP_MM[page]
    for x, y in ((8, 8), (104, 8), (104, 166), (8, 166)):
        ring = np.ones((round(50 * PX_PER_MM),) * 2, bool)
        inner = slice(round(6.5 * PX_PER_MM), -round(6.5 * PX_PER_MM))
        ring[inner, inner] = False
        row, column = round((top + y - 7) * PX_PER_MM), round((left + x - 7) * PX_PER_MM)
        view = grey[row : row + len(ring), column : column + len(ring)]
        assert (view[ring] == 255).all()


def test_the_code_is_read_from_the_print_and_from_a_tilted_photo(sheets: dict[str, Path]) -> None:
    expected = StopCode("Mühle & Co; 50%", "3")
    sheet = raster(sheets["letter"])
    assert read_stop_code(Photo("sheet", sheet, "")) == expected
    height, width = sheet.shape[:2]
    corners = np.float32([[0, 0], [width, 0], [width, height], [0, height]])
    tilted = np.float32([[160, 120], [800, 60], [860, 1000], [90, 900]])
    view = cv2.warpPerspective(
        sheet,
        cv2.getPerspectiveTransform(corners, tilted),
        (960, 1100),
        flags=cv2.INTER_AREA,
        borderValue=(90, 110, 80),
    )
    photo = Photo("tilted", view, "")
    scale = find_card(photo)
    assert scale is not None
    assert read_stop_code(photo, scale) == expected


@pytest.mark.parametrize(
    ("field", "letters"),
    [
        ("Kőris", "ő"),
        ("東の畑 A", "東, の, 畑"),
        ("Mühle", None),
        ("Mu\u0308hle", None),
        ("x\u0301 Ost", "U+0301"),  # what no one would see alone is named
        ("Schnee ❄\ufe0f", "❄, U+FE0F"),
    ],
)
def test_a_name_that_cant_be_printed_whole_gets_a_line_and_is_told(
    tmp_path: Path, field: str, letters: str | None
) -> None:
    pypdf = pytest.importorskip("pypdf", reason="reading a PDF back needs pypdf")
    out = tmp_path / "card.pdf"
    done = run("card", "--out", out, "--field", field, "--stop", 3)
    assert done.exit_code == 0
    text = pypdf.PdfReader(out).pages[0].extract_text()
    assert "?" not in text
    sheet = raster(out)
    # Beside the code, under the word "Field": a line across, or the name's letters.
    left, top = CARD_LEFT_TOP_MM["a4"]
    rows = slice(round((top + 117) * PX_PER_MM), round((top + 128) * PX_PER_MM))
    beside = sheet[rows, round((left + 75) * PX_PER_MM) : round((left + 123) * PX_PER_MM), 1]
    assert (beside < 200).all(axis=1).any() == (letters is not None)
    if letters is None:
        assert "Mühle" in text
        assert "by hand" not in done.stderr
    else:
        assert f"The card's font has no {letters}: write the field's name by hand" in done.stderr
    assert read_stop_code(Photo("sheet", sheet, "")) == StopCode(field, "3")


def test_a_card_without_a_code_reads_as_none(sheets: dict[str, Path]) -> None:
    photo = Photo("plain", raster(sheets["a4"], 100), "")
    assert read_stop_code(photo, find_card(photo)) is None


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.text(max_size=9), st.one_of(st.none(), st.integers(0, 99), st.text(max_size=4)))
def test_payloads_come_back_as_they_went(field: str, stop: str | int | None) -> None:
    field = field.encode("utf-8", "ignore").decode()  # lone surrogates are no text
    stop = stop.encode("utf-8", "ignore").decode() if isinstance(stop, str) else stop
    given_stop = "" if stop is None else str(stop).strip()
    if not field.strip() and not given_stop:
        with pytest.raises(StopCodeError):
            stop_payload(field, stop)
        return
    try:
        payload = stop_payload(field, stop)
    except StopCodeError as error:
        assert "shorten" in str(error)  # noqa: PT017  both outcomes are right for long text
        return
    assert payload.isascii()
    assert parse_stop_payload(payload) == StopCode(field.strip() or None, given_stop or None)


def test_the_documented_payload_and_foreign_ones() -> None:
    assert stop_payload("North forty", 3) == "CV1;field=North%20forty;stop=3"
    assert parse_stop_payload("https://example.org") is None
    assert parse_stop_payload("CV2;field=a") is None
    assert parse_stop_payload("CV1;later=x;stop=2") == StopCode(None, "2")


def test_a_name_that_is_too_long_for_the_code_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StopCodeError, match="shorten"):
        write_card(tmp_path / "card.pdf", field="x" * 90)
    assert not list(tmp_path.iterdir())


def test_the_same_card_is_the_same_file(tmp_path: Path) -> None:
    one = write_card(tmp_path / "1.pdf", field="A", stop=1).read_bytes()
    assert write_card(tmp_path / "2.pdf", field="A", stop=1).read_bytes() == one


def test_unknown_pages_and_unwritable_places(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(CardSheetError, match="a4 or letter"):
        write_card(tmp_path / "card.pdf", "a3")
    with pytest.raises(CardSheetError, match="folder"):
        write_card(tmp_path)
    with pytest.raises(CardSheetError, match="no folder"):
        write_card(tmp_path / "missing" / "card.pdf")

    kept = tmp_path / "card.pdf"
    kept.write_bytes(b"the old one")

    def refuse(self: Path, target: Path) -> Path:
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", refuse)
        with pytest.raises(CardSheetError, match="may not be written"):
            write_card(kept)

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "replace", full)
        with pytest.raises(CardSheetError, match=r"No space left.*: free some space or choose an"):
            write_card(kept)
    assert kept.read_bytes() == b"the old one"
    assert [entry.name for entry in tmp_path.iterdir()] == ["card.pdf"]


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the super-user may write everywhere"
)
def test_a_folder_that_forbids_writing(tmp_path: Path) -> None:
    tmp_path.chmod(0o555)
    try:
        with pytest.raises(CardSheetError, match="may not be written"):
            write_card(tmp_path / "card.pdf")
    finally:
        tmp_path.chmod(0o755)
