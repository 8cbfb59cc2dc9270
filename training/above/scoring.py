"""Read validation scenes from above the way run time does, and hold them against their truth.

A scene's picture goes through the run-time rooms: evened out by its tilt, brought to the working
scale, through the ONNX network, to plants with tips. Truth is what the renderer wrote.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from scipy.spatial import cKDTree

from collarvision.above.calibration import AboveCalibration
from collarvision.above.finding import Found, apart, find_plants, nothing_found
from collarvision.above.ground import FLAT_DEG, Ground, straight_down, tilted
from collarvision.above.network import CELL_PX, WORKING_MM, AboveNetwork
from collarvision.exif import FULL_FRAME_DIAGONAL_MM
from collarvision.photo import Photo

MATCH_MM = 40.0
"""Farthest that a found plant stands from the true one it is taken for."""

EDGE_MM = 36.0
"""Plants this near the picture's edge are neither asked for nor held against the network."""

LEAST_SEEN_PX = 4
"""A plant of which fewer px show isn't asked for."""

DOUBLE_MM = 60.0
"""Two plants of a row no further apart are a double: the renderer marks them so."""

LEAST_TWINS_MM = 24.0
"""Peaks nearer than this are one plant whatever is fitted."""

LOW_FLOOR = 0.15
"""Peaks are read from here on where the floor is still to be chosen."""

CALIBRATION_SHARE = 2
"""Every second scene is for calibrating; the others are for scoring."""

GROUPS = ((0.0, 3.01), (3.01, 5.01), (5.01, 6.51), (6.51, 99.0))
"""Ground sample distances that are told apart, mm."""


@dataclass(frozen=True, eq=False)
class Scene:
    """One scene: its picture's file and what is true of it."""

    path: Path
    truth: dict[str, Any]

    @property
    def mm_per_px(self) -> float:
        """Ground sample distance in the picture's middle."""
        return float(self.truth["mm_per_px"])


@dataclass(frozen=True, eq=False)
class Scored:
    """What was found in a scene, beside the truth.

    Attributes
    ----------
    scene : Scene
    found : Found
        With every peak over a low floor.
    x, y : ndarray, (n,)
        True plants, px of `WORKING_MM`; those found are given so too.
    shown : ndarray, (n,) bool
        Whether each stands in the picture and is seen.
    asked : ndarray, (n,) bool
        Whether it must be found: shown, and off the picture's edge.
    stage, tips : ndarray, (n,)
    whole, double : ndarray, (n,) bool
    inner : ndarray, (k,) bool
        Found plants off the picture's edge.
    """

    scene: Scene
    found: Found
    x: np.ndarray
    y: np.ndarray
    shown: np.ndarray
    asked: np.ndarray
    stage: np.ndarray
    tips: np.ndarray
    whole: np.ndarray
    double: np.ndarray
    inner: np.ndarray

    def at(self, floor: float, twins_mm: float) -> Scored:
        """The same with only the peaks over a higher floor, and wider apart."""
        which = self.found.score >= floor
        found = self.found
        which[which] = apart(
            found.x[which], found.y[which], found.score[which], twins_mm / WORKING_MM
        )
        return Scored(
            self.scene,
            self.found.kept(which),
            self.x,
            self.y,
            self.shown,
            self.asked,
            self.stage,
            self.tips,
            self.whole,
            self.double,
            self.inner[which],
        )


OneOrScored = TypeVar("OneOrScored", Scene, Scored)


def scenes(*folders: Path) -> list[Scene]:
    """Every finished scene under some folders, by name."""
    found = []
    for path in sorted(path for folder in folders for path in folder.rglob("truth.jsonl")):
        for line in path.read_text(encoding="utf-8").splitlines():
            if line.strip():
                truth = json.loads(line)
                found.append(Scene(path.parent / truth["file"], truth))
    return sorted(found, key=lambda scene: scene.path.name)


def for_calibration(every: Sequence[OneOrScored]) -> list[OneOrScored]:
    """Scenes that constants may be fitted on."""
    return [scene for number, scene in enumerate(every) if number % CALIBRATION_SHARE == 0]


def for_scoring(every: Sequence[OneOrScored]) -> list[OneOrScored]:
    """Scenes that no constant was fitted on."""
    return [scene for number, scene in enumerate(every) if number % CALIBRATION_SHARE]


