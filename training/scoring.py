"""Figures for readings against truth: our own definitions, standard library only.

A keypoint is found when it lies within 0.025 of the plant's height in pixels, one to one,
nearest first. Occluded truth points neither help nor hurt: finding one is excused. Expected
calibration error after Naeini et al. 2015, over ten bins of equal width.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Any

TOLERANCE = 0.025  # of plant height
SMALLEST_PLANT_PX = 40.0
NO_STAGE_ERROR = 99
MAE_CAP = 9
REFUSING = ("rejected", "hand-count")

Row = Mapping[str, Any]
NAN = float("nan")


def read_jsonl(path: str | Path) -> list[dict[str, Any]]:
    """Read one JSON object a line."""
    text = Path(path).read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines() if line.strip()]


def base_name(path: str) -> str:
    """Give the file name that truth and reading are matched by."""
    return PurePosixPath(path).name


def refuse_same_names(files: Iterable[str], advice: str = "Rename them") -> None:
    """Refuse photos that could be taken for each other.

    Raises
    ------
    ValueError
        Two of the files have one base name.
    """
    often = Counter(base_name(file) for file in files)
    same = sorted(name for name, times in often.items() if times > 1)
    if same:
        raise ValueError(
            f"Two photos or more have one name, such as {same[0]} ({len(same)} such names), and "
            f"would be taken for each other. {advice}."
        )


def plant_height_px(row: Row) -> float:
    """Soil line to the highest truth point, in px; at least 40."""
    ys = [p["y"] for p in [*(row.get("tips") or []), *(row.get("collars_visible_in_image") or [])]]
    if row.get("arch_xy"):
        ys.append(row["arch_xy"][1])
    if not ys or not row.get("base_xy"):
        return SMALLEST_PLANT_PX
    return max(SMALLEST_PLANT_PX, row["base_xy"][1] - min(ys))


def pair_up(
    truth: Sequence[Sequence[float]], found: Sequence[Sequence[float]], reach: float
) -> list[tuple[int, int]]:
    """Match points one to one, nearest pair first, within a reach; gives index pairs."""
    near = sorted(
        (distance, i, j)
        for i, t in enumerate(truth)
        for j, f in enumerate(found)
        if (distance := math.dist(t, f)) <= reach
    )
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    for _, i, j in near:
        if i not in pairs and j not in taken:
            pairs[i] = j
            taken.add(j)
    return sorted(pairs.items())


@dataclass
class F1Counts:
    """Running counts of matched, true and found keypoints."""

    matched: int = 0
    true: int = 0
    found: int = 0

    def add(
        self,
        seen: Sequence[Sequence[float]],
        hidden: Sequence[Sequence[float]],
        found: Sequence[Sequence[float]],
        reach: float,
    ) -> None:
        """Count one photo's points.

        As many finds are excused as lie by hidden points, even where those were matched with seen
        ones: the outside scorer's rule, so that both give the same figures. Where a hidden point
        lies by a seen one, precision may come out a little high.
        """
        matched = len(pair_up(seen, found, reach))
        excused = min(len(found) - matched, len(pair_up(hidden, found, reach)))
        self.matched += matched
        self.true += len(seen)
        self.found += len(found) - excused

    def scores(self) -> tuple[float, float, float]:
        """Precision, recall and F1."""
        precision = self.matched / self.found if self.found else float(self.true == 0)
        recall = self.matched / self.true if self.true else 1.0
        total = precision + recall
        return precision, recall, 2 * precision * recall / total if total else 0.0


@dataclass(frozen=True)
class Case:
    """One truth photo with its reading, and what came of comparing them."""

    truth: Row
    reading: Row
    error: int  # stage read minus stage true; 99 without a stage
    collars: F1Counts = field(repr=False)
    tips: F1Counts = field(repr=False)

    @property
    def usable(self) -> bool:
        return bool(self.truth["usable"])

    @property
    def staged(self) -> bool:
        return self.reading.get("outcome") == "staged"


def points_of(rows: Iterable[Row] | None) -> list[tuple[float, float]]:
    """Places of a record's or truth line's points, px."""
    return [(p["x"], p["y"]) for p in rows or []]


def compare(truth: Row, reading: Row | None) -> Case:
    """Compare one reading (None: there is none) with its truth."""
    reading = reading or {}
    stage = reading.get("stage")
    known = stage is not None and truth.get("stage_v") is not None
    error = int(stage) - int(truth["stage_v"]) if known else NO_STAGE_ERROR  # type: ignore[arg-type]
    counts = []
    for ours, theirs in (("collars", "collars_visible_in_image"), ("tips", "tips")):
        count = F1Counts()
        if truth["usable"]:
            rows = truth.get(theirs) or []
            count.add(
                points_of(p for p in rows if not p.get("occluded")),
                points_of(p for p in rows if p.get("occluded")),
                points_of(reading.get(ours)),
                TOLERANCE * plant_height_px(truth),
            )
        counts.append(count)
    return Case(truth, reading, error, counts[0], counts[1])


def compare_all(truths: Iterable[Row], readings: Iterable[Row]) -> list[Case]:
    """Compare every truth photo with the reading of the same base name.

    Raises
    ------
    ValueError
        Two truth photos have one base name: either's reading would be compared with both.
    """
    truths = list(truths)
    refuse_same_names(t["file"] for t in truths)
    by_name = {base_name(r["photo"]): r for r in readings}
    return [compare(t, by_name.get(base_name(t["file"]))) for t in truths]


def mean(values: Sequence[float | bool]) -> float:
    """Mean, or NaN of nothing."""
    return sum(values) / len(values) if values else NAN


def calibration_error(pairs: Sequence[tuple[float, bool]], bins: int = 10) -> float:
    """Expected calibration error of (confidence, right) pairs."""
    if not pairs:
        return NAN
    total = 0.0
    for b in range(bins):
        inside = [p for p in pairs if min(int(p[0] * bins), bins - 1) == b]
        if inside:
            gap = abs(mean([hit for _, hit in inside]) - mean([c for c, _ in inside]))
            total += gap * len(inside) / len(pairs)
    return total


def risk_coverage(pairs: Sequence[tuple[float, bool]]) -> list[tuple[float, float]]:
    """Share answered and error rate among those, from the surest photo down to all."""
    ordered = sorted(pairs, key=lambda pair: -pair[0])
    curve, wrong = [], 0
    for count, (_, hit) in enumerate(ordered, start=1):
        wrong += not hit
        curve.append((count / len(ordered), wrong / count))
    return curve


def sure_pairs(cases: Sequence[Case]) -> list[tuple[float, bool]]:
    """Confidence and whether the stage was right, of each usable photo that has both."""
    return [
        (float(c.reading["confidence"]), c.error == 0)
        for c in cases
        if c.usable
        and c.reading.get("confidence") is not None
        and c.reading.get("stage") is not None
    ]


def heights(case: Case) -> tuple[float, float | None, bool] | None:
    """Relative error, error in mm and interval hit of one photo's height.

    None where truth has no height or no card; without a reading the relative error is 1.
    """
    truth = case.truth
    if not truth.get("height_arch_mm") or not (truth.get("card") or {}).get("present"):
        return None
    right = [truth["height_arch_mm"]]
    if truth.get("arch_ambiguous") and truth.get("arch_highest_mm"):
        right.append(truth["arch_highest_mm"])
    height = case.reading.get("height_mm")
    if height is None:
        return 1.0, None, False
    true_mm = min(right, key=lambda mm: abs(mm - height))
    low, high = case.reading.get("height_interval_mm") or (height, height)
    miss = abs(height - true_mm)
    return miss / true_mm, miss, any(low <= mm <= high for mm in right)


def summary(cases: Sequence[Case]) -> dict[str, float | int]:
    """Every figure over a set of photos; NaN where nothing tells."""
    usable = [c for c in cases if c.usable]
    unusable = [c for c in cases if not c.usable]
    accepted = [c for c in usable if c.staged]
    sure = sure_pairs(usable)
    in_view = [
        c
        for c in usable
        if not any(p.get("occluded") for p in c.truth.get("collars_visible_in_image") or [])
    ]
    hard = [c for c in usable if c.truth.get("hard_case") not in (None, "none")]
    measured = [h for c in usable if (h := heights(c)) is not None]
    relative = sorted(h[0] for h in measured)
    in_mm = sorted(h[1] for h in measured if h[1] is not None)
    first = [
        bool(c.truth["first_leaf"]["present"]) == bool(c.reading["first_leaf"]["present"])
        for c in usable
        if c.truth.get("first_leaf") is not None and c.reading.get("first_leaf") is not None
    ]
    out: dict[str, float | int] = {
        "photos_usable": len(usable),
        "photos_unusable": len(unusable),
        "no_record": sum(not c.reading for c in usable),
        "stage_exact": mean([c.error == 0 for c in usable]),
        "stage_exact_all_in_view": mean([c.error == 0 for c in in_view]),
        "stage_exact_hard_collar": mean([c.error == 0 for c in hard]),
        "stage_within_1": mean([abs(c.error) <= 1 for c in usable]),
        "stage_mean_abs_error": mean([min(abs(c.error), MAE_CAP) for c in usable]),
        "stage_bias": mean([c.error for c in usable if abs(c.error) < NO_STAGE_ERROR - 9]),
        "accepted_share": len(accepted) / len(usable) if usable else NAN,
        "accepted_exact": mean([c.error == 0 for c in accepted]),
        "accepted_within_1": mean([abs(c.error) <= 1 for c in accepted]),
        "unusable_refused": mean([c.reading.get("outcome") in REFUSING for c in unusable]),
    }
    for name in ("collars", "tips"):
        total = F1Counts()
        for c in usable:
            one: F1Counts = getattr(c, name)
            total.matched += one.matched
            total.true += one.true
            total.found += one.found
        word = name[:-1]
        out[f"{word}_precision"], out[f"{word}_recall"], out[f"{word}_f1"] = total.scores()
    out |= {
        "first_leaf_agreement": mean(first),
        "height_median_abs_mm": in_mm[len(in_mm) // 2] if in_mm else NAN,
        "height_median_rel": relative[len(relative) // 2] if relative else NAN,
        "height_p90_rel": relative[int(0.9 * (len(relative) - 1))] if relative else NAN,
        # Where no height was read there is no interval to be inside of.
        "height_interval_coverage": mean([h[2] for h in measured if h[1] is not None]),
        "confidence_ece": calibration_error(sure),
    }
    return out


BREAKDOWNS: dict[str, Callable[[Row], str]] = {
    "stage": lambda t: f"V{t['stage_v']}" if t.get("stage_v") is not None else "none",
    "layout": lambda t: str(t.get("layout") or "unknown"),
    "hard case": lambda t: str(t.get("hard_case") or "none"),
    "lighting": lambda t: str(t.get("lighting") or "unknown"),
    "lost leaves": lambda t: str(t.get("lower_leaves_missing") or 0),
    "reason": lambda t: str(t.get("reason") or "ok"),
}


def _status(row: Row) -> set[str]:
    first = row.get("first_leaf") or {}
    worn = set((row.get("lower_leaf_status") or {}).values())
    return worn if first.get("present", True) else worn | {"gone"}


def _facing(row: Row) -> bool:
    """Leaves towards the camera: they spread little to the sides, against the plant's height."""
    if row.get("layout") == "laid" or not row.get("base_xy"):
        return False
    tips = [p for p in row.get("tips") or [] if p.get("has_collar")]
    if len(tips) < 2:
        return False
    xs = [p["x"] for p in tips]
    return max(xs) - min(xs) < 0.55 * plant_height_px(row)


