"""Cases: photos with truth as the run-time package reads them, and what each leaf truly is."""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from collarvision.card import Scale
from collarvision.cardseen import seek_card
from collarvision.confidence import look_closer_at
from collarvision.looks import Look, made_look
from collarvision.network import load_network
from collarvision.parts import Looks, Parts, Point, gather, look_closer, take_looks
from collarvision.photo import Photo, load_photo
from collarvision.photofile import PhotoError
from collarvision.plant import Leaf, Plant, assemble
from collarvision.quality import assess
from collarvision.reading import Understood, understand
from collarvision.stage import StageBelief, believe
from training.scoring import TOLERANCE, plant_height_px, read_jsonl

if TYPE_CHECKING:
    from collarvision.calibration import Calibration
    from collarvision.quality import Finding


@dataclass(frozen=True)
class Case:
    """One photo as read, with its truth; `closer` is the same photo read with a closer look."""

    name: str
    parts: Parts
    plant: Plant
    findings: tuple[Finding, ...]
    scale: Scale | None
    truth: dict[str, Any]
    closer: Case | None = None

    @property
    def usable(self) -> bool:
        return bool(self.truth["usable"])

    @property
    def size(self) -> tuple[int, int]:
        """The photo's width and height, px."""
        return self.truth["width"], self.truth["height"]

    @property
    def stage(self) -> int:
        return int(self.truth["stage_v"])


def read_cases(
    truth_file: Path, limit: int | None = None, looks_folder: Path | None = None
) -> list[Case]:
    """Read every whole photo of a truth file with the run-time package, with a closer look as well.

    Parameters
    ----------
    truth_file : Path
        ``truth.jsonl`` beside its photos; photos that aren't there are left out.
    limit : int, optional
        Only this many photos.
    looks_folder : Path, optional
        Where the network's answers are kept, so that the next time takes seconds; those of another
        network are replaced.
    """
    rows = [row for row in read_jsonl(truth_file) if row.get("view", "photo") == "photo"][:limit]
    cases = []
    for number, row in enumerate(rows):
        try:
            photo = load_photo(truth_file.parent / row["file"])
        except PhotoError as error:
            print(f"left out {row['file']}: {error}", file=sys.stderr)
            continue
        # By content: photos of two folders may have one name.
        kept = looks_folder / f"{photo.sha256}.npz" if looks_folder else None
        looks, closer = kept_looks(photo, kept)
        case = _case(photo, looks, row)
        # Only collars are seen anew: what was found of the photo itself stands.
        parts = gather(closer)
        again = replace(case, parts=parts, plant=assemble(parts, case.scale))
        cases.append(replace(case, closer=again))
        if number % 100 == 99:
            print(f"read {number + 1} of {len(rows)} photos", file=sys.stderr)
    return cases


def last_word(case: Case, calibration: Calibration) -> Understood:
    """What is made of a photo in the end, by the rules of run time: after a closer look if any."""
    got = understand(case.plant, case.parts, case.findings, calibration)
    closer = case.closer
    if closer is None or not look_closer_at(got.verdict, calibration):
        return got
    # Only collars are seen anew: what was found of the photo itself stands.
    return understand(closer.plant, closer.parts, case.findings, calibration, got.belief)


def beliefs(case: Case, calibration: Calibration) -> tuple[StageBelief, StageBelief]:
    """What is believed at first, and after the closer look; the same if there was none."""
    first = believe(case.plant, case.parts, calibration)
    closer = case.closer
    if closer is None:
        return first, first
    return first, believe(closer.plant, closer.parts, calibration, before=first)


def _case(photo: Photo, looks: Looks, row: dict[str, Any]) -> Case:
    parts = gather(looks)
    # By the rules of `collarvision.reading`: nothing is measured by one card of two.
    seen = seek_card(photo, lambda: looks.first, lambda: looks.second)
    scale = None if seen is None or seen.another_seen else seen
    plant = assemble(parts, scale)
    findings = assess(photo, parts, seen, plant.stalk)
    return Case(row["file"], parts, plant, findings, scale, row)


