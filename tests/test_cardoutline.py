"""The card outline: drawn cards whose markers are too small or blurred to be read as others are."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from drawn_cards import CARD, camera, card_face, photograph, scale_errors
from hypothesis import given, settings
from hypothesis import strategies as st

import collarvision.card as card_room
from collarvision.card import find_card
from collarvision.cardfit import Camera, fit_points
from collarvision.cardmarks import EASY
from collarvision.photo import Photo


def about(view: Camera) -> tuple[float, float, float, float]:
    """Box around the card, off by some px as a network's is."""
    corners = view.project(CARD)
    (x0, y0), (x1, y1) = corners.min(axis=0) - 8, corners.max(axis=0) + 5
    return float(x0), float(y0), float(x1), float(y1)


@pytest.mark.parametrize("spin", [0, 180])
@pytest.mark.parametrize(("mm_per_px", "blur"), [(1.8, 1.8), (2.5, 1.3)])
def test_markers_too_blurred_to_read_are_found_by_the_cards_outline(
    mm_per_px: float, blur: float, spin: float
) -> None:
    view = camera(tilt=5, about=40, spin=spin, mm_per_px=mm_per_px, shift=(30, -20))
    photo = Photo("small", photograph(view, seed=3, blur=blur), "", focal_eq_mm=26.0)
    assert find_card(photo) is None
    scale = find_card(photo, where=[(0.0, 0.0, 60.0, 60.0), about(view)])
    assert scale is not None
    assert scale.markers_found >= 3
    errors = np.abs(scale_errors(scale, view))
    assert errors.max() < 0.012
    assert np.sqrt((errors**2).mean()) < 1.5 * scale.relative_error
    assert np.abs(scale.corners_px - view.project(CARD)).max() < 1.5


def test_a_card_found_by_its_outline_is_the_one_that_its_markers_give(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    view = camera(tilt=25, about=200, spin=12, mm_per_px=0.8)
    photo = Photo("plain", photograph(view), "", focal_eq_mm=26.0)
    by_markers = find_card(photo)
    monkeypatch.setattr(card_room, "marker_sets_in", lambda grey, box: iter(()))
    by_outline = find_card(photo, searches=(), where=[about(view)])
    assert by_outline is not None
    assert by_markers is not None
    assert np.abs(by_outline.corners_px - by_markers.corners_px).max() < 0.1
    assert by_outline.relative_error > by_markers.relative_error


def test_a_card_looked_for_in_a_box_is_the_one_found_in_the_whole_photo() -> None:
    view = camera(tilt=25, about=200, spin=12, mm_per_px=0.8)
    photo = Photo("plain", photograph(view), "", focal_eq_mm=26.0)
    in_box = find_card(photo, searches=(), where=[about(view)])
    in_all = find_card(photo)
    assert in_box is not None
    assert in_all is not None
    assert np.abs(in_box.corners_px - in_all.corners_px).max() < 0.1


@pytest.mark.parametrize("spin", [-20, 35])
def test_small_markers_are_read_in_a_box_and_measured_better_than_an_outline(spin: float) -> None:
    size = (1836, 2448)
    view = camera(tilt=12, about=70, spin=spin, mm_per_px=2.2, size=size)
    photo = Photo("tall plant", photograph(view, size=size, blur=0.7), "", focal_eq_mm=26.0)
    assert find_card(photo, searches=EASY) is None
    scale = find_card(photo, searches=(), where=[about(view)])
    assert scale is not None
    assert scale.markers_found >= 3
    assert np.abs(scale.corners_px - view.project(CARD)).max() < 0.5
    assert scale.relative_error < 0.007


def test_a_box_is_in_px_of_the_whole_photo_whatever_was_decoded() -> None:
    size = (1200, 1600)
    view = camera(tilt=15, about=90, mm_per_px=0.8, size=size)
    rgb = photograph(view, size=size)
    half = cv2.resize(rgb, (size[0] // 2, size[1] // 2), interpolation=cv2.INTER_AREA)
    photo = Photo("half", half, "", focal_eq_mm=26.0, step=2)
    scale = find_card(photo, searches=(), where=[about(view)])
    assert scale is not None
    assert np.abs(scale.corners_px - view.project(CARD)).max() < 0.6


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_sheet_without_the_cards_pattern_is_no_card(mirrored: bool) -> None:
    face = card_face()[:, ::-1] if mirrored else np.full_like(card_face(), 0.8)
    view = camera(tilt=10, mm_per_px=1.5)
    rgb = photograph(view, face=np.ascontiguousarray(face))
    assert find_card(Photo("sheet", rgb, ""), where=[about(view)]) is None


@pytest.mark.parametrize("box", [(0, 0, 4, 4), (530, 700, 540, 720), (-50, -50, 700, 900)])
def test_a_box_with_no_card_in_it_gives_none(box: tuple[float, float, float, float]) -> None:
    flat = np.full((720, 540, 3), 120, np.uint8)
    assert find_card(Photo("bare", flat, ""), where=[box]) is None


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-300, 300), min_size=8, max_size=8), st.integers(0, 3))
def test_corners_that_no_camera_explains_end_the_fit_and_nothing_else(
    moved: list[float], turned: int
) -> None:
    view = camera(tilt=30, about=70, mm_per_px=1.0)
    corners = np.roll(view.project(CARD), turned, axis=0) + np.array(moved).reshape(4, 2)
    fitted, away_px = fit_points(view, view, CARD, corners)
    assert np.isfinite(fitted.focal_px)
    assert fitted.focal_px > 0
    assert away_px >= 0  # however far off; not a number is no distance