def _stage_of(row: Row) -> int:
    return int(row["stage_v"]) if row.get("stage_v") is not None else -1


HARD_CASES: dict[str, Callable[[Row], bool]] = {
    "next collar about to clear": lambda t: t.get("hard_case") == "about_to_clear",
    "top collar just cleared": lambda t: t.get("hard_case") == "just_cleared",
    "leaf 1 gone": lambda t: "gone" in _status(t),
    "a lower leaf withered or torn": lambda t: bool({"withered", "torn"} & _status(t)),
    "leaves towards the camera": _facing,
    "a collar hidden": lambda t: any(
        p.get("occluded") for p in t.get("collars_visible_in_image") or []
    ),
    "VE and V1": lambda t: 0 <= _stage_of(t) <= 1,
    "V8 and older": lambda t: _stage_of(t) >= 8,
    "laid": lambda t: t.get("layout") == "laid",
    "low sun": lambda t: t.get("lighting") == "low_sun",
    "back light": lambda t: t.get("lighting") == "back_light",
    "board of a plant's colour": lambda t: t.get("board_colour") in ("green", "yellow"),
    "no card": lambda t: not (t.get("card") or {}).get("present"),
    "none of these": lambda t: (
        not any(is_one(t) for name, is_one in HARD_CASES.items() if name != "none of these")
    ),
}
"""What makes a photo hard, told from its truth line; a photo may be several of them."""


def hard_cases(cases: Sequence[Case]) -> dict[str, list[Case]]:
    """Usable photos by what makes them hard; kinds without photos are left out."""
    usable = [case for case in cases if case.usable]
    groups = {
        name: [case for case in usable if is_one(case.truth)] for name, is_one in HARD_CASES.items()
    }
    return {name: group for name, group in groups.items() if group}


def by_kind(cases: Sequence[Case]) -> dict[str, dict[str, list[Case]]]:
    """Group the cases by each of `BREAKDOWNS`."""
    groups: dict[str, dict[str, list[Case]]] = {}
    for name, kind in BREAKDOWNS.items():
        chosen = cases if name == "reason" else [c for c in cases if c.usable]
        for case in chosen:
            groups.setdefault(name, {}).setdefault(kind(case.truth), []).append(case)
    return {name: dict(sorted(parts.items())) for name, parts in groups.items()}
