"""Contact sheet: small pictures of the plants with what was read, those in doubt first.

The photos stay where they are; a page holds small JPEG copies, bounded in number and bytes.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from collarvision.answer import (
    confidence_words,
    count_of,
    height_in_doubt,
    percent_sure,
    stage_name,
)
from collarvision.batch.remote import is_address, parent
from collarvision.decision import FieldAnswer
from collarvision.limits import Verdict
from collarvision.seenplants import SeenPlant
from collarvision.table import plain
from collarvision.units import Shown

MOST_PICTURES: Final = 24
MOST_BYTES: Final = 3_000_000  # of all pictures, so that the page can still be mailed
# Verdicts that some plants bring about, and what those of them are that the sentence doesn't name,
# the strongest first; of other verdicts the sentence names the most advanced plant.
OTHERS_ARE: Final = {
    "past": "Also past or likely",
    "closing": "Next furthest on",
    "too early": "Furthest behind",
}
_LONG_SIDE_PX: Final = 460
_QUALITY: Final = 74


@dataclass(frozen=True)
class Picture:
    """One picture of the sheet: `data` is a data URI; words stand below it."""

    name: str
    data: str
    width: int
    height: int
    answer: str
    lines: tuple[str, ...]
    doubtful: bool


@dataclass(frozen=True)
class Sheet:
    """The pictures, and how many plants have none there and why.

    Attributes
    ----------
    pictures : tuple of Picture
    left_out : int
        Plants beyond what a page holds.
    not_found : int
        Plants whose photo isn't where the survey saw it.
    replaced : int
        Those of them where another picture, or one that can't be read, lies there now.
    folders : tuple of str
        Where those photos lay.
    """

    pictures: tuple[Picture, ...]
    left_out: int
    not_found: int
    replaced: int = 0
    folders: tuple[str, ...] = ()


def make_sheet(
    answer: FieldAnswer, shown: Shown, *, most: int = MOST_PICTURES, most_bytes: int = MOST_BYTES
) -> Sheet:
    """Make the sheet: plants that wait, then those that decide, then by falling doubt."""
    # Names are of one visit: a phone numbers its photos alike on another.
    verdicts = [v for v in answer.verdicts if v.word in OTHERS_ARE and v.then is None]
    deciding = {name for verdict in verdicts for name in verdict.deciding_plants}
    named = {name for verdict in verdicts for name in named_by(verdict)}
    with_photo = [p for p in answer.plants if p.sha256 is not None and _usable(p)]
    ordered = sorted(with_photo, key=lambda plant: _urgency(plant, deciding))
    pictures: list[Picture] = []
    missing: list[SeenPlant] = []
    size = left_out = 0
    for number, plant in enumerate(ordered):
        left_out = len(ordered) - number
        if len(pictures) >= most:
            break
        picture = _picture(plant, named, shown)
        if picture is None:
            missing.append(plant)
            continue
        size += len(picture.data)
        if size > most_bytes:
            break
        pictures.append(picture)
    else:
        left_out = 0
    paths = [plant.path for plant in missing if plant.path is not None]
    return Sheet(
        tuple(pictures),
        left_out,
        len(missing),
        sum(os.path.exists(path) for path in paths),
        tuple(dict.fromkeys(parent(path) for path in paths)),
    )


def named_by(verdict: Verdict) -> set[str]:
    """Those of the plants that decide a verdict whose names stand in its sentence.

    The rest are up to ten of those behind them: told of each, that it decides would say nothing.
    """
    return {
        name
        for name in verdict.deciding_plants
        if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", verdict.sentence)
    }


def missing_words(sheet: Sheet) -> str | None:
    """Say that photos can't be shown and that nothing else is lost; None where all are there."""
    count = sheet.not_found
    if not count:
        return None
    first, more = (*sheet.folders, "")[0], len(sheet.folders) - 1
    folder = plain(first) + (f" and {count_of(more, 'other folder')}" if more > 0 else "")
    photos, are = count_of(count, "photo"), "is" if count == 1 else "are"
    if sheet.replaced:
        said = f"{photos} {are} no longer where the survey saw {'it' if count == 1 else 'them'}"
        said += f", in {folder}, and can't be shown"
    elif any(is_address(one) for one in sheet.folders):
        said = f"{photos} of {folder} {are} not shown: a report fetches none from an address"
    else:
        files = "its file is gone" if count == 1 else "their files are gone"
        said = f"{photos} can't be shown, since {files}" + (f" from {folder}" if folder else "")
    return f"{said}. The survey has lost nothing."


def _usable(plant: SeenPlant) -> bool:
    return plant.evidence.decided or plant.evidence.waiting


def _urgency(plant: SeenPlant, deciding: set[str]) -> tuple[int, float, str]:
    evidence = plant.evidence
    group = 0 if evidence.waiting else 1 if evidence.name in deciding else 2
    if evidence.hand_count is not None:
        return max(group, 1), 1.0, evidence.name
    return group, evidence.confidence or 0.0, evidence.name


