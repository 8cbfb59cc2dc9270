"""Captions: the words around an overlay: a banner, the reasons under it, a key at the foot."""

from __future__ import annotations

import numpy as np

from collarvision import marks
from collarvision.answer import (
    MM_PER_INCH,
    Reading,
    confidence_words,
    percent_sure,
    shown_stage,
)
from collarvision.marks import Canvas, Colour
from collarvision.table import not_numbered

_OUTCOMES: dict[str, tuple[Colour, str]] = {
    "staged": (marks.GREEN, "Staged"),
    "hand-count": (marks.ORANGE, "Count by hand"),
    "rejected": (marks.VERMILION, "Rejected"),
}


_HEIGHT_NAMES = {
    "arch": "to the arch",
    "free-standing": "no arch seen",
    "along-stalk": "along the stalk",
}
"""Short enough to stand beside the longest stage and outcome."""

_TOPS = {"free-standing": "highest point", "along-stalk": "where the height ends"}
"""What the mark at the height's upper end is called where it isn't an arch."""


def banner(reading: Reading, width: int) -> np.ndarray:
    """Stage, outcome, confidence and height at a glance, (h, `width`, 3) uint8."""
    colour, outcome_words = _OUTCOMES[reading.outcome]
    pad, edge = round(width * 0.022), round(width * 0.02)
    big, mid = round(width * 0.105), round(width * 0.044)
    canvas = Canvas(np.full((round(width * 0.165), width, 3), marks.BLACK, np.uint8))
    canvas.block((0, 0, edge, canvas.height), colour)
    left = edge + pad
    middle = canvas.height / 2
    if reading.stage is not None and reading.outcome != "rejected":
        stage = shown_stage(reading.stage, reading.outcome, reading.confidence)
        stage = stage.replace("–", "?")  # the font has no such dash
        canvas.words(left, middle, stage, big, marks.WHITE, anchor="lm")
        left += round(marks.text_width(stage, big)) + 2 * pad
    lines = [(outcome_words, colour)]
    if reading.confidence is not None and reading.outcome != "rejected":
        sure = f"{confidence_words(reading.confidence)}, {percent_sure(reading.confidence)}"
        lines.append((sure, marks.WHITE))
    for row, (words, ink) in enumerate(lines):
        y = middle + (row - (len(lines) - 1) / 2) * 1.3 * mid
        canvas.words(left, y, words, mid, ink, anchor="lm")
    if reading.height_mm is not None and reading.outcome != "rejected":
        height = " · ".join(both_heights(reading.height_mm, reading.height_in_doubt))
        name = _HEIGHT_NAMES.get(reading.height_basis or "", "height")
        # Beside the longest stages there is less room than a doubtful height takes.
        room = width - 2 * pad - left - max(marks.text_width(words, mid) for words, _ in lines)
        needed = max(marks.text_width(words, mid) for words in (height, name))
        size = min(mid, int(mid * room / needed))
        for row, words in enumerate((height, name)):
            y = middle + (row - 0.5) * 1.3 * mid
            canvas.words(width - pad, y, words, size, marks.WHITE, anchor="rm")
    return canvas.finished()


def both_heights(height_mm: float, in_doubt: bool) -> tuple[str, str]:
    """A height in inches and in cm, each with its "?": either may be the one that is read."""
    doubt = "?" if in_doubt else ""
    return f"{height_mm / MM_PER_INCH:.1f} in{doubt}", f"{height_mm / 10:.1f} cm{doubt}"


def reasons_panel(reading: Reading, width: int) -> np.ndarray:
    """Reasons and notes as wrapped sentences, (h, `width`, 3) uint8; no rows without any."""
    size, pad = round(width * 0.036), round(width * 0.025)
    sentences = [*reading.reasons, *not_numbered(reading)]
    reasons = [marks.wrap(sentence, size, width - 3.2 * pad) for sentence in sentences]
    gap = round(0.35 * size)
    rows = sum(len(lines) for lines in reasons)
    height = round(rows * 1.28 * size) + len(reasons) * gap + pad // 2 if reasons else 0
    canvas = Canvas(np.full((height, width, 3), marks.BLACK, np.uint8))
    y = 0.0
    for lines in reasons:
        canvas.disc(pad * 1.3, y + 0.55 * size, 0.13 * size, marks.WHITE, 0.0)
        for line in lines:
            canvas.words(2.2 * pad, y, line, size, marks.WHITE)
            y += 1.28 * size
        y += gap
    return canvas.finished() if height else canvas.rgb


def key(reading: Reading, width: int) -> np.ndarray:
    """What the marks mean, only those that are there, and the photo's name; (h, `width`, 3)."""
    size, pad = round(width * 0.028), round(width * 0.025)
    rows = [] if reading.outcome == "rejected" else _key_rows(reading, width - 2 * pad, size)
    height = round((len(rows) * 2.0 + 1.4) * size) + pad
    canvas = Canvas(np.full((height, width, 3), marks.BLACK, np.uint8))
    y = 0.75 * pad
    for row in rows:
        x = float(pad)
        for name, words in row:
            _draw_key(canvas, name, x + size, y + 0.75 * size, size / 26)
            x += 2.3 * size
            canvas.words(x, y + 0.75 * size, words, size, marks.WHITE, anchor="lm")
            x += marks.text_width(words, size) + 1.4 * size
        y += 2.0 * size
    name = marks.shortened(reading.photo, size, width - 2 * pad)
    canvas.words(pad, y + 0.6 * size, name, size, marks.GREY, anchor="lm")
    return canvas.finished()


def _key_rows(reading: Reading, width: float, size: int) -> list[list[tuple[str, str]]]:
    shapes = {tip.shape for tip in reading.tips}
    entries = [
        ("collar", "collar, counted", bool(reading.collars)),
        ("pointed", "leaf tip", bool(shapes - {"rounded"})),
        ("rounded", "rounded first leaf", "rounded" in shapes),
        ("soil", "soil line", reading.soil_line is not None),
        (
            "arch",
            _TOPS.get(reading.height_basis or "", "top of the arch"),
            reading.arch is not None,
        ),
        ("card", "scale card", reading.card is not None),
    ]
    shown = [(name, words) for name, words, wanted in entries if wanted]
    needed = [3.7 * size + marks.text_width(words, size) for _, words in shown]
    return marks.in_rows(shown, needed, width)


def _draw_key(canvas: Canvas, name: str, x: float, y: float, unit: float) -> None:
    r = 13 * unit
    if name == "collar":
        canvas.disc(x, y, r, marks.BLUE, 2 * unit)
        canvas.words(x, y, "1", round(1.5 * r), marks.WHITE, anchor="mm")
    elif name == "pointed":
        canvas.polygon(marks.triangle(x, y, r), marks.ORANGE, 1.5 * unit)
    elif name == "rounded":
        canvas.ring(x, y, r, marks.ORANGE, 2 * unit)
    elif name == "arch":
        canvas.polygon(marks.diamond(x, y, r), marks.PURPLE, 1.5 * unit)
    elif name == "soil":
        canvas.line([(x - 1.4 * r, y), (x + 1.4 * r, y)], marks.YELLOW, 5 * unit, dashes=3)
    else:
        canvas.line(
            [(x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r), (x - r, y - r)],
            marks.SKY,
            3 * unit,
        )
