"""The card in cropped photos: EXIF goes on naming the lens, of whose view only a part is left.

The cards are those of `tests/drawn_cards.py`; the truth is the camera that drew them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_cards import CARD, DIAGONAL_MM, MARKER_AT, camera, photograph

from collarvision.card import Scale, find_card
from collarvision.cardfit import Camera
from collarvision.cardpose import camera_shaped
from collarvision.photo import Photo

WHOLE = (810, 1080)
FOOT = np.array([[190.0, 250.0]])
"""A plant's foot, mm on the board: beside the card and under it."""


def taken(rng: np.random.Generator, shown: tuple[int, ...], odd: bool, whole: bool) -> tuple:
    """A photo, or a part of one off its middle: pixels, and the camera in px of what is left.

    `odd` crops have a proportion that no camera gives, the others that of the whole.
    """
    while True:
        view = camera(
            tilt=min(abs(rng.normal(0, 16)), 45),
            about=rng.uniform(0, 360),
            spin=rng.normal(0, 5),
            mm_per_px=rng.uniform(0.5, 1.0),
            shift=(rng.uniform(-130, 130), rng.uniform(-180, 80)),
            size=WHOLE,
            focal_px=26 * np.exp(rng.normal(0, 0.02)) / DIAGONAL_MM * np.hypot(*WHOLE),
        )
        width = rng.uniform(0.4, 0.8)
        share = np.array([width, width * rng.choice([0.8, 1.15]) if odd else width])
        size = np.array(WHOLE) if whole else np.round(share * WHOLE).astype(int)
        corner = np.round(rng.uniform(0, 1, 2) * (np.array(WHOLE) - size))
        seen = [np.add(MARKER_AT[m], d) for m in shown for d in ((-6, -6), (42, -6), (42, 42))]
        px = view.project(np.vstack([*seen, FOOT])) - corner
        if (px > 2).all() and (px < size - 2).all():
            break
    view = replace(view, center_px=tuple(np.subtract(view.center_px, corner)))
    hide = tuple(m for m in MARKER_AT if m not in shown)
    options = {"blur": rng.uniform(0.4, 1.4), "noise": rng.uniform(1, 5), "hide": hide}
    return photograph(view, int(rng.integers(99)), size=tuple(size.tolist()), **options), view


def error_at_the_foot(scale: Scale, view: Camera) -> float:
    x, y = view.project(FOOT)[0]
    h = np.linalg.inv(view.px_from_mm())
    true = np.sqrt(abs(np.linalg.det(h) / (h[2] @ [x, y, 1]) ** 3))
    return abs(scale.mm_per_px_at(x, y) / true - 1)


@pytest.mark.parametrize("markers", [1, 2, 3, 4])
@pytest.mark.parametrize("cut", ["odd", "alike", "whole"])
def test_the_stated_error_holds_what_a_crop_does_to_the_scale(cut: str, markers: int) -> None:
    """A 90 % interval (1.645 sigma) holds the truth in 85 of 100, cropped or not."""
    rng = np.random.default_rng([markers, len(cut)])
    held, doubted = [], []
    for _ in range(14):
        shown = tuple(int(m) for m in rng.permutation(4)[:markers])
        rgb, view = taken(rng, shown, cut == "odd", cut == "whole")
        scale = find_card(Photo("cut", rgb, "", focal_eq_mm=26.0))
        assert scale is not None
        held.append(error_at_the_foot(scale, view) < 1.645 * scale.relative_error)
        doubted.append(scale.focal_assumed)
    assert np.mean(held) >= 0.85
    if cut == "odd":
        assert np.mean(doubted) > 0.8
    if cut == "whole":
        assert not any(doubted)


@pytest.mark.parametrize("tilt", [5.0, 25.0, 45.0])
def test_whole_photos_of_three_and_four_markers_lose_nothing(tilt: float) -> None:
    """0.0042 are the print and the lens alone, 0.003 each."""
    view = camera(tilt=tilt, about=50, size=WHOLE, shift=(60, -80))
    for hide in ((), (3,)):
        rgb = photograph(view, size=WHOLE, hide=hide)
        scale = find_card(Photo("whole", rgb, "", focal_eq_mm=26.0))
        assert scale is not None
        assert scale.focal_assumed is False
        assert scale.relative_error < 0.0047
        assert error_at_the_foot(scale, view) < 0.002


def test_a_photo_whose_px_were_changed_keeps_its_scale_but_not_its_lens() -> None:
    view = camera(tilt=8, about=50, size=WHOLE)
    rgb = photograph(view, size=WHOLE)
    plain, changed = (
        find_card(Photo("photo", rgb, "", focal_eq_mm=26.0, resized=resized))
        for resized in (False, True)
    )
    assert plain is not None
    assert changed is not None
    assert (plain.focal_assumed, changed.focal_assumed) == (False, True)
    assert np.abs(changed.corners_px - plain.corners_px).max() < 0.1
    assert changed.relative_error == pytest.approx(plain.relative_error, rel=0.1)


@pytest.mark.parametrize(("noted_mm", "assumed"), [(26.0, False), (40.0, True)])
def test_a_card_seen_aslant_tells_whether_a_crops_lens_is_the_noted_one(
    noted_mm: float, assumed: bool
) -> None:
    view = camera(tilt=45, about=40, spin=10, size=WHOLE)
    photo = Photo("photo", photograph(view, size=WHOLE), "", focal_eq_mm=noted_mm, resized=True)
    scale = find_card(photo)
    assert scale is not None
    assert scale.focal_assumed is assumed
    assert error_at_the_foot(scale, view) < 0.002


def test_a_card_found_by_its_outline_in_a_crop_is_no_proof_of_the_lens() -> None:
    size = (700, 480)
    view = camera(tilt=5, about=40, mm_per_px=1.8, size=size)
    corners = view.project(CARD)
    box = tuple(np.concatenate([corners.min(axis=0) - 8, corners.max(axis=0) + 5]).tolist())
    photo = Photo("small", photograph(view, 3, size=size, blur=1.8), "", focal_eq_mm=26.0)
    scale = find_card(photo, where=[box])
    assert scale is not None
    assert scale.focal_assumed is True


@pytest.mark.parametrize(
    ("size", "shaped"),
    [
        ((4032, 3024), True),
        ((3024, 4032), True),
        ((4000, 2250), True),
        ((4288, 2848), True),  # a 3:2 sensor, its sides whole blocks of px
        ((1600, 1204), True),  # shrunk by a messenger
        ((1080, 1080), True),
        ((1350, 1080), True),
        ((4032, 2500), False),
        ((3024, 2800), False),
        ((2400, 1080), False),
    ],
)
def test_which_pictures_have_a_cameras_shape(size: tuple[int, int], shaped: bool) -> None:
    assert camera_shaped(*size) is shaped
