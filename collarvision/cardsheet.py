"""Card sheet: the scale card as a printable PDF, vector and true to size.

The card itself is fixed (see `collarvision.cardfit`): A5, four markers. The rest of its face is
laid out here: check bar, grey patches, field and stop. Coordinates are mm on the card from its
top-left corner, y down, as everywhere else; `_Face` turns them into the PDF's.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from collarvision.cardfit import (
    CARD_MM,
    MARKER_TOP_LEFT_MM,
    MODULE_MM,
    MODULES,
    marker_pattern,
)
from collarvision.cardletters import BOLD, FONT, face_words, missing_letters, register_fonts
from collarvision.stopcode import QR_CORNER_MM, QR_SIDE_MM, stop_payload
from collarvision.writing import what_to_do

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

PAGE_MM = {
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1, 8.5 x 11 in
}

CHECK_BAR_MM = 100.0
CHECK_BAR_LEFT_MM, CHECK_BAR_TOP_MM = 24.0, 61.0

PATCH_REFLECTANCES = (0.04, 0.09, 0.18, 0.36, 0.60)
"""Nominal reflectances of the grey patches, left to right; what a printer makes of them varies."""

_POINTS_PER_MM = 72.0 / 25.4
_PATCH_TOP_MM, _PATCH_HEIGHT_MM, _PATCH_PITCH_MM, _PATCH_WIDTH_MM = 78.0, 16.0, 20.5, 18.0
_SOFT = 0.35  # grey of secondary text: still prints solid on an office laser

_STEPS = (
    ("Print at 100 %.", "Choose “actual size”, never “fit to page”."),
    ("Measure the bar.", "It must be 100 mm long. If not, tell the program what you measured."),
    ("Cut along the dashed line.", "Keep the white rim: the markers need it."),
    ("Fix it flat.", "Upright on the board, beside the plant and as near to it as you can."),
    ("Keep leaves off the markers.", "Two whole markers will do; four measure best."),
    ("Face the board.", "Tilt under 30°, all in focus, no glare on the card: matt paper is best."),
)


class CardSheetError(Exception):
    """The sheet can't be written; `str(error)` is one sentence that says what to do."""


def write_card(
    path: str | Path,
    page: str = "a4",
    field: str | None = None,
    stop: str | int | None = None,
) -> Path:
    """Write the scale card as a one-page PDF.

    Parameters
    ----------
    path : str or Path
        File to write; it is replaced in one step, or left as it was when writing fails.
    page : {'a4', 'letter'}
    field, stop : str, optional
        Printed on the card, and in its QR code; without them, and for one with letters that can't
        be printed, the card has lines to write on.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    CardSheetError
        When the page's name is unknown or the file can't be written.
    collarvision.stopcode.StopCodeError
        When field and stop are too long for the code.
    """
    size = PAGE_MM.get(page.lower())
    if size is None:
        raise CardSheetError(f"There is no page size “{page}”: choose a4 or letter.")
    given = any(value is not None and str(value).strip() for value in (field, stop))
    payload = stop_payload(field, stop) if given else None
    path = Path(path)
    _replace(path, _draw(size, payload, face_words(field), face_words(stop)))
    return path


def _replace(path: Path, data: bytes) -> None:
    """Write beside the target, then rename: a full disk never leaves half a card."""
    if os.path.isdir(path):
        raise CardSheetError(f"{path} is a folder: give a file name such as card.pdf.")
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("xb") as file:
            file.write(data)
        part.replace(path)
    except FileNotFoundError:
        raise CardSheetError(
            f"There is no folder {path.parent}: make it, or choose another."
        ) from None
    except PermissionError:
        raise CardSheetError(
            f"{path} may not be written by this user: choose another folder."
        ) from None
    except OSError as error:
        raise CardSheetError(
            f"{path} can't be written ({error.strerror or error}): {what_to_do(error)}."
        ) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def reflectance_grey(reflectance: float) -> float:
    """Grey level 0..1, sRGB-encoded (IEC 61966-2-1), that stands for a reflectance on paper."""
    if reflectance <= 0.0031308:
        return 12.92 * reflectance
    return float(1.055 * reflectance ** (1 / 2.4) - 0.055)


# --------------------------------------------------------------------------- drawing


def _draw(page_mm: tuple[float, float], payload: str | None, field: str, stop: str) -> bytes:
    from io import BytesIO

    from reportlab.pdfgen.canvas import Canvas

    register_fonts()
    out = BytesIO()
    # invariant: the same card is the same file, byte for byte.
    canvas = Canvas(
        out, pagesize=(page_mm[0] * _POINTS_PER_MM, page_mm[1] * _POINTS_PER_MM), invariant=1
    )
    canvas.setTitle("Scale card" + (f" - {field}" if field else ""))
    canvas.setAuthor("collarvision")
    canvas.setSubject("Print at 100 %: the bar must measure 100 mm")
    # Readers that honour it open their print dialogue without scaling (PDF 1.7, 12.2).
    canvas.setViewerPreference("PrintScaling", "None")
    left = (page_mm[0] - CARD_MM[0]) / 2
    top = 10.0 if page_mm[1] > 290 else 7.0
    face = _Face(canvas, left, page_mm[1] - top)
    _draw_markers(face)
    _draw_heading(face)
    _draw_check_bar(face)
    _draw_patches(face)
    _draw_filing(face, payload, field, stop)
    _draw_cut_line(face)
    _draw_steps(_Face(canvas, 15.0, page_mm[1] - top - CARD_MM[1] - 5.0), page_mm[0] - 30.0)
    canvas.showPage()
    canvas.save()
    return out.getvalue()


