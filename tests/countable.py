"""A survey of drawn plants with their photos, for tests of the hand-count page."""

from __future__ import annotations

import hashlib
import os
from dataclasses import replace
from pathlib import Path

from PIL import Image
from stand_in import draw_plant, write_stand_in
from surveys import MODEL

from collarvision.answer import Reading
from collarvision.survey import FileFacts, Place, SurveyWriter

SCRIPT = "<script>alert(1)</script>"
FIELD = Place("North", "2027-05-20", "3", "folder")
WHY = "A collar is about to clear: look there with your own eyes."


def read_drawn_plant(folder: Path) -> tuple[bytes, Reading]:
    """The drawn plant's photo and what the stand-in network reads from it."""
    from collarvision import network, read_photo

    model = folder / "stand-in.onnx"
    if not model.exists():
        write_stand_in(model)
    was = os.environ.get("COLLARVISION_MODEL")
    os.environ["COLLARVISION_MODEL"] = str(model)
    try:
        picture = folder / "drawn.jpg"
        Image.fromarray(draw_plant().rgb).save(picture, quality=92)
        data = picture.read_bytes()
        return data, read_photo(data, name="drawn.jpg")
    finally:
        if was is None:
            del os.environ["COLLARVISION_MODEL"]
        else:
            os.environ["COLLARVISION_MODEL"] = was
        assert network is not None


def add_plant(
    store: SurveyWriter,
    folder: Path,
    drawn: tuple[bytes, Reading],
    name: str,
    place: Place = FIELD,
    **changes: object,
) -> str:
    """Put a plant into a survey as one that waits for a hand count; its photo's hash."""
    data, reading = drawn
    content = data + name.encode()  # a JPEG ends before that, so each photo has its own hash
    path = folder / f"{hashlib.sha256(name.encode()).hexdigest()[:8]}.jpg"
    path.write_bytes(content)
    sha256 = hashlib.sha256(content).hexdigest()
    said = {"outcome": "hand-count", "reasons": (WHY,), "confidence": 0.7, **changes}
    store.add_reading(
        replace(reading, photo=name, sha256=sha256, **said),  # type: ignore[arg-type]
        sha256=sha256,
        model=MODEL,
        place=place,
        file=FileFacts(str(path), len(content), 1, 2),
    )
    return sha256


def make_survey(
    folder: Path, drawn: tuple[bytes, Reading], plants: int = 3
) -> tuple[Path, list[str]]:
    """A survey of plants that all wait, one worth as much as the other; their hashes, by name."""
    path = folder / "season.survey"
    with SurveyWriter(path, create=True) as store:
        hashes = [add_plant(store, folder, drawn, f"IMG_{n}.jpg") for n in range(plants)]
    return path, hashes
