"""Render the demo farm's photos: ``python -m training.make_demo --out DIR``.

An invented farm of four fields at two visits a week apart, by the project's own generator, with
the truth of each photo. At the last visit one field is young, one is near the end of a limit of
six collars or 20 in, one is past it, and one was photographed too badly to tell. Time and place
are not in these photos: ``collarvision demo`` writes them when it lays the farm out.

One process; a photo that is there is kept, so a stop costs nothing. ``--pack FOLDER`` then copies
one take of each plant there, with its truth cut to what the demo needs.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from training.make_samples import jpeg
from training.plantgen import optics, render, truth
from training.plantgen.stand import Stand, Wish, compose

SEED = 47_000_000
QUALITY, LOWEST_QUALITY = 82, 58
MOST_BYTES = 120_000
MILD_LIGHT = ("overcast", "shade", "hazy_sun")
BOARDS = ("white", "grey", "beige", "pale_blue")
ATTEMPTS = 200
LEAST_FILL = 0.6
"""Share of the frame's width or height that plant and card take: collars must be a few pixels."""

INCH_MM = 25.4

PICKED: dict[str, str] = {"owl-2-s1-p1": "b", "owl-2-s3-p2": "b"}
"""Takes that serve better than the first, by slot; looked at by eye."""

TRUTH_KEYS = (
    "file", "width", "height", "usable", "reason", "stage_v", "collars_visible_in_image", "tips",
    "first_leaf", "lower_leaves_missing", "base_xy", "base_occluded", "arch_xy", "arch_rank",
    "height_arch_mm", "plant_top_mm", "layout", "lighting", "board_colour", "card", "seed",
)  # fmt: skip


@dataclass(frozen=True)
class Slot:
    """One plant of the demo.

    Attributes
    ----------
    name : str
        Field, visit, stop and plant: ``owl-2-s3-p1``.
    stage_v : int
    tallest_mm : float or None
        No part of the plant is higher: a field inside a limit must not hold one that isn't.
    shortest_mm : float or None
        Some part of the plant is higher.
    lost : int
        Lower leaves of which nothing is left.
    fault : {"blurred", "dark", "cut_off"} or None
    number : int or None
        Of its seed; its place among all slots where there is none.
    """

    name: str
    stage_v: int
    tallest_mm: float | None = None
    shortest_mm: float | None = None
    lost: int = 0
    fault: str | None = None
    number: int | None = None


def slots() -> Iterator[Slot]:
    """Every plant of the farm, in the order of walking."""
    yield from _visit("owl-1", (1, 1, 2, 1, 2, 1))
    yield from _visit("owl-2", (3, 3, 3, 2, 3, 3, 4, 3, 3, 3, 2, 3), tallest_mm=15 * INCH_MM)
    yield from _visit("acre-1", (4, 3, 4, 4, 3, 4), tallest_mm=15 * INCH_MM)
    yield from _visit("acre-2", (5, 5, 5, 6, 5, 5, 5, 4, 5, 5, 6, 5), tallest_mm=15 * INCH_MM)
    yield from _visit("mill-1", (5, 6, 5, 6, 5, 6))
    yield from _visit("mill-2", (7, 8, 7, 7, 8, 7, 8, 7, 7, 6, 7, 8), shortest_mm=15 * INCH_MM)
    yield from _visit("creek-1", (4, 3, 4, 4), tallest_mm=15 * INCH_MM)
    yield from _visit("creek-2", (5, 5, 6), tallest_mm=18 * INCH_MM)
    yield Slot("creek-2-s2-p1", 5, lost=1, tallest_mm=18 * INCH_MM)
    yield Slot("creek-2-s2-p2", 5, fault="blurred")
    yield Slot("creek-2-s2-p3", 5, fault="cut_off", tallest_mm=14 * INCH_MM)
    yield Slot("creek-2-s3-p1", 6, fault="dark")
    yield from _flown()


