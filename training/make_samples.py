"""Render the sample photos: ``python -m training.make_samples --out sample_images``.

Sixteen photos by the project's own generator, with their truth: both layouts, easy and hard
plants, and photos that must be refused. A photo that's there is kept, so a stop costs nothing.
"""

from __future__ import annotations

import argparse
import io
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image

from training.plantgen import optics, render, truth
from training.plantgen.stand import Wish, compose

SIZE_PX = (960, 1280)


@dataclass(frozen=True)
class Sample:
    """One sample photo: what to show, and the seed that draws the rest."""

    name: str
    seed: int
    wish: Wish
    fault: str | None = None


def _wish(stage: int | None, layout: str = "standing", **more: object) -> Wish:
    plain: dict[str, object] = {
        "lighting": "overcast", "board_kind": "white", "card": True, "hard_case": "none",
        "lost": 0, "lower_status": "ok", "width_px": SIZE_PX[0], "height_px": SIZE_PX[1],
    }  # fmt: skip
    return Wish(stage_v=stage, layout=layout, **(plain | more))  # type: ignore[arg-type]


SAMPLES = (
    Sample("plant_01.jpg", 1011, _wish(1, board_kind="grey")),
    Sample("plant_02.jpg", 1021, _wish(2, lighting="sun")),
    Sample("plant_03.jpg", 1031, _wish(3)),
    Sample("plant_04.jpg", 1041, _wish(3, "laid", board_kind="pale_blue")),
    Sample("plant_05.jpg", 1051, _wish(4, board_kind="beige", lighting="shade")),
    Sample("plant_06.jpg", 1061, _wish(4, hard_case="just_cleared")),
    Sample("plant_07.jpg", 1071, _wish(5, board_kind="grey")),
    Sample("plant_08.jpg", 1083, _wish(5, "laid")),
    Sample("plant_09.jpg", 1091, _wish(6, lighting="hazy_sun", board_kind="pale_blue")),
    Sample("plant_10.jpg", 1102, _wish(6, lost=1, hard_case="about_to_clear")),
    Sample("plant_11.jpg", 1112, _wish(7, lost=1)),
    Sample("plant_12.jpg", 1123, _wish(8, card=False, board_kind="grey")),
    Sample("plant_13.jpg", 1131, _wish(5, reason="several")),
    Sample("plant_14.jpg", 1141, _wish(4), fault="blurred"),
    Sample("plant_15.jpg", 1151, _wish(6, reason="cut_off")),
    Sample("plant_16.jpg", 1161, _wish(None, reason="no_plant")),
)


def make(sample: Sample, folder: Path, light_paths: int) -> dict:
    """Render one sample photo into the folder and give its truth line."""
    rng = np.random.default_rng(sample.seed)
    stand = compose(rng, sample.wish)
    camera = stand.camera
    window = truth.whole_window(stand, max(camera.width_px, camera.height_px))
    rendered = render.render(stand, window, samples=light_paths, seed=sample.seed)
    row = truth.describe(stand, rendered, sample.name, "photo")
    if sample.fault:
        row |= {"reason": sample.fault, "usable": False}
    picture, quality = optics.photograph(
        rendered.radiance, rendered.classes, rng, fault=sample.fault
    )
    (folder / sample.name).write_bytes(jpeg(picture, quality, camera.focal_eq_mm))
    return row


def jpeg(picture: np.ndarray, quality: int, focal_eq_mm: float) -> bytes:
    """A render (H, W, 3) uint8 as a JPEG that says what it is and at which focal length."""
    exif = Image.Exif()
    exif[0x010E] = "Rendered by collarvision's plant generator"  # ImageDescription
    exif.get_ifd(0x8769)[0xA405] = round(focal_eq_mm)  # FocalLengthIn35mmFilm
    spool = io.BytesIO()
    Image.fromarray(picture).save(spool, "JPEG", quality=quality, exif=exif)
    return spool.getvalue()


def main(argv: list[str] | None = None) -> int:
    """Render what is missing; write truth.jsonl in the samples' order."""
    parser = argparse.ArgumentParser(
        prog="training.make_samples", description="Render the samples."
    )
    parser.add_argument("--out", type=Path, default=Path("sample_images"))
    parser.add_argument("--light-paths", type=int, default=32)
    parser.add_argument("--only", nargs="*", help="render these again")
    options = parser.parse_args(argv)
    options.out.mkdir(parents=True, exist_ok=True)
    lines = options.out / "truth.jsonl"
    rows = {}
    if lines.exists():
        rows = {r["file"]: r for r in map(json.loads, lines.read_text().splitlines())}
    for sample in SAMPLES:
        again = options.only is not None and sample.name in options.only
        if sample.name in rows and (options.out / sample.name).exists() and not again:
            continue
        rows[sample.name] = make(sample, options.out, options.light_paths)
        print(
            f"{sample.name}: V{rows[sample.name]['stage_v']} {rows[sample.name]['reason']}",
            flush=True,
        )
        kept = [rows[s.name] for s in SAMPLES if s.name in rows]
        lines.write_text("".join(json.dumps(row) + "\n" for row in kept), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
