"""COCO keypoints: labels out to other labelling tools, and back in.

The format is that of the COCO data set (https://cocodataset.org/#format-data): one category with a
fixed list of keypoints, and for each of them x, y and v, which is 0 for not labelled, 1 for
labelled but not visible, 2 for visible. Keypoints there are "0-indexed" pixel positions, so the
middle of the first pixel is 0; here it is 0.5. Boxes are measured from the corner in both.

What COCO has no word for travels in each annotation's ``attributes``: the stage, the leaves that
are lost, who labelled and when. A file without them can be read too.
"""

from __future__ import annotations

import json
import re
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final, TypeGuard

from collarvision.handles import HIGHEST_RANK, Handle, Part, lost_leaf, problems, stage_of

ENDING: Final = ".coco.json"
CATEGORY: Final = "corn plant"
KEYPOINTS: Final[tuple[str, ...]] = (
    "soil",
    "arch",
    *(f"collar_{rank}" for rank in range(1, HIGHEST_RANK + 1)),
    *(f"tip_{rank}" for rank in range(1, HIGHEST_RANK + 1)),
)
"""Names in the order of the numbers. Rank 1 is the round-tipped first leaf; lost leaves count."""

MAX_FILE_BYTES: Final = 1 << 30
_HALF: Final = 0.5
_LABELLED_HIDDEN: Final = 1
_VISIBLE: Final = 2


class CocoError(Exception):
    """The file isn't COCO keypoints of a corn plant; `str(error)` is one sentence."""


@dataclass(frozen=True)
class CocoPlant:
    """One photo's plant and its labels, on the way out or in.

    Attributes
    ----------
    photo : str
        File name, for the tool that opens it.
    size_px : (width, height)
        Of the upright photo.
    handles : tuple of Handle
        Tips without a rank can't be told in COCO and are left out.
    sha256 : str or None
        Of the photo's bytes, by which it is found again.
    stage : int or None
        What was counted, where it isn't just what the handles say.
    who, labelled_at : str or None
        A person, or None for what the program read; ISO 8601.
    """

    photo: str
    size_px: tuple[int, int]
    handles: tuple[Handle, ...]
    sha256: str | None = None
    stage: int | None = None
    who: str | None = None
    labelled_at: str | None = None


@dataclass(frozen=True)
class CocoFile:
    """What was read from a file.

    Attributes
    ----------
    plants : tuple of CocoPlant
    contradicting : tuple of (CocoPlant, str)
        Plants whose labels come to no count, and why; a reading may be like that too.
    problems : tuple of str
        A sentence for each annotation that couldn't be read.
    """

    plants: tuple[CocoPlant, ...]
    contradicting: tuple[tuple[CocoPlant, str], ...]
    problems: tuple[str, ...]


# --------------------------------------------------------------------------- out


def write_coco(plants: Iterable[CocoPlant], stream: IO[str], *, caution: str | None = None) -> int:
    """Write plants as one COCO document, however many; gives their number.

    A caution, where the stages in it may be acted on, goes beside the description.
    """
    info = {"description": "corn plants: leaf collars, tips, soil and arch"}
    head = {
        "info": info if caution is None else {**info, "caution": caution},
        "licenses": [],
        "categories": [_category()],
    }
    stream.write(json.dumps(head, ensure_ascii=False)[:-1])
    count = 0
    with tempfile.TemporaryFile("w+", encoding="utf-8") as annotations:
        stream.write(',\n"images": [')
        for count, plant in enumerate(plants, start=1):
            comma = "\n" if count == 1 else ",\n"
            stream.write(comma + _json(_image(count, plant)))
            annotations.write(comma + _json(_annotation(count, plant)))
        stream.write('\n],\n"annotations": [')
        annotations.seek(0)
        for line in annotations:
            stream.write(line)
    stream.write("\n]}\n")
    return count


