"""Write samples: ``python -m training.plantgen --out DIR --count N --seed S --view mixed``.

One process writes one part (``part-SSSS``): pictures, part maps and ``truth.jsonl``, a line
appended after its files are complete. Run several processes with different seeds for speed;
a part that's there is continued, never overwritten.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import cv2
import numpy as np

from . import optics, render, truth
from .partfile import fill, next_index, write_whole
from .stand import LIGHTINGS, Stand, Wish, compose, from_other_side

VIEWS = ("crop", "close", "foot", "photo", "mixed", "finished")
MIXED_SHARES = {"crop": 0.46, "close": 0.2, "foot": 0.12, "photo": 0.22}
HARD_CASES = ("none", "just_cleared", "about_to_clear")
TRAINED_HARD = (0.5, 0.31, 0.19)
"""Of samples to train on: more collars that have just cleared than photos to judge by hold."""
REASON_SHARES = {"ok": 0.80, "no_plant": 0.05, "several": 0.06, "not_maize": 0.05, "cut_off": 0.04}


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        prog="training.plantgen", description="Render training samples."
    )
    parser.add_argument("--out", type=Path, required=True, help="folder; a part is written into it")
    parser.add_argument("--count", type=int, default=10**9, help="samples to have in the part")
    parser.add_argument("--minutes", type=float, default=1e9, help="stop after this long")
    parser.add_argument("--seed", type=int, default=0, help="the part's seed")
    parser.add_argument("--view", choices=VIEWS, default="mixed")
    parser.add_argument("--samples", type=int, default=40, help="light paths a pixel")
    parser.add_argument("--crop-pixels", type=int, default=704)
    parser.add_argument("--photo-pixels", type=int, default=512, help="long side of whole photos")
    parser.add_argument(
        "--variant", default=None, help="Mitsuba variant, e.g. cuda_ad_rgb, scalar_rgb"
    )
    parser.add_argument("--size", default="960x1280", help="photo WIDTHxHEIGHT for finished photos")
    parser.add_argument("--unlike", action="store_true", help="draw from harder, rarer conditions")
    parser.add_argument(
        "--both-sides", action="store_true", help="each plant once more, from its other side"
    )
    parser.add_argument("--first", type=int, default=0, help="index of the first sample")
    args = parser.parse_args(argv)
    part = args.out / f"part-{args.seed:05d}"
    part.mkdir(parents=True, exist_ok=True)
    lines = part / "truth.jsonl"
    done = max(args.first, next_index(lines))
    fill(
        args.seed,
        range(done, args.first + args.count),
        lambda index: write_sample(part, args.seed, index, args),
        minutes=args.minutes,
        every=50,
    )
    return 0


def draw_wish(rng: np.random.Generator, view: str, unlike: bool, size: str = "960x1280") -> Wish:
    """What the next sample should show."""
    width, height = (int(n) for n in size.split("x"))
    reason = "ok"
    if view not in ("crop", "close", "foot"):
        reason = str(rng.choice(list(REASON_SHARES), p=list(REASON_SHARES.values())))
    if view != "finished" and not unlike:
        hard = str(rng.choice(HARD_CASES, p=TRAINED_HARD))
        return Wish(reason=reason, hard_case=hard, width_px=width, height_px=height)
    if not unlike:
        return Wish(reason=reason, width_px=width, height_px=height)
    return Wish(
        reason=reason,
        lighting=str(rng.choice(LIGHTINGS, p=[0.1, 0.12, 0.22, 0.08, 0.2, 0.18, 0.1])),
        hard_case=str(rng.choice(HARD_CASES, p=[0.5, 0.25, 0.25])),
        width_px=width,
        height_px=height,
    )


def write_sample(part: Path, seed: int, index: int, args: argparse.Namespace) -> None:
    """Render one sample and append its truth line; the same seed and index give the same sample."""
    rng = np.random.default_rng([seed, index])
    view = args.view
    if view == "mixed":
        view = str(rng.choice(list(MIXED_SHARES), p=list(MIXED_SHARES.values())))
    wish = draw_wish(rng, view, args.unlike, args.size)
    stand = compose(rng, wish)
    _write_view(part, f"{seed:05d}_{index:06d}", stand, view, rng, args)
    if args.both_sides and stand.shapes:
        _write_view(
            part, f"{seed:05d}_{index:06d}_other", from_other_side(rng, stand), view, rng, args
        )


def _write_view(
    part: Path,
    name: str,
    stand: Stand,
    view: str,
    rng: np.random.Generator,
    args: argparse.Namespace,
) -> None:
    window = _window(stand, rng, view, args)
    rendered = render.render(
        stand, window, samples=args.samples, seed=int(rng.integers(2**31)), variant=args.variant
    )
    row = truth.describe(stand, rendered, f"{name}.jpg", "photo" if view == "finished" else view)
    if view == "finished":
        fault = None
        if row["reason"] == "ok" and rng.random() < 0.08:
            fault = str(rng.choice(["blurred", "dark"]))
            row["reason"], row["usable"] = fault, False
        picture, quality = optics.photograph(rendered.radiance, rendered.classes, rng, fault=fault)
    else:
        picture, quality = optics.develop(rendered.radiance, rendered.classes, rng), 95
    row["jpeg_quality"] = quality
    _write(part / f"{name}.jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    _write(part / f"{name}.png", rendered.classes, [])
    with (part / "truth.jsonl").open("a", encoding="utf-8") as lines:
        lines.write(json.dumps(row) + "\n")


def _window(
    stand: Stand, rng: np.random.Generator, view: str, args: argparse.Namespace
) -> render.Window:
    if view == "crop":
        return truth.plant_window(stand, rng, args.crop_pixels)
    if view == "close":
        return truth.close_window(stand, rng, args.crop_pixels)
    if view == "foot":
        return truth.foot_window(stand, rng, args.crop_pixels)
    if view == "finished":
        return truth.whole_window(stand, max(stand.camera.width_px, stand.camera.height_px))
    return truth.whole_window(stand, args.photo_pixels)


def _write(path: Path, picture: np.ndarray, options: list[int]) -> None:
    ok, data = cv2.imencode(path.suffix, np.ascontiguousarray(picture), options)
    if not ok:
        raise OSError(f"{path.name} could not be encoded")
    write_whole(path, data.tobytes())


if __name__ == "__main__":
    raise SystemExit(main())