def _flown() -> Iterator[Slot]:
    """The field that was flown first: stops 2 and 3 lie in the part that is ahead, 5 behind."""
    stops = (
        ((5, 65), (6, 66), (5, 67)),
        ((6, 71), (6, 72), (7, 73), (6, 79), (6, 80)),
        ((6, 74), (7, 75), (6, 76), (6, 81), (5, 82)),
        ((5, 83), (4, 84), (5, 85)),
        ((3, 87), (4, 88), (3, 89)),
    )
    for stop, plants in enumerate(stops, start=1):
        for plant, (stage, number) in enumerate(plants, start=1):
            yield Slot(f"heron-2-s{stop}-p{plant}", stage, number=number)


def _visit(
    visit: str,
    stages: tuple[int, ...],
    *,
    tallest_mm: float | None = None,
    shortest_mm: float | None = None,
) -> Iterator[Slot]:
    for index, stage in enumerate(stages):
        name = f"{visit}-s{index // 3 + 1}-p{index % 3 + 1}"
        yield Slot(name, stage, tallest_mm=tallest_mm, shortest_mm=shortest_mm)


def wish_of(slot: Slot, rng: np.random.Generator, size_px: tuple[int, int]) -> Wish:
    """A photo as a careful scout takes it, but for the slot's own fault."""
    return Wish(
        stage_v=slot.stage_v,
        layout="standing",
        reason="cut_off" if slot.fault == "cut_off" else "ok",
        hard_case="none",
        lighting=str(rng.choice(MILD_LIGHT)),
        board_kind=str(rng.choice(BOARDS)),
        card=True,
        lost=slot.lost,
        lower_status="ok",
        width_px=size_px[0],
        height_px=size_px[1],
    )


def stand_for(
    slot: Slot, seed: int, size_px: tuple[int, int]
) -> tuple[Stand, np.random.Generator, int]:
    """The first scene from this seed on that keeps the slot's heights, upright and with its card.

    Raises
    ------
    ValueError
        None of `ATTEMPTS` does.
    """
    for attempt in range(ATTEMPTS):
        rng = np.random.default_rng([seed, attempt])
        stand = compose(rng, wish_of(slot, rng, size_px))
        top = float(stand.shapes[0].blades.vertices[:, 2].max())
        low = slot.shortest_mm is None or top > slot.shortest_mm
        high = slot.tallest_mm is None or top < slot.tallest_mm
        if low and high and stand.camera.height_px >= stand.camera.width_px and _fits(slot, stand):
            return stand, rng, attempt
    raise ValueError(f"{slot.name}: no plant of V{slot.stage_v} keeps its heights; widen them")


def _fits(slot: Slot, stand: Stand) -> bool:
    """Whole plant and card in the frame, and large; or cut off, where the slot wants that."""
    camera = stand.camera
    low, high = truth.plant_box_px(stand)
    whole = bool((low > 4).all() and (high < [camera.width_px - 4, camera.height_px - 4]).all())
    if slot.fault == "cut_off":
        return not whole
    if stand.card_corners_mm is None:
        return False
    corners, _ = camera.project(stand.card_corners_mm)
    seen = (corners > 2).all() and (corners < [camera.width_px - 2, camera.height_px - 2]).all()
    both = np.concatenate([corners, [low, high]])
    fill = float((np.ptp(both, axis=0) / [camera.width_px, camera.height_px]).max())
    return whole and bool(seen) and fill >= LEAST_FILL


def make(
    slot: Slot,
    take: int,
    folder: Path,
    size_px: tuple[int, int],
    light_paths: int,
    variant: str | None,
) -> dict:
    """Render one photo of a slot into the folder and give its truth line."""
    index = slot.number
    if index is None:
        index = [s.name for s in slots()].index(slot.name)
    seed = SEED + 100 * index + take
    stand, rng, attempt = stand_for(slot, seed, size_px)
    window = truth.whole_window(stand, max(size_px))
    rendered = render.render(stand, window, samples=light_paths, seed=seed, variant=variant)
    name = file_name(slot, take)
    row = truth.describe(stand, rendered, name, "photo")
    row |= {"slot": slot.name, "take": take, "seed": [seed, attempt]}
    spoiled = slot.fault if slot.fault in ("blurred", "dark") else None
    if spoiled:
        row |= {"reason": spoiled, "usable": False}
    picture, _ = optics.photograph(rendered.radiance, rendered.classes, rng, fault=spoiled)
    data, row["jpeg_quality"] = encode(picture, stand.camera.focal_eq_mm)
    spare = folder / f"{name}.part"
    spare.write_bytes(data)
    os.replace(spare, folder / name)
    return row