def _category() -> dict[str, Any]:
    bones = [
        # From each collar to its leaf's tip, and from collar to collar up the stalk; COCO counts
        # keypoints in a skeleton from 1.
        *([3 + i, 3 + HIGHEST_RANK + i] for i in range(HIGHEST_RANK)),
        [1, 3],
        *([3 + i, 4 + i] for i in range(HIGHEST_RANK - 1)),
    ]
    return {
        "id": 1,
        "name": CATEGORY,
        "supercategory": "plant",
        "keypoints": list(KEYPOINTS),
        "skeleton": bones,
    }


def _image(number: int, plant: CocoPlant) -> dict[str, Any]:
    width, height = plant.size_px
    image = {"id": number, "file_name": plant.photo, "width": width, "height": height}
    return image if plant.sha256 is None else {**image, "sha256": plant.sha256}


def _annotation(number: int, plant: CocoPlant) -> dict[str, Any]:
    flat = [0.0] * (3 * len(KEYPOINTS))
    places = []
    for handle in plant.handles:
        name = handle.part if handle.part in ("soil", "arch") else f"{handle.part}_{handle.rank}"
        if handle.x is None or handle.y is None or name not in KEYPOINTS:
            continue
        at = 3 * KEYPOINTS.index(name)
        seen = _LABELLED_HIDDEN if handle.occluded else _VISIBLE
        flat[at : at + 3] = [round(handle.x - _HALF, 2), round(handle.y - _HALF, 2), seen]
        places.append((handle.x, handle.y))
    box = _box(places)
    attributes = {
        "stage": stage_of(plant.handles) if plant.stage is None else plant.stage,
        "lost_leaves": sorted(h.rank for h in plant.handles if h.lost and h.rank is not None),
        "round_tips": sorted(h.rank for h in plant.handles if h.rounded and h.rank is not None),
        "labelled_by": plant.who,
        "labelled_at": plant.labelled_at,
    }
    return {
        "id": number,
        "image_id": number,
        "category_id": 1,
        "keypoints": flat,
        "num_keypoints": len(places),
        "bbox": box,
        "area": round(box[2] * box[3], 2),
        "iscrowd": 0,
        "attributes": attributes,
    }


def _box(places: list[tuple[float, float]]) -> list[float]:
    if not places:
        return [0.0, 0.0, 0.0, 0.0]
    xs, ys = zip(*places, strict=True)
    low_x, low_y = min(xs), min(ys)
    return [round(v, 2) for v in (low_x, low_y, max(xs) - low_x, max(ys) - low_y)]