def _picture(plant: SeenPlant, named: set[str], shown: Shown) -> Picture | None:
    """One plant's picture; None when its photo isn't there any more, or is another one now."""
    from PIL import Image

    from collarvision.photo import load_photo
    from collarvision.photofile import PhotoError

    if plant.path is None:
        return None
    try:
        content = Path(plant.path).read_bytes()
        if hashlib.sha256(content).hexdigest() != plant.sha256:
            return None
        rgb = load_photo(content, plant.path).rgb
    except (OSError, PhotoError):
        return None
    drawn = _drawn(rgb, plant.record or {})
    file = io.BytesIO()
    Image.fromarray(drawn).save(file, "JPEG", quality=_QUALITY, optimize=True)
    data = "data:image/jpeg;base64," + base64.b64encode(file.getvalue()).decode("ascii")
    evidence = plant.evidence
    words, lines = _words(plant, shown)
    if evidence.name in named:
        lines.append("Decides a verdict.")
    name = evidence.name
    if (other := _shown_instead(plant)) is not None:
        # The plant has the name of the photo that it was counted on; another shows it best.
        lines.append(f"counted on {name}")
        name = other
    return Picture(
        name, data, drawn.shape[1], drawn.shape[0], words, tuple(lines), evidence.waiting
    )


def _shown_instead(plant: SeenPlant) -> str | None:
    """The photo of the picture, where the plant is named by another of its photos."""
    record = plant.record or {}
    photos = {plain(str(one["photo"])) for one in record.get("photos") or ()}
    own = plain(str(record.get("photo") or ""))
    return own if own in photos and plant.evidence.name in photos - {own} else None


def _words(plant: SeenPlant, shown: Shown) -> tuple[str, list[str]]:
    evidence = plant.evidence
    lines = [f"stop {evidence.stop}"] if evidence.stop else []
    if evidence.height_mm is not None:
        basis = (plant.record or {}).get("height_basis")
        doubt = height_in_doubt(evidence.height_mm, evidence.height_interval_mm, basis)
        lines.append(shown.height(evidence.height_mm) + ("?" if doubt else ""))
    read = "no stage" if evidence.stage is None else stage_name(evidence.stage)
    if evidence.hand_count is not None:
        how = "nodes" if plant.from_nodes else "hand"
        said = f"{stage_name(evidence.hand_count)}, counted by {how}"
        if plant.counted_by:
            said += f" ({plant.counted_by})"
        if evidence.stage is not None and evidence.stage != evidence.hand_count:
            lines.append(f"read as {read}")
        return said, lines
    sure = (
        ""
        if evidence.confidence is None
        else f", {confidence_words(evidence.confidence)} {percent_sure(evidence.confidence)}"
    )
    if evidence.waiting:
        reasons = (plant.record or {}).get("reasons") or ["It needs a hand count."]
        lines.append(str(reasons[0]))
        return f"{read}?{sure}: count by hand", lines
    return f"{read}{sure}", lines


def _drawn(rgb: Any, record: dict[str, Any]) -> Any:
    """Cut the plant out, make it small and mark what was read. (H, W, 3) uint8."""
    import cv2

    from collarvision import marks

    x0, y0, x1, y1 = _crop(record, rgb.shape[1], rgb.shape[0])
    part = rgb[y0:y1, x0:x1]
    scale = min(_LONG_SIDE_PX / max(part.shape[:2]), 1.0)
    if scale < 1:
        size = (max(round(part.shape[1] * scale), 1), max(round(part.shape[0] * scale), 1))
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    canvas = marks.Canvas(part)

    def at(mark: dict[str, Any]) -> tuple[float, float]:
        return (mark["x"] - x0) * scale, (mark["y"] - y0) * scale

    if record.get("soil_line"):
        x, y = at(dict(zip("xy", record["soil_line"], strict=True)))
        canvas.line([(x - 30, y), (x + 30, y)], marks.YELLOW, 3, rim=1.2, dashes=5)
    if record.get("arch"):
        x, y = at(dict(zip("xy", record["arch"], strict=True)))
        canvas.polygon(marks.diamond(x, y, 7), marks.PURPLE, 1.4)
    for tip in record.get("tips") or ():
        canvas.polygon(marks.triangle(*at(tip), 6), marks.ORANGE, 1.4)
    for number, collar in enumerate(record.get("collars") or ()):
        x, y = at(collar)
        side = 30 if number % 2 else -30
        canvas.line([(x, y), (x + side, y)], marks.WHITE, 2, rim=1)
        canvas.disc(x, y, 4, marks.BLUE, 1.4)
        canvas.disc(x + side, y, 9, marks.BLUE, 1.4)
        rank = collar.get("rank")
        canvas.words(
            x + side, y, "?" if rank is None else str(rank), 14, marks.WHITE, anchor="mm", halo=0
        )
    return canvas.finished()


def _crop(record: dict[str, Any], width: int, height: int) -> tuple[int, int, int, int]:
    """The plant with some room, no narrower than 3 : 4; the whole photo when nothing was marked."""
    points = [(m["x"], m["y"]) for key in ("collars", "tips") for m in record.get(key) or ()]
    points += [tuple(record[key]) for key in ("soil_line", "arch") if record.get(key)]
    # Of another size than the record tells: the marks would not fit.
    if len(points) < 3 or record.get("photo_size") not in (None, [width, height]):
        return 0, 0, width, height
    xs, ys = [x for x, _ in points], [y for _, y in points]
    wide, tall = max(xs) - min(xs), max(ys) - min(ys)
    room = 0.14 * max(wide, tall) + 20
    least = 0.3 * min(width, height)  # a seedling needs something around it to be known by
    wide, tall = max(wide + 2 * room, least), max(tall + 2 * room, least)
    wide, tall = max(wide, 0.6 * tall), max(tall, 0.75 * wide)
    middle_x, middle_y = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2
    return (
        max(round(middle_x - wide / 2), 0),
        max(round(middle_y - tall / 2), 0),
        min(round(middle_x + wide / 2), width),
        min(round(middle_y + tall / 2), height),
    )
