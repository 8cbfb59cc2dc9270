"""COCO keypoints: out, back in, and as COCO's own library reads them."""

from __future__ import annotations

import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from collarvision.coco import KEYPOINTS, CocoError, CocoPlant, read_coco, write_coco
from collarvision.handles import Handle, lost_leaf

PLANT = CocoPlant(
    photo="IMG_1.jpg",
    size_px=(400, 600),
    handles=(
        lost_leaf(1),
        Handle("collar", 200.5, 500.5, 2),
        Handle("collar", 201.0, 450.25, 3, occluded=True),
        Handle("tip", 120.0, 400.0, 2),
        Handle("soil", 200.5, 560.5),
        Handle("arch", 260.0, 300.0),
    ),
    sha256="a" * 64,
    stage=3,
    who="Zoë",
    labelled_at="2027-05-20T10:00:00+00:00",
)
ROUND_TIP = CocoPlant("IMG_2.jpg", (400, 600), (Handle("tip", 10.5, 20.5, 1, rounded=True),))


def written(tmp_path: Path, *plants: CocoPlant) -> Path:
    stream = io.StringIO()
    assert write_coco(iter(plants), stream) == len(plants)
    path = tmp_path / "plants.coco.json"
    path.write_text(stream.getvalue(), encoding="utf-8")
    return path


def changed(path: Path, change: Any) -> Path:
    content = json.loads(path.read_text(encoding="utf-8"))
    change(content)
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_what_goes_out_comes_back(tmp_path: Path) -> None:
    back = read_coco(written(tmp_path, PLANT, ROUND_TIP))
    assert back.problems == ()
    assert [set(plant.handles) for plant in back.plants] == [
        set(PLANT.handles),
        set(ROUND_TIP.handles),
    ]
    first = back.plants[0]
    assert (first.photo, first.size_px, first.sha256) == ("IMG_1.jpg", (400, 600), "a" * 64)
    assert (first.stage, first.who, first.labelled_at) == (3, PLANT.who, PLANT.labelled_at)


def test_a_byte_order_mark_is_no_matter(tmp_path: Path) -> None:
    path = written(tmp_path, PLANT)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert read_coco(path).plants == read_coco(written(tmp_path, PLANT)).plants


@pytest.mark.parametrize(
    ("part", "name"),
    [
        ("images", "id"),
        ("categories", "id"),
        ("annotations", "image_id"),
        ("annotations", "category_id"),
    ],
)
def test_an_id_that_is_a_list_is_refused(tmp_path: Path, part: str, name: str) -> None:
    for known in ([1], {"of": 1}):
        path = changed(written(tmp_path, PLANT), lambda c, k=known: c[part][0].update({name: k}))
        with pytest.raises(CocoError, match="id should be: export the labels as COCO again"):
            read_coco(path)


def test_no_plants_is_a_document_too(tmp_path: Path) -> None:
    assert read_coco(written(tmp_path)).plants == ()


def test_the_format_is_as_coco_describes_it(tmp_path: Path) -> None:
    # https://cocodataset.org/#format-data: "a length 3k array"; v 0 not labelled, in which case
    # x = y = 0, 1 labelled but not visible, 2 visible; num_keypoints counts v > 0; the skeleton's
    # numbers start from 1; keypoints are 0-indexed, so our pixel 0 with its centre at 0.5 is 0.
    content = json.loads(written(tmp_path, PLANT).read_text(encoding="utf-8"))
    (annotation,) = content["annotations"]
    (category,) = content["categories"]
    points = dict(
        zip(category["keypoints"], np.reshape(annotation["keypoints"], (-1, 3)), strict=True)
    )
    assert points["collar_2"].tolist() == [200.0, 500.0, 2.0]
    assert points["collar_3"].tolist() == [200.5, 449.75, 1.0]
    assert points["collar_1"].tolist() == [0.0, 0.0, 0.0]
    assert annotation["num_keypoints"] == 5
    assert annotation["bbox"] == [120.0, 300.0, 140.0, 260.5]
    assert annotation["attributes"]["lost_leaves"] == [1]
    ends = np.array(category["skeleton"])
    assert ends.min() == 1
    assert ends.max() == len(KEYPOINTS)
    assert ["collar_2", "tip_2"] in [[KEYPOINTS[i - 1] for i in pair] for pair in ends]


