"""Corrected plants: a survey's hand counts and moved handles as samples to train and measure on.

What people don't say isn't learnt: nobody paints part maps (`classes_known`), and where no tip,
soil or arch was marked there may be one (`tips_known`, `soil_known`, `arch_known`). A count that
was typed without a marking isn't learnt from at all: the network counts the collars on the plant,
and a stage alone doesn't say how many of its leaves were lost. It is measured and calibrated on
(`points_known`). Plants that people count differently are left out, and photos whose file changed.
A plant that several photos show is one sample: the photo with the count that stands.
"""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import sys
from collections.abc import Iterable, Iterator, Sequence, Set
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import cv2
import numpy as np

from collarvision.agreement import last_words, stage_counted, stages_said
from collarvision.handles import Handle, handles_of_record
from collarvision.photo import load_photo
from collarvision.photofile import PhotoError, read_file
from collarvision.plantphotos import whole_plants
from collarvision.survey import PlantRow, StoredCount, SurveyReader
from training.samples import mask_path
from training.scoring import read_jsonl
from training.views import READ_MARGIN, READ_PX

Share = Literal["train", "calibrate", "held-out"]
HELD_OUT, CALIBRATE = 0.3, 0.2
BOX_MARGIN = 0.06
"""Blades arch past their tips and collars: this much of the longer side on each side."""
SPARE_PIXELS = 1.2
"""Training photos are stored so large that a READ crop is this many times its size."""


@dataclass(frozen=True)
class Corrected:
    """One plant that a person counted.

    Attributes
    ----------
    sha256 : str
    path : Path
        The photo, where it was last seen.
    group : str
        Field and stop: what stands together stays on one side of the split.
    share : str
    stage : int
    handles : tuple of Handle
        The person's, in px of the upright photo; empty for a typed count.
    record : dict
        Of the reading; of it only the plant's whereabouts and layout are used.
    """

    sha256: str
    path: Path
    group: str
    share: Share
    stage: int
    handles: tuple[Handle, ...]
    record: dict[str, Any]

    @property
    def marked(self) -> bool:
        """Whether a person marked points: a typed count teaches nothing."""
        return bool(self.handles)


def group_of(row: PlantRow) -> str:
    """Name what a plant must not be parted from: its stop, or its whole field without stops.

    One plant may be on several photos, and a stop is where those are taken. Without a field it's
    whatever was photographed on the same day.
    """
    if row.field is None:
        day = row.date or (row.taken_at or "")[:10]
        return f"day {day}" if day else f"photo {row.sha256}"
    return f"{row.field}\n{row.stop}" if row.stop is not None else row.field


def share_of(group: str) -> Share:
    """Give the group's side of the split: by its name alone, so the same whatever else is there."""
    place = int.from_bytes(hashlib.sha256(group.encode()).digest()[:8], "big") / 2**64
    if place < HELD_OUT:
        return "held-out"
    return "calibrate" if place < HELD_OUT + CALIBRATE else "train"


def corrected_plants(survey: Path) -> tuple[list[Corrected], list[str]]:
    """Give counted plants whose photos are there, and sentences about those left out.

    Raises
    ------
    collarvision.survey.SurveyError
        The survey can't be read.
    """
    with SurveyReader(survey) as store:
        found, unsure, gone, others = [], 0, 0, 0
        for row, said in _counted(store):
            if len(set(stages_said({one.count.who: one for one in said}).values())) > 1:
                unsure += 1
                continue
            if row.path is None or not Path(row.path).is_file():
                gone += 1
                continue
            try:
                # Cameras start their numbers anew: another photo may lie there by now.
                found_there = hashlib.sha256(read_file(Path(row.path))).hexdigest()
            except PhotoError:
                gone += 1
                continue
            if found_there != row.sha256:
                others += 1
                continue
            stage = stage_counted(said[-1].count)
            assert stage is not None  # `last_words` keeps no others
            # Marks beside another count than the one that stands, or on another photo, are not its.
            own = [s for s in said if s.sha256 == row.sha256 and stage_counted(s.count) == stage]
            marked = next((one.handles for one in reversed(own) if one.handles), ())
            group = group_of(row)
            found.append(
                Corrected(
                    row.sha256,
                    Path(row.path),
                    group,
                    share_of(group),
                    min(stage, 12),
                    marked,
                    row.record,
                )
            )
    told = []
    if unsure:
        told.append(f"{unsure} plants that people count differently are left out.")
    if gone:
        told.append(f"{gone} counted plants are left out: their photos can no longer be read.")
    if others:
        told.append(
            f"{others} counted plants are left out: where their photos were, another file lies now."
        )
    return found, told


