"""Card letters: what can be printed on the scale card, by the fonts that it carries inside."""

from __future__ import annotations

import unicodedata
from typing import Final

FONT: Final = "CollarvisionText"
BOLD: Final = "CollarvisionBold"
"""Of names."""


def register_fonts() -> None:
    """Embed Bitstream Vera, which comes with reportlab: the base PDF fonts aren't embedded."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(FONT, "Vera.ttf"))
        pdfmetrics.registerFont(TTFont(BOLD, "VeraBd.ttf"))


def face_words(value: str | int | None) -> str:
    """Words for the card's face; an accent that comes after its letter is one with it."""
    return "" if value is None else unicodedata.normalize("NFC", str(value).strip())


def missing_letters(words: str) -> list[str]:
    """Letters that the font of names lacks, each once."""
    from reportlab.pdfbase import pdfmetrics

    register_fonts()
    glyphs = pdfmetrics.getFont(BOLD).face.charToGlyph
    return [letter for letter in dict.fromkeys(words) if ord(letter) not in glyphs]


def _mark(letter: str) -> bool:
    """Tell accents and variation selectors, which alone nobody sees."""
    return unicodedata.category(letter).startswith("M")


def by_hand_words(name: str | None) -> str:
    """Say which letters of a field's name can't be printed, and what to do; else nothing."""
    letters = [
        one if one.isprintable() and not _mark(one) else f"U+{ord(one):04X}"
        for one in missing_letters(face_words(name))
    ]
    if not letters:
        return ""
    return (
        f"The card's font has no {', '.join(letters)}: write the field's name by hand on the line "
        "beside the code. The code holds all of it."
    )