def file_name(slot: Slot, take: int) -> str:
    return f"{slot.name}-{'abcdefgh'[take]}.jpg"


def encode(picture: np.ndarray, focal_eq_mm: float) -> tuple[bytes, int]:
    """A JPEG of at most `MOST_BYTES` where that can be had, and its quality."""
    for quality in range(QUALITY, LOWEST_QUALITY - 1, -4):
        data = jpeg(picture, quality, focal_eq_mm)
        if len(data) <= MOST_BYTES:
            break
    return data, quality


def pack(out: Path, folder: Path) -> int:
    """Copy the picked take of each plant, renamed to its slot; gives how many there are."""
    rows = map(json.loads, (out / "truth.jsonl").read_text("utf-8").splitlines())
    by_file = {row["file"]: row for row in rows}
    folder.mkdir(parents=True, exist_ok=True)
    kept = []
    for slot in slots():
        take = PICKED.get(slot.name, "a")
        row = by_file.get(f"{slot.name}-{take}.jpg")
        if row is None:
            continue
        row = {key: _short(row[key]) for key in TRUTH_KEYS} | {"file": f"{slot.name}.jpg"}
        (folder / row["file"]).write_bytes((out / f"{slot.name}-{take}.jpg").read_bytes())
        kept.append(json.dumps(row) + "\n")
    (folder / "truth.jsonl").write_text("".join(kept), encoding="utf-8")
    return len(kept)


def _short(value: object) -> object:
    """Numbers to a hundredth of a pixel or a millimetre."""
    if isinstance(value, float):
        return round(value, 2)
    if isinstance(value, list):
        return [_short(item) for item in value]
    return {k: _short(v) for k, v in value.items()} if isinstance(value, dict) else value


def main(argv: list[str] | None = None) -> int:
    """Render what is missing; truth.jsonl has a line a photo."""
    parser = argparse.ArgumentParser(
        prog="training.make_demo", description="Render the demo's photos."
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--variant", default=None, help="Mitsuba variant, e.g. cuda_ad_rgb")
    parser.add_argument("--size", default="720x960", help="WIDTHxHEIGHT in pixels")
    parser.add_argument("--light-paths", type=int, default=64)
    parser.add_argument("--takes", type=int, default=2, choices=range(1, 9), help="photos a plant")
    parser.add_argument("--only", nargs="*", help="names of slots, e.g. owl-2-s1-p1")
    parser.add_argument("--pack", type=Path, help="copy one take of each plant to this folder")
    options = parser.parse_args(argv)
    if options.pack is not None:
        print(f"{pack(options.out, options.pack)} photos in {options.pack}")
        return 0
    width, height = (int(n) for n in options.size.split("x"))
    options.out.mkdir(parents=True, exist_ok=True)
    lines = options.out / "truth.jsonl"
    there = set()
    if lines.exists():
        there = {json.loads(line)["file"] for line in lines.read_text("utf-8").splitlines()}
    for take in range(options.takes):
        for slot in slots():
            name = file_name(slot, take)
            asked = options.only is None or slot.name in options.only
            if not asked or (name in there and (options.out / name).exists()):
                continue
            try:
                row = make(
                    slot, take, options.out, (width, height), options.light_paths, options.variant
                )
            except (ArithmeticError, IndexError, ValueError) as fault:
                # One odd plant must not end the run: it is named, and its other takes are there.
                print(f"{name}: left out: {fault!r}", flush=True)
                continue
            with lines.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(row) + "\n")
            print(f"{name}: V{row['stage_v']} {row['reason']}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