def _counted(store: SurveyReader) -> Iterator[tuple[PlantRow, list[StoredCount]]]:
    """Each counted plant's last words of people, the one that stands last, and its photo."""
    words = last_words(store.counts())
    for plant in whole_plants(row for row in store.plants() if row.sha256 in words):
        photos = {p.sha256: p for p in (plant, *plant.others) if p.set_aside is None}
        said = [one for sha256 in photos for one in words[sha256].values()]
        said.sort(key=lambda one: one.count.made)
        if said:
            yield photos[said[-1].sha256], said


def groups_with(survey: Path, photos: Set[str]) -> set[str]:
    """Groups (see `group_of`) in which any of these photos stands, by their SHA-256.

    Raises
    ------
    collarvision.survey.SurveyError
        The survey can't be read.
    """
    with SurveyReader(survey) as store:
        return {group_of(row) for row in store.plants() if row.sha256 in photos}


def truth_row(plant: Corrected, file: str, scale: float = 1.0) -> dict[str, Any]:
    """Give the truth line of a plant on its photo shrunk by `scale`.

    Without a box where nobody and nothing placed the plant: no crop can be taken round it. Collars
    alone don't say how far it reaches: where a person marked no tip, soil or arch, the box takes
    those of the reading.
    """
    marks = {h.part for h in plant.handles}
    read = [h for h in handles_of_record(plant.record) if h.part not in marks]
    handles = [*plant.handles, *(h for h in read if not (plant.marked and h.part == "collar"))]
    placed = [(h.x * scale, h.y * scale) for h in handles if h.x is not None and h.y is not None]
    size = plant.record.get("photo_size")
    box = None
    if len(placed) >= 2 and any(h.part in ("tip", "arch") for h in handles):
        (x0, y0), (x1, y1) = np.min(placed, axis=0), np.max(placed, axis=0)
        spare = BOX_MARGIN * max(x1 - x0, y1 - y0)
        box = [float(v) for v in (x0 - spare, y0 - spare, x1 + spare, y1 + spare)]
    known = plant.marked
    lost = {h.rank for h in plant.handles if h.lost}
    row: dict[str, Any] = {
        "file": file,
        "usable": True,
        "reason": "ok",
        "stage_v": plant.stage,
        "sha256": plant.sha256,
        "width": round(size[0] * scale) if size else None,
        "height": round(size[1] * scale) if size else None,
        "view": "photo",
        "layout": plant.record.get("layout"),
        "collars_visible_in_image": [],
        "tips": [],
        "base_xy": None,
        "arch_xy": None,
        "first_leaf": {"present": 1 not in lost} if known else None,
        "lower_leaves_missing": len(lost) if known else None,
        "plant_box_px": box,
        "classes_known": False,
        "points_known": known,
        "tips_known": "tip" in marks,
        "soil_known": "soil" in marks,
        "arch_known": "arch" in marks,
    }
    if known:
        row |= _points(plant.handles, scale)
    return row


def _points(handles: Iterable[Handle], scale: float) -> dict[str, Any]:
    handles = tuple(handles)

    def at(part: str) -> list[tuple[Handle, float, float]]:
        return [
            (h, h.x * scale, h.y * scale)
            for h in handles
            if h.part == part and h.x is not None and h.y is not None
        ]

    collars = [{"rank": h.rank, "x": x, "y": y, "occluded": h.occluded} for h, x, y in at("collar")]
    out = {c["rank"] for c in collars}
    tips = [
        {
            "rank": h.rank,
            "x": x,
            "y": y,
            "occluded": h.occluded,
            # A tip that nobody numbered is in the whorl, and whose it is stays unknown.
            "has_collar": None if h.rank is None else h.rank in out,
            "rounded": h.rounded,
            # Leaf 1 grows a round tip: one that isn't round is torn or dry, and has no shape.
            "shape_known": h.rounded or h.rank != 1,
        }
        for h, x, y in at("tip")
    ]
    ends = {part: [x, y] for part in ("soil", "arch") for _, x, y in at(part)}
    return {
        "collars_visible_in_image": collars,
        "tips": tips,
        "base_xy": ends.get("soil"),
        "arch_xy": ends.get("arch"),
    }