class _Face:
    """Draws in mm from a top-left corner, y down."""

    def __init__(self, canvas: Canvas, left_mm: float, top_mm: float) -> None:
        self.canvas = canvas
        self.left, self.top = left_mm, top_mm

    def point(self, x: float, y: float) -> tuple[float, float]:
        return (self.left + x) * _POINTS_PER_MM, (self.top - y) * _POINTS_PER_MM

    def rectangles(self, boxes: list[tuple[float, float, float, float]], grey: float) -> None:
        """Fill boxes (x, y, width, height)."""
        self.canvas.setFillGray(grey)
        for x, y, width, height in boxes:
            px, py = self.point(x, y + height)
            self.canvas.rect(
                px, py, width * _POINTS_PER_MM, height * _POINTS_PER_MM, stroke=0, fill=1
            )

    def line(self, x0: float, y0: float, x1: float, y1: float, width_mm: float) -> None:
        self.canvas.setLineWidth(width_mm * _POINTS_PER_MM)
        self.canvas.line(*self.point(x0, y0), *self.point(x1, y1))

    def line_to_write_on(self, x0: float, x1: float, y: float) -> None:
        self.canvas.setStrokeGray(_SOFT)
        self.line(x0, y, x1, y, 0.2)

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size_mm: float,
        *,
        bold: bool = False,
        centred: bool = False,
        grey: float = 0.0,
        room_mm: float | None = None,
    ) -> float:
        """Write `words` on baseline `y`, shrunk to fit `room_mm`; returns the width, mm."""
        from reportlab.pdfbase import pdfmetrics

        font = BOLD if bold else FONT
        size = size_mm * _POINTS_PER_MM
        width = pdfmetrics.stringWidth(words, font, size)
        if room_mm is not None and width > room_mm * _POINTS_PER_MM:
            size *= room_mm * _POINTS_PER_MM / width
            width = room_mm * _POINTS_PER_MM
        self.canvas.setFont(font, size)
        self.canvas.setFillGray(grey)
        px, py = self.point(x, y)
        self.canvas.drawString(px - (width / 2 if centred else 0), py, words)
        return float(width / _POINTS_PER_MM)


def _cells(dark: np.ndarray, left: float, top: float, cell: float) -> list[Any]:
    """Boxes that cover the true cells of a grid.

    Runs along rows and down columns overlap, so that no viewer shows a hairline between cells.
    """
    boxes = []
    for turned, grid in ((False, dark), (True, dark.T)):
        for i, line in enumerate(grid):
            edges = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(np.int8), [0]])))
            for start, stop in zip(edges[::2], edges[1::2], strict=True):
                if turned and stop - start == 1:
                    continue  # its row has drawn it
                x, y, width, height = start * cell, i * cell, (stop - start) * cell, cell
                if turned:
                    x, y, width, height = y, x, height, width
                boxes.append((left + x, top + y, width, height))
    return boxes


def _draw_markers(face: _Face) -> None:
    for marker, (left, top) in MARKER_TOP_LEFT_MM.items():
        dark = ~marker_pattern(marker)[1:-1, 1:-1]
        side = MODULES * MODULE_MM
        face.rectangles([(left, top, side, side)], 0.0)
        # White on black: the outline stays one exact square.
        face.rectangles(_cells(~dark, left, top, MODULE_MM), 1.0)


def _draw_heading(face: _Face) -> None:
    middle = CARD_MM[0] / 2
    face.canvas.setFillGray(0.0)
    arrow = face.canvas.beginPath()
    arrow.moveTo(*face.point(middle, 10.0))
    arrow.lineTo(*face.point(middle + 5.0, 17.0))
    arrow.lineTo(*face.point(middle - 5.0, 17.0))
    arrow.close()
    face.canvas.drawPath(arrow, stroke=0, fill=1)
    face.text(middle, 24.0, "THIS WAY UP", 3.0, bold=True, centred=True)
    face.text(middle, 34.0, "Scale card", 5.0, bold=True, centred=True)
    face.text(middle, 40.0, "A5, 148 × 210 mm", 2.8, centred=True, grey=_SOFT)
    face.text(middle, 182.0, "Flat on the board,", 3.0, centred=True, grey=_SOFT)
    face.text(middle, 187.0, "beside the plant", 3.0, centred=True, grey=_SOFT)


