"""People's marks as samples: what they don't say isn't learnt, and a plant has one count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="PyTorch isn't installed: pip install -e '.[train]'")

from surveys import MODEL, reading  # noqa: E402
from test_calibrate import made_case  # noqa: E402
from test_relabel import handles_of  # noqa: E402
from toy_samples import draw_plant  # noqa: E402

from collarvision.calibration import Calibration  # noqa: E402
from collarvision.handles import Handle  # noqa: E402
from collarvision.photo import load_photo  # noqa: E402
from collarvision.survey import FileFacts, HandCount, Place, SurveyWriter  # noqa: E402
from training.calibrate import fit_leaves  # noqa: E402
from training.corrected import (  # noqa: E402
    Corrected,
    corrected_plants,
    truth_row,
    write_photos,
    write_training,
)
from training.samples import TIP_UNKNOWN, parse_truth  # noqa: E402
from training.targets import Targets, collect, heatmaps  # noqa: E402
from training.views import plain_read, read_box  # noqa: E402

COLLARS = (Handle("collar", 102.0, 180.0, 1), Handle("collar", 111.0, 150.0, 2))
TIPS = [
    {"x": x, "y": 120.0, "rank": rank, "shape": "pointed", "score": 0.9}
    for rank, x in ((2, 46.0), (3, 182.0))
]
READ: dict[str, Any] = {
    "photo_size": [240, 320],
    "layout": "standing",
    "collars": [{"x": 10.0, "y": 20.0, "rank": 1}],
    "tips": TIPS,
    "soil_line": [105.0, 200.0],
    "arch": [120.0, 90.0],
}


def plant(handles: tuple[Handle, ...], record: dict[str, Any] = READ, stage: int = 2) -> Corrected:
    return Corrected("ab" * 32, Path("a.jpg"), "North\n1", "train", stage, handles, record)


def taught(row: dict[str, Any]) -> Targets:
    truth = parse_truth(row)
    return collect([truth], [plain_read(truth, 240, 320, 160)])


# --------------------------------------------------------------------------- not said


def test_kinds_that_nobody_marked_are_not_taught():
    """Labels of other tools may hold collars alone; the plant has tips, soil and arch as well."""
    weights = {
        "tip": ("w_tips", 1),
        "soil": ("w_base", 2),
        "arch": ("w_arch", 3),
    }
    rest = (
        Handle("tip", 46.0, 120.0, 2),
        Handle("soil", 105.0, 200.0),
        Handle("arch", 120.0, 90.0),
    )
    for marked in ((), rest[:1], rest[1:2], rest[2:], rest):
        targets = taught(truth_row(plant((*COLLARS, *marked)), "a.jpg"))
        assert targets.w_collars.item() == targets.w_count.item() == 1
        _, cells = heatmaps(targets, (40, 40))
        assert cells[0, 0].max() == 1
        for part, (name, channel) in weights.items():
            wanted = float(part in {h.part for h in marked})
            assert getattr(targets, name).item() == wanted
            assert cells[0, channel].max() == wanted


def test_the_box_of_collars_alone_is_that_of_the_plant():
    truth = parse_truth(truth_row(plant(COLLARS), "a.jpg"))
    box = read_box(truth, 240, 320)
    assert box is not None
    x0, y0, x1, y1 = box
    assert (x0 < 46, x1 > 182, y0 < 90, y1 > 200) == (True,) * 4
    assert x0 > 30  # the reading's own collars are not the plant's where a person marked them
    assert truth.base_xy is None


def test_marks_stand_in_place_of_what_was_read():
    own = (*COLLARS, Handle("tip", 60.0, 120.0, 2), Handle("soil", 105.0, 200.0))
    box = truth_row(plant((*own, Handle("arch", 120.0, 110.0))), "a.jpg")["plant_box_px"]
    spare = 0.06 * (200.0 - 110.0)
    assert box == pytest.approx((60 - spare, 110 - spare, 120 + spare, 200 + spare))


def test_collars_on_a_photo_that_was_not_read_are_no_sample(tmp_path):
    nothing = {"photo_size": [240, 320], "layout": None}
    assert truth_row(plant(COLLARS, nothing), "a.jpg")["plant_box_px"] is None
    assert write_training([plant(COLLARS, nothing)], tmp_path / "train") == 0
    assert write_photos([plant(COLLARS, nothing)], tmp_path / "held-out", placed=True) == []


def test_collars_alone_say_nothing_of_leaves_found_by_their_tips():
    rng = np.random.default_rng(0)
    cases = [made_case(rng, k) for k in range(60)]
    for case in cases:
        case.truth.update(tips=[], tips_known=False)
    assert fit_leaves(cases, Calibration()) == Calibration()


def test_a_torn_tip_of_leaf_1_has_no_shape():
    for rank, rounded, told in (
        (1, True, 1),
        (1, False, TIP_UNKNOWN),
        (2, False, 0),
        (None, False, 0),
    ):
        tip = Handle("tip", 46.0, 120.0, rank, rounded=rounded)
        truth = parse_truth(truth_row(plant((*COLLARS, tip)), "a.jpg"))
        assert truth.tips[0, 5] == told
        assert truth.tips[0, 8] == TIP_UNKNOWN  # nor does anybody say that it is torn


# --------------------------------------------------------------------------- several photos


def survey_of_two(folder: Path, counts: list[tuple[str, str, str, int]]) -> Path:
    """Photos A and B of one plant, and counts: photo, who, hour, stage."""
    rng = np.random.default_rng(5)
    stages = {name: stage for name, _, _, stage in counts}
    with SurveyWriter(folder / "season.survey", create=True) as store:
        for name in "AB":
            image, _, row = draw_plant(rng, stage=stages.get(name, 3))
            path = folder / f"{name}.png"
            cv2.imwrite(str(path), image[..., ::-1])
            sha, stat = load_photo(path).sha256, path.stat()
            store.add_reading(
                reading(path.name, 3, photo_size=(240, 320), layout="standing", sha256=sha),
                sha256=sha,
                model=MODEL,
                place=Place("North", "2027-05-20", "3", "folder", plant="2"),
                file=FileFacts(str(path), stat.st_size, stat.st_mtime_ns, stat.st_mtime_ns),
            )
            for _, who, hour, stage in (one for one in counts if one[0] == name):
                count = HandCount(who, f"2027-05-21T{hour}:00:00Z", stage=stage, way="marked")
                store.add_hand_count(sha, count, handles=handles_of(row))
    return folder / "season.survey"


def test_of_a_plant_on_two_photos_the_count_that_stands_is_taught(tmp_path):
    counts = [("A", "Ann", "08", 3), ("B", "Ann", "09", 5)]
    plants, told = corrected_plants(survey_of_two(tmp_path, counts))
    assert [(p.path.name, p.stage, p.marked) for p in plants] == [("B.png", 5, True)]
    assert told == []


def test_of_two_people_the_last_words_count(tmp_path):
    """Ann corrected herself on the other photo; her first marks are nobody's count any more."""
    counts = [("A", "Ann", "08", 3), ("B", "Ann", "09", 5), ("A", "Bob", "10", 5)]
    plants, told = corrected_plants(survey_of_two(tmp_path, counts))
    assert [(p.path.name, p.stage) for p in plants] == [("A.png", 5)]
    assert told == []


def test_a_plant_that_people_count_differently_on_two_photos_is_left_out(tmp_path):
    counts = [("A", "Ann", "08", 3), ("B", "Bob", "09", 5)]
    plants, told = corrected_plants(survey_of_two(tmp_path, counts))
    assert plants == []
    assert told == ["1 plants that people count differently are left out."]