def test_the_reference_library_reads_and_scores_it(tmp_path: Path) -> None:
    # pycocotools is the COCO authors' own reader; labels held against themselves must score 1.
    coco = pytest.importorskip("pycocotools.coco", reason="COCO's own reader checks the file")
    from pycocotools.cocoeval import COCOeval

    labels = coco.COCO(str(written(tmp_path, PLANT)))
    assert labels.getImgIds() == [1]
    (annotation,) = labels.loadAnns(labels.getAnnIds(imgIds=1))
    answers = labels.loadRes([{**annotation, "score": 1.0}])
    scoring = COCOeval(labels, answers, "keypoints")
    scoring.params.kpt_oks_sigmas = np.full(len(KEYPOINTS), 0.05)
    scoring.evaluate()
    scoring.accumulate()
    scoring.summarize()
    assert scoring.stats[0] == pytest.approx(1.0)


def test_labels_of_another_tool_without_attributes(tmp_path: Path) -> None:
    def strip(content: dict[str, Any]) -> None:
        for annotation in content["annotations"]:
            del annotation["attributes"]
        # Another tool may order the names as it likes, and drop those that nobody used.
        category = content["categories"][0]
        kept = ["tip_1", "collar_3", "collar_2", "soil"]
        for annotation in content["annotations"]:
            points = dict(
                zip(
                    category["keypoints"], np.reshape(annotation["keypoints"], (-1, 3)), strict=True
                )
            )
            annotation["keypoints"] = [float(v) for name in kept for v in points[name]]
        category["keypoints"] = kept

    back = read_coco(changed(written(tmp_path, PLANT, ROUND_TIP), strip))
    assert back.problems == ()
    assert lost_leaf(1) in back.plants[0].handles  # collar_2 is the lowest: leaf 1 is gone
    assert back.plants[1].handles == ROUND_TIP.handles  # tip_1 is the round one by its name
    assert back.plants[0].stage is None


def test_a_plant_that_contradicts_itself_is_told_and_the_others_come_in(tmp_path: Path) -> None:
    gap = CocoPlant("gap.jpg", (400, 600), (Handle("collar", 1.0, 1.0, 1),))

    def break_it(content: dict[str, Any]) -> None:
        flat = content["annotations"][0]["keypoints"]
        at = 3 * KEYPOINTS.index("collar_3")
        flat[at : at + 3] = [5, 5, 2]

    back = read_coco(changed(written(tmp_path, gap, PLANT), break_it))
    assert [plant.photo for plant in back.plants] == ["IMG_1.jpg"]
    ((plant, why),) = back.contradicting
    assert plant.photo == "gap.jpg"
    assert why.startswith("Leaf 2 without a collar")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda c: c["images"].clear(), "its image isn't in the file"),
        (lambda c: c["annotations"][0]["keypoints"].pop(), "not 3 for each"),
        (lambda c: c["images"][0].pop("width"), "width"),
        (lambda c: c["annotations"][0]["attributes"].update(stage="3"), "isn't a whole number"),
        (lambda c: c["annotations"][0]["attributes"].update(stage=math.inf), "its stage inf"),
        (lambda c: c["annotations"][0]["attributes"].update(lost_leaves=[math.inf]), "lost leaf"),
        (lambda c: c["images"][0].update(width=math.inf), "its width inf isn't a whole number"),
        (lambda c: c["annotations"][0]["keypoints"].__setitem__(0, 10**400), "soil has no place"),
        (lambda c: c["annotations"][0]["keypoints"].__setitem__(0, "1"), "soil has no place"),
    ],
)
def test_broken_annotations_are_told(tmp_path: Path, change: Any, words: str) -> None:
    back = read_coco(changed(written(tmp_path, PLANT), change))
    assert back.plants == ()
    assert words in back.problems[0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "isn't JSON"),
        ("[]", "no images, annotations and categories"),
        ('{"images": [], "annotations": [], "categories": 3}', "no images"),
        ('{"images": [], "annotations": [], "categories": [{"id": 1}]}', "no category"),
    ],
)
def test_files_of_another_kind_are_refused_with_a_sentence(
    tmp_path: Path, text: str, words: str
) -> None:
    path = tmp_path / "other.coco.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(CocoError, match=words):
        read_coco(path)
    with pytest.raises(CocoError, match="can't be read"):
        read_coco(tmp_path / "missing.json")