def photo_of(scene: Scene) -> Photo:
    """The picture with the focal length that the renderer used."""
    bgr = cv2.imread(str(scene.path), cv2.IMREAD_COLOR)
    if bgr is None:
        raise ValueError(f"{scene.path} can't be read")
    rgb = np.ascontiguousarray(bgr[..., ::-1])
    diagonal = float(np.hypot(*rgb.shape[:2]))
    focal = float(scene.truth["focal_px"]) / diagonal * FULL_FRAME_DIAGONAL_MM
    return Photo(name=scene.path.name, decoded=rgb, sha256="", focal_eq_mm=focal)


def ground_of(scene: Scene, photo: Photo) -> Ground:
    """The scene's ground by its true scale and tilt, as run time would even it out."""
    tilt = float(scene.truth["tilt_deg"])
    if tilt <= FLAT_DEG:
        return straight_down(photo, scene.mm_per_px)
    return tilted(photo, scene.mm_per_px, tilt)


def read_scene(
    scene: Scene, network: AboveNetwork, calibration: AboveCalibration, floor: float
) -> Scored:
    """Read one scene."""
    photo = photo_of(scene)
    ground = ground_of(scene, photo)
    maps = network.read(ground.picture, ground.width, ground.height)
    shape = maps.shape
    rows, columns = np.mgrid[0 : shape[0], 0 : shape[1]]
    u, v = ground.photo_px((columns.ravel() + 0.5) * CELL_PX, (rows.ravel() + 0.5) * CELL_PX)
    seen = ground.shows(u, v).reshape(shape)
    low = replace(calibration, plant_floor=floor, twins_mm=LEAST_TWINS_MM)
    found = find_plants(maps, low, seen=seen, working_mm=ground.working_mm)
    return _scored(scene, found, ground)


def read_all(
    every: Sequence[Scene], network: AboveNetwork, calibration: AboveCalibration, floor: float
) -> Iterator[Scored]:
    """Read scenes one after another."""
    for scene in every:
        yield read_scene(scene, network, calibration, floor)


_FOUND = ("x", "y", "score", "tip_count", "double")
_TRUE = ("x", "y", "shown", "asked", "stage", "tips", "whole", "double")


def keep(path: Path, every: Sequence[Scored]) -> None:
    """Write what was found in scenes and their truth, without the pictures."""
    lines = []
    for one in every:
        facts = {name: value for name, value in one.scene.truth.items() if name != "plants"}
        true = {name: (1 * getattr(one, name)).round(3).tolist() for name in _TRUE}
        found = {name: getattr(one.found, name).round(4).tolist() for name in _FOUND}
        found["inner"] = one.inner.tolist()
        lines.append(json.dumps({"truth": facts, "true": true, "found": found}))
    with gzip.open(path, "wt", encoding="utf-8") as file:
        file.write("\n".join(lines) + "\n")


def kept(path: Path) -> list[Scored]:
    """Read what `keep` wrote; tips and leaf areas of found plants aren't among it."""
    out = []
    with gzip.open(path, "rt", encoding="utf-8") as file:
        for line in file:
            row = json.loads(line)
            columns: dict[str, Any] = {name: np.array(row["found"][name], float) for name in _FOUND}
            none = np.zeros(len(columns["x"]))
            kinds: dict[str, type] = {"x": float, "y": float, "tips": float, "stage": int}
            true: dict[str, Any] = {
                name: np.array(row["true"][name], kinds.get(name, bool)) for name in _TRUE
            }
            out.append(
                Scored(
                    scene=Scene(Path(row["truth"]["file"]), row["truth"]),
                    found=replace(nothing_found(), canopy_mm2=none, other=none, **columns),
                    inner=np.array(row["found"]["inner"], bool),
                    **true,
                )
            )
    return out


def known(one: Scored, calibration: AboveCalibration) -> Scored:
    """What was found with a low floor and no word on doubles calibrated, by a calibration."""
    said = calibration.double_probability(one.found.double)
    whole = replace(one, found=replace(one.found, double=said))
    return whole.at(calibration.plant_floor, calibration.twins_mm)