def generated_rows(folder: Path | None, most: int) -> list[dict[str, Any]]:
    """Choose generated samples to mix in: the same ones each time, from all parts alike.

    Parameters
    ----------
    folder : Path or None
        With ``truth.jsonl`` files in it or below; None for none.
    most : int
        At most so many.

    Returns
    -------
    list of dict
        Truth lines whose ``file`` and ``mask`` are whole paths.

    Raises
    ------
    SystemExit
        The folder holds no sample.
    """
    if folder is None:
        return []
    rows = []
    for path in sorted(folder.rglob("truth.jsonl")):
        for row in read_jsonl(path):
            image, mask = (path.parent / row["file"]).resolve(), mask_path(path.parent, row)
            if image.is_file() and mask.is_file():
                rows.append(row | {"file": str(image), "mask": str(mask.resolve())})
    if not rows:
        raise SystemExit(f"No generated sample under {folder}: see training/README.md.")
    chosen = np.random.default_rng(0).permutation(len(rows))[:most]
    return [rows[k] for k in sorted(chosen)]


def write_training(
    plants: Sequence[Corrected],
    folder: Path,
    *,
    repeats: int = 1,
    beside: Sequence[dict[str, Any]] = (),
) -> int:
    """Write samples to train on, each named `repeats` times; gives how many plants there are.

    Of the plants only those that a person marked are written. The lines of `beside` are mixed in
    evenly: a trainer draws some more from the newest ones.
    """
    _make_anew(folder)
    lines = []
    for plant in plants:
        box = truth_row(plant, "")["plant_box_px"]
        if box is None or not plant.marked:
            continue
        x0, y0, x1, y1 = box
        side = max(x1 - x0, y1 - y0) * (1 + 2 * READ_MARGIN)
        scale = min(1.0, SPARE_PIXELS * READ_PX / side)
        try:
            rgb = load_photo(plant.path).rgb
        except PhotoError as error:
            print(f"left out {plant.path.name}: {error}", file=sys.stderr)
            continue
        size = (round(rgb.shape[1] * scale), round(rgb.shape[0] * scale))
        small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
        name = plant.sha256[:16]
        cv2.imwrite(
            str(folder / f"{name}.jpg"),
            cv2.cvtColor(small, cv2.COLOR_RGB2BGR),
            [cv2.IMWRITE_JPEG_QUALITY, 95],
        )
        cv2.imwrite(str(folder / f"{name}.png"), np.zeros(small.shape[:2], np.uint8))
        lines.append(json.dumps(truth_row(plant, f"{name}.jpg", scale)) + "\n")
    mixed = lines * repeats
    if beside:
        mixed += [json.dumps(row) + "\n" for row in beside]
        mixed = [mixed[k] for k in np.random.default_rng(0).permutation(len(mixed))]
    (folder / "truth.jsonl").write_text("".join(mixed), encoding="utf-8")
    return len(lines)


def write_photos(
    plants: Sequence[Corrected], folder: Path, *, placed: bool = False
) -> list[Corrected]:
    """Copy whole photos with their truth, to measure on; gives the plants of the lines.

    Where only `placed` ones are asked for, a plant without a box is left out.
    """
    _make_anew(folder)
    kept, lines = [], []
    for plant in plants:
        name = plant.sha256[:16] + plant.path.suffix.lower()
        row = truth_row(plant, name)
        if placed and row["plant_box_px"] is None:
            continue
        shutil.copyfile(plant.path, folder / name)
        lines.append(json.dumps(row | {"group": plant.group}) + "\n")
        kept.append(plant)
    (folder / "truth.jsonl").write_text("".join(lines), encoding="utf-8")
    return kept


def repeats_beside(generated: int, corrected: int) -> int:
    """Tell how often to name each corrected plant so that a third of the draws are corrected."""
    return min(20, max(1, math.ceil(generated / 2 / max(corrected, 1))))


def _make_anew(folder: Path) -> None:
    # Only files of an earlier call are cleared away; a plant may have changed its share.
    folder.mkdir(parents=True, exist_ok=True)
    for path in folder.iterdir():
        if path.name == "truth.jsonl" or path.suffix.lower() in (".jpg", ".jpeg", ".png", ".heic"):
            path.unlink()