def _draw_check_bar(face: _Face) -> None:
    left, top = CHECK_BAR_LEFT_MM, CHECK_BAR_TOP_MM
    face.text(left, top - 3.0, "Measure me: 100 mm from end to end", 3.2, bold=True)
    # The bar and its ticks lie inside 0..100 mm: a ruler laid on the ends reads the length.
    face.rectangles([(left, top, CHECK_BAR_MM, 1.2)], 0.0)
    thin = 0.25
    for tick in range(0, 101, 5):
        length = 5.0 if tick % 50 == 0 else 3.5 if tick % 10 == 0 else 2.2
        x = min(max(left + tick - thin / 2, left), left + CHECK_BAR_MM - thin)
        face.rectangles([(x, top, thin, length)], 0.0)
    for tick in (0, 50, 100):
        face.text(left + tick, top + 8.8, str(tick), 2.8, centred=True)


def _draw_patches(face: _Face) -> None:
    left = CHECK_BAR_LEFT_MM
    for k, reflectance in enumerate(PATCH_REFLECTANCES):
        x = left + k * _PATCH_PITCH_MM
        face.rectangles(
            [(x, _PATCH_TOP_MM, _PATCH_WIDTH_MM, _PATCH_HEIGHT_MM)], reflectance_grey(reflectance)
        )
        face.text(
            x + _PATCH_WIDTH_MM / 2,
            _PATCH_TOP_MM + _PATCH_HEIGHT_MM + 4.0,
            f"{100 * reflectance:.0f} %",
            2.8,
            centred=True,
        )
    face.text(
        left,
        _PATCH_TOP_MM + _PATCH_HEIGHT_MM + 8.6,
        "Reflectance, nominal: no two printers agree on grey",
        2.5,
        grey=_SOFT,
    )


def _draw_filing(face: _Face, payload: str | None, field: str, stop: str) -> None:
    """Draw the code with field and stop beside it, or lines to write them on."""
    left, top = QR_CORNER_MM
    if payload is None:
        for y, words in ((122.0, "Field"), (136.0, "Stop"), (150.0, "Date")):
            face.text(left, y, words, 3.2, grey=_SOFT)
            face.line_to_write_on(left + 16.0, left + CHECK_BAR_MM, y + 0.8)
        return
    dark = _qr_modules(payload)
    face.rectangles(_cells(dark, left, top, QR_SIDE_MM / len(dark)), 0.0)
    x, y = left + QR_SIDE_MM + 8.0, top + 5.0
    room = CHECK_BAR_LEFT_MM + CHECK_BAR_MM - x
    for words, value in (("Field", field), ("Stop", stop)):
        if value:
            face.text(x, y, words, 2.8, grey=_SOFT)
            # Half a name would be read as the name: all of it, or a line to write it on.
            by_hand = bool(missing_letters(value))
            if by_hand:
                y += 10.0
                face.line_to_write_on(x, x + room, y)
            for line in [] if by_hand else _wrapped(value, room, 5.0):
                y += 7.0
                face.text(x, y, line, 5.0, bold=True, room_mm=room)
            y += 9.0


def _wrapped(words: str, room_mm: float, size_mm: float) -> list[str]:
    """Break a name into at most two lines."""
    from reportlab.lib.utils import simpleSplit

    size = size_mm * _POINTS_PER_MM
    lines = simpleSplit(words, BOLD, size, room_mm * _POINTS_PER_MM)
    return lines if len(lines) <= 2 else [lines[0], " ".join(lines[1:])]


def _qr_modules(payload: str) -> np.ndarray:
    """(n, n) bool of a QR symbol, True dark, without its margin."""
    from reportlab.graphics.barcode import qrencoder

    code = qrencoder.QRCode(None, qrencoder.QRErrorCorrectLevel.M)
    code.addData(payload)
    code.make()
    return np.array(code.modules, dtype=bool)


def _draw_cut_line(face: _Face) -> None:
    canvas = face.canvas
    canvas.saveState()
    canvas.setStrokeGray(0.45)
    canvas.setDash(2.0 * _POINTS_PER_MM, 1.5 * _POINTS_PER_MM)
    width, height = CARD_MM
    for x0, y0, x1, y1 in (
        (0, 0, width, 0),
        (width, 0, width, height),
        (width, height, 0, height),
        (0, height, 0, 0),
    ):
        face.line(x0, y0, x1, y1, 0.2)
    canvas.restoreState()


def _draw_steps(face: _Face, width_mm: float) -> None:
    """Number the steps in two columns, outside the cut line."""
    from reportlab.lib.utils import simpleSplit

    column = (width_mm - 8.0) / 2
    size, leading = 2.9, 4.0
    rows = (len(_STEPS) + 1) // 2
    for k, (lead, rest) in enumerate(_STEPS):
        x = (k // rows) * (column + 8.0)
        y = 5.0 + (k % rows) * 15.0
        face.text(x, y, str(k + 1), 5.0, bold=True, grey=_SOFT)
        face.text(x + 7.0, y - 0.6, lead, size, bold=True)
        room = (column - 7.0) * _POINTS_PER_MM
        for line in simpleSplit(rest, FONT, size * _POINTS_PER_MM, room):
            y += leading
            face.text(x + 7.0, y - 0.6, line, size)