def _scored(scene: Scene, found: Found, ground: Ground) -> Scored:
    plants = scene.truth["plants"]
    px = np.array([[one["x"], one["y"]] for one in plants], float).reshape(-1, 2)
    x, y = ground.working_px(px[:, 0], px[:, 1])
    inside = np.array([bool(one["inside"]) for one in plants], bool)
    seen = np.array([one["seen_px"] >= LEAST_SEEN_PX for one in plants], bool)
    off_edge = _off_edge(x, y, ground) & inside if len(plants) else inside
    inner = _off_edge(found.x, found.y, ground)
    # Places are compared at one scale, whatever the photo was read at.
    stretch = ground.working_mm / WORKING_MM
    return Scored(
        scene=scene,
        found=replace(found, x=found.x * stretch, y=found.y * stretch),
        x=x * stretch,
        y=y * stretch,
        shown=inside & seen,
        asked=off_edge & seen,
        stage=np.array([one["stage"] for one in plants], int),
        tips=np.array([one["tips_shown"] for one in plants], float),
        whole=np.array([bool(one["whole"]) for one in plants], bool),
        double=np.array([bool(one["double"]) for one in plants], bool),
        inner=inner,
    )


def _off_edge(x: np.ndarray, y: np.ndarray, ground: Ground) -> np.ndarray:
    """Whether places lie in the picture and `EDGE_MM` off its edges."""
    reach = EDGE_MM / ground.working_mm
    kept = np.ones(len(x), bool)
    for right, down in ((0, 0), (reach, 0), (-reach, 0), (0, reach), (0, -reach)):
        u, v = ground.photo_px(x + right, y + down)
        kept &= ground.shows(u, v)
        kept &= (x + right >= 0) & (x + right <= ground.width)
        kept &= (y + down >= 0) & (y + down <= ground.height)
    return kept


# --------------------------------------------------------------------------- matching


def pairs(one: Scored) -> list[tuple[int, int]]:
    """Found and true plants that are the same, nearest first, each at most once."""
    if not len(one.found) or not len(one.x):
        return []
    reach = MATCH_MM / WORKING_MM
    there = cKDTree(np.column_stack([one.x, one.y]))
    here = cKDTree(np.column_stack([one.found.x, one.found.y]))
    close = here.sparse_distance_matrix(there, reach, output_type="ndarray")
    taken_f: set[int] = set()
    taken_t: set[int] = set()
    out = []
    for i, j, _ in sorted(close.tolist(), key=lambda row: row[2]):
        if i not in taken_f and j not in taken_t:
            out.append((int(i), int(j)))
            taken_f.add(i)
            taken_t.add(j)
    return out


def plant_counts(one: Scored) -> tuple[int, int, int]:
    """Right, wrong and missed plants. A centre that is said to be two plants counts twice."""
    found = one.found
    twice = found.double >= 0.5
    match = pairs(one)
    hit = {j for _, j in match}
    used = {i for i, _ in match}
    tree = cKDTree(np.column_stack([one.x, one.y])) if len(one.x) else None
    reach = MATCH_MM / WORKING_MM
    wrong = 0
    for i in np.flatnonzero(twice):
        # Its second plant is the nearest true one that nobody has.
        near = [] if tree is None else tree.query_ball_point([found.x[i], found.y[i]], reach)
        free = [j for j in near if j not in hit]
        if free:
            hit.add(free[0])
        elif one.inner[i]:
            wrong += 1
    for i in range(len(found)):
        if i in used or not one.inner[i]:
            continue
        # A plant of which nothing shows, or that stands outside, isn't held against it.
        near = [] if tree is None else tree.query_ball_point([found.x[i], found.y[i]], reach)
        if not any(not one.asked[j] for j in near):
            wrong += 1
    right = sum(bool(one.asked[j]) for j in hit)
    return right, wrong, int(one.asked.sum()) - right


def doubles(one: Scored) -> tuple[float, float]:
    """Pairs of plants found as doubles, and those that are true.

    A pair counts half for each of its plants that is off the picture's edge. Were both asked to
    be, a pair that shows but one centre would come in farther out than one that shows two.
    """
    found = one.found
    said = float(found.double[one.inner].sum()) + _close_pairs(found.x, found.y, one.inner)
    true = one.shown & one.double
    return said, _close_pairs(one.x[true], one.y[true], one.asked[true])


def _close_pairs(x: np.ndarray, y: np.ndarray, counted: np.ndarray) -> float:
    if len(x) < 2:
        return 0.0
    tree = cKDTree(np.column_stack([x, y]))
    close = tree.query_pairs(DOUBLE_MM / WORKING_MM, output_type="ndarray")
    return float(counted[close].sum()) / 2


def group_of(mm_per_px: float) -> int:
    """Index of a ground sample distance's group."""
    return next(k for k, (low, high) in enumerate(GROUPS) if low <= mm_per_px < high)