def kept_looks(photo: Photo, kept: Path | None) -> tuple[Looks, Looks]:
    """The looks at a photo and the closer ones, from the file `kept` if this network's are there.

    What another network answered is read anew, and written over.
    """
    if kept is not None and kept.is_file():
        with np.load(kept) as stored:
            if str(stored["plain_version"]) == load_network().version:
                return tuple(_unpacked(stored, name) for name in ("plain", "closer"))  # type: ignore[return-value]
    looks = take_looks(photo)
    closer = look_closer(photo, looks)
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        spare = kept.with_suffix(".part.npz")
        np.savez(spare, **_packed(looks, "plain"), **_packed(closer, "closer"))
        spare.replace(kept)
    return looks, closer


def _packed(looks: Looks, name: str) -> dict[str, Any]:
    """Half precision: what is read from the maps changes by less than a thousandth."""
    box = np.full(4, np.nan) if looks.box is None else np.array(looks.box)
    packed: dict[str, Any] = {f"{name}_box": box, f"{name}_version": np.array(looks.version)}
    for part in ("first", "second", "close", "near"):
        look = getattr(looks, part)
        if look is not None:
            packed[f"{name}_{part}_maps"] = look.maps.astype(np.float16)
            packed[f"{name}_{part}_summary"] = look.summary
            packed[f"{name}_{part}_place"] = look.photo_from_map
    return packed


def _unpacked(stored: Any, name: str) -> Looks:
    def look(part: str) -> Look | None:
        if f"{name}_{part}_maps" not in stored:
            return None
        maps = stored[f"{name}_{part}_maps"].astype(np.float32)
        place = stored[f"{name}_{part}_place"]
        return made_look(maps, stored[f"{name}_{part}_summary"], place)

    box = stored[f"{name}_box"]
    first, second = look("first"), look("second")
    assert first is not None
    assert second is not None
    known = None if np.isnan(box).any() else tuple(float(v) for v in box)
    version = str(stored[f"{name}_version"])
    return Looks(first, second, known, version, look("close"), look("near"))  # type: ignore[arg-type]


# --------------------------------------------------------------------------- leaves


@dataclass(frozen=True)
class Label:
    """What a leaf found truly is: a leaf that no other one found is, its collar out, its number."""

    real: bool
    out: bool
    rank: int | None


def leaf_labels(plant: Plant, truth: dict[str, Any]) -> list[Label]:
    """Label every leaf found, by its collar where it has one, else by its tip.

    Every truth is given away once, so that the second finding of a leaf is labelled as none.
    A tip that a person marked and didn't number is a leaf in the whorl, of unknown rank.
    """
    reach = TOLERANCE * plant_height_px(truth)
    ranks_out = {int(t["rank"]) for t in truth["tips"] if t["has_collar"] and t["rank"]}
    collars = [(c["x"], c["y"], int(c["rank"])) for c in truth["collars_visible_in_image"]]
    ranks_out |= {rank for _, _, rank in collars}
    tips = [
        # A number of its own, below those of ranks, so that it too is given away once.
        (t["x"], t["y"], -number if t["rank"] is None else int(t["rank"]))
        for number, t in enumerate(truth["tips"], start=1)
    ]
    given: set[int] = set()
    labels: dict[int, Label] = {}
    for i in sorted(range(len(plant.leaves)), key=lambda i: -_certainty(plant.leaves[i])):
        leaf = plant.leaves[i]
        rank = None
        if leaf.collar is not None:
            rank = _nearest(collars, leaf.collar, reach, given)
        elif leaf.tip is not None:
            rank = _nearest(tips, leaf.tip, reach, given)
        if rank is not None:
            given.add(rank)
        numbered = rank if rank is not None and rank > 0 else None
        labels[i] = Label(rank is not None, rank in ranks_out, numbered)
    return [labels[i] for i in range(len(plant.leaves))]


def _certainty(leaf: Leaf) -> float:
    return leaf.collar_score * (leaf.collar is not None) + (leaf.kind == "paired")


def _nearest(
    places: Sequence[tuple[float, float, int]], point: Point, reach: float, given: set[int]
) -> int | None:
    """Rank of the nearest place within reach whose rank isn't given away yet."""
    near = [
        (distance, rank)
        for x, y, rank in places
        if rank not in given and (distance := math.hypot(x - point.x, y - point.y)) <= reach
    ]
    return min(near)[1] if near else None