def _json(value: dict[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, allow_nan=False)


# --------------------------------------------------------------------------- in


def read_coco(path: Path) -> CocoFile:
    """Read labels back, ours or of any tool that keeps the names of the keypoints.

    Plants whose labels contradict each other are kept apart. Where no
    attribute says which leaves are lost, the leaves under the lowest collar that have neither
    collar nor tip are: whoever calls a collar ``collar_3`` has counted two below it.

    Raises
    ------
    CocoError
        The file can't be read, or isn't COCO with these keypoints.
    """
    try:
        if path.stat().st_size > MAX_FILE_BYTES:
            raise CocoError(f"{path} is over 1 GiB: give labels, not photos.")
        # Some tools put a byte order mark first.
        content = json.loads(path.read_text(encoding="utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise CocoError(f"{path} isn't JSON in UTF-8: export the labels as COCO again.") from error
    except OSError as error:
        raise CocoError(f"{path} can't be read ({error.strerror}): check the name.") from error
    parts = (
        [content.get(name) for name in ("images", "annotations", "categories")]
        if isinstance(content, dict)
        else [None]
    )
    if not all(isinstance(part, list) and all(isinstance(e, dict) for e in part) for part in parts):
        raise CocoError(f"{path} has no images, annotations and categories: export COCO keypoints.")
    images, annotations, categories = (part or [] for part in parts)
    ids = [one.get("id") for one in (*images, *categories)]
    ids += [one.get(name) for one in annotations for name in ("image_id", "category_id")]
    if any(isinstance(known, (list, dict)) for known in ids):
        raise CocoError(
            f"{path} has a list where an image's or category's id should be: export the labels as "
            "COCO again."
        )
    names = {c.get("id"): c["keypoints"] for c in categories if _are_names(c.get("keypoints"))}
    if not names:
        raise CocoError(
            f"{path} has no category with keypoints named soil, arch, collar_1, tip_1 and so on: "
            "keep the names that `collarvision export --to plants.coco.json` writes."
        )
    by_id = {image.get("id"): image for image in images}
    plants: list[CocoPlant] = []
    contradicting: list[tuple[CocoPlant, str]] = []
    told: list[str] = []
    for annotation in annotations:
        image, keypoints = (
            by_id.get(annotation.get("image_id")),
            names.get(annotation.get("category_id")),
        )
        if keypoints is None or not annotation.get("num_keypoints", 1):
            continue  # of another kind, or a photo that nobody has labelled
        try:
            if image is None:
                raise ValueError("its image isn't in the file")
            plant = _plant(image, annotation, keypoints)
            wrong = problems(plant.handles, plant.size_px)
            if wrong:
                contradicting.append((plant, " ".join(wrong)))
            else:
                plants.append(plant)
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            name = (image or {}).get("file_name", "an unknown photo")
            told.append(f"{name} (annotation {annotation.get('id')}): {error}")
    return CocoFile(tuple(plants), tuple(contradicting), tuple(told))


def _are_names(names: object) -> bool:
    return isinstance(names, list) and bool({str(name) for name in names} & set(KEYPOINTS))


def _plant(image: Mapping[str, Any], annotation: Mapping[str, Any], names: list[str]) -> CocoPlant:
    size = (_whole(image["width"], "width"), _whole(image["height"], "height"))
    attributes = annotation.get("attributes") or {}
    handles = list(_handles(annotation["keypoints"], names, attributes.get("round_tips")))
    lost = attributes.get("lost_leaves")
    if lost is None:
        shown = [h.rank for h in handles if h.rank is not None]
        collars = [h.rank for h in handles if h.part == "collar" and h.rank is not None]
        lost = [rank for rank in range(1, min(collars, default=1)) if rank not in shown]
    handles += [lost_leaf(_whole(rank, "lost leaf")) for rank in lost]
    stage, sha256 = attributes.get("stage"), image.get("sha256")
    who, at = attributes.get("labelled_by"), attributes.get("labelled_at")
    return CocoPlant(
        photo=str(image["file_name"]),
        size_px=size,
        handles=tuple(handles),
        sha256=sha256 if _is_hash(sha256) else None,
        stage=None if stage is None else _whole(stage, "stage"),
        who=who if isinstance(who, str) else None,
        labelled_at=at if isinstance(at, str) else None,
    )


def _handles(flat: list[float], names: list[str], round_tips: object) -> Iterator[Handle]:
    if len(flat) != 3 * len(names):
        raise ValueError(f"it has {len(flat)} numbers for {len(names)} keypoints, not 3 for each")
    for i, name in enumerate(names):
        x, y, seen = flat[3 * i : 3 * i + 3]
        if not seen or name not in KEYPOINTS:
            continue
        word, _, number = name.partition("_")
        part: Part = word  # type: ignore[assignment]
        rank = int(number) if number else None
        if not (_is_place(x) and _is_place(y)):
            raise ValueError(f"{name} has no place")
        rounded = part == "tip" and (
            rank in round_tips if isinstance(round_tips, list) else rank == 1
        )
        hidden = seen == _LABELLED_HIDDEN
        yield Handle(part, x + _HALF, y + _HALF, rank, occluded=hidden, rounded=rounded)


def _is_hash(value: object) -> TypeGuard[str]:
    # No other text is one: half a character, such as \ud800 alone, can't even be looked up.
    return isinstance(value, str) and re.fullmatch("[0-9a-f]{64}", value) is not None


def _is_place(value: object) -> bool:
    # JSON has whole numbers of any length, and Python reads Infinity and NaN there too.
    return isinstance(value, (int, float)) and abs(value) <= sys.float_info.max


def _whole(value: object, name: str) -> int:
    if isinstance(value, float) and value.is_integer():
        return int(value)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"its {name} {value!r} isn't a whole number")
    return value
