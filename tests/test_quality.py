"""The quality room: each trouble alone, on a drawn plant, and none on a good photo.

Blur is checked against the Gaussian that was laid over the drawing: sigmas add in squares.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from collarvision.card import Scale
from collarvision.parts import Parts, Point
from collarvision.photo import Photo
from collarvision.quality import Finding, assess, edge_blur

BOARD, LEAF = (168, 160, 150), (62, 116, 48)
WIDTH, HEIGHT = 900, 1200
BASE = (450.0, 1040.0)


def drawing(
    scale: float = 1.0, shift: tuple[int, int] = (0, 0), size: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """A plant of one stalk and three blades; rgb (H, W, 3) and its mask with class ids."""
    fine = max(1, round(4 / scale))
    canvas = (int(WIDTH * scale * fine), int(HEIGHT * scale * fine))
    mask = np.zeros(canvas[::-1], np.uint8)

    def at(x: float, y: float) -> tuple[int, int]:
        x, y = (BASE[0] + (x - BASE[0]) * size, BASE[1] + (y - BASE[1]) * size)
        return int((x + shift[0]) * scale * fine), int((y + shift[1]) * scale * fine)

    def stroke(points: list[tuple[float, float]], width: float, value: int) -> None:
        line = np.array([at(*point) for point in points])
        cv2.polylines(mask, [line], False, value, max(1, int(width * size * scale * fine)))

    stroke([(450, 760), (330, 640), (230, 700)], 26, 1)
    stroke([(450, 700), (560, 560), (690, 600)], 30, 1)
    stroke([(450, 640), (450, 420)], 24, 1)
    stroke([(450, 640), (450, 1040)], 22, 2)
    share = (mask > 0).astype(np.float32)
    small = (int(WIDTH * scale), int(HEIGHT * scale))
    cover = cv2.resize(share, small, interpolation=cv2.INTER_AREA)[..., None]
    rgb = cover * np.array(LEAF) + (1 - cover) * np.array(BOARD)
    rgb += np.random.default_rng(1).normal(0, 1.5, rgb.shape)
    classes = cv2.resize(mask, small, interpolation=cv2.INTER_NEAREST)
    return np.clip(rgb, 0, 255).astype(np.uint8), classes


def parts_of(mask: np.ndarray, cells: int = 160, base: tuple[float, float] | None = BASE) -> Parts:
    """What a perfect network would say: a square crop around the whole photo, `cells` wide."""
    height, width = mask.shape
    pitch = max(height, width) / cells
    affine = np.array([[pitch, 0, pitch / 2], [0, pitch, pitch / 2]])
    grid = (np.arange(cells) + 0.5) * pitch
    classes = np.zeros((cells, cells), np.uint8)
    rows, columns = (grid < height).sum(), (grid < width).sum()
    classes[:rows, :columns] = mask[grid[:rows].astype(int)][:, grid[:columns].astype(int)]
    return Parts(
        classes=classes,
        photo_from_map=affine,
        collars=(),
        tips=(),
        base=None if base is None else Point(*base, 1.0),
        arch=None,
        collar_counts=np.full(13, 1 / 13),
        usability={"ok": 1.0},
        laid=0.0,
        first_leaf=1.0,
        lost_leaves=np.array([1.0, 0, 0, 0]),
        px_per_map_px=pitch,
    )


def seen_card(
    tilt_deg: float = 5.0, relative_error: float = 0.005, mm_per_px: float = 0.4
) -> Scale:
    return Scale(
        board_mm_from_px=np.diag([mm_per_px, mm_per_px, 1.0]),
        rotation=np.eye(3),
        translation_mm=np.array([0, 0, 500.0]),
        focal_px=900.0,
        focal_assumed=False,
        camera_center_px=(450.0, 600.0),
        corners_px=np.array([[0, 0], [370, 0], [370, 525], [0, 525]], float),
        markers_found=4,
        tilt_deg=tilt_deg,
        relative_error=relative_error,
    )


def findings(rgb: np.ndarray, parts: Parts, scale: Scale | None = None) -> dict[str, Finding]:
    told = assess(Photo("drawn", rgb, ""), parts, scale or seen_card())
    for finding in told:
        assert finding.sentence.endswith(".")
        assert ":" in finding.sentence, "what is wrong: what to do"
        assert finding.severity in ("stop", "warning", "note")
    return {finding.code: finding for finding in told}


def test_a_good_photo_has_no_findings() -> None:
    rgb, mask = drawing()
    assert findings(rgb, parts_of(mask)) == {}


# --------------------------------------------------------------------------- sharpness


@pytest.mark.parametrize("added", [0.0, 1.0, 2.0, 3.0, 4.0])
def test_blur_is_measured_as_it_was_added(added: float) -> None:
    rgb, mask = drawing()
    parts = parts_of(mask)
    plant = parts.classes > 0
    own = edge_blur(rgb, parts, plant)
    assert own is not None
    if added:
        rgb = cv2.GaussianBlur(rgb, (0, 0), added)
    in_photo, in_crop = edge_blur(rgb, parts, plant)
    assert in_photo == pytest.approx(np.hypot(own[0], added), abs=0.35)
    assert in_crop == pytest.approx(in_photo * 4 / parts.px_per_map_px)


@pytest.mark.parametrize("added", [0.0, 8.0])
def test_blur_is_measured_alike_on_a_photo_decoded_at_half_its_size(added: float) -> None:
    rgb, mask = drawing(3.0)
    rgb = cv2.GaussianBlur(rgb, (0, 0), added) if added else rgb
    parts = parts_of(mask)
    plant = parts.classes > 0
    height, width = (length // 2 for length in rgb.shape[:2])
    half = cv2.resize(rgb[: 2 * height, : 2 * width], (width, height), interpolation=cv2.INTER_AREA)
    assert edge_blur(half, parts, plant, step=2) == pytest.approx(
        edge_blur(rgb, parts, plant), rel=0.02
    )


@pytest.mark.parametrize(("scale", "sigma"), [(1.0, 5.0), (2.0, 10.0), (3.0, 15.0)])
def test_the_same_scene_is_judged_alike_at_every_resolution(scale: float, sigma: float) -> None:
    rgb, mask = drawing(scale)
    base = (BASE[0] * scale, BASE[1] * scale)
    parts = parts_of(mask, base=base)
    assert findings(rgb, parts, seen_card(mm_per_px=0.4 / scale)) == {}
    soft = cv2.GaussianBlur(rgb, (0, 0), sigma)
    found = findings(soft, parts, seen_card(mm_per_px=0.4 / scale))
    assert list(found) == ["blurred"]
    assert "focus" in found["blurred"].sentence


def test_blur_grows_from_nothing_to_a_warning_to_a_stop() -> None:
    rgb, mask = drawing()
    parts = parts_of(mask)
    order = []
    for sigma in (0.5, 3.0, 4.5, 7.0):
        finding = findings(cv2.GaussianBlur(rgb, (0, 0), sigma), parts).get("blurred")
        order.append(finding.severity if finding else None)
    assert order[0] is None
    assert order[-1] == "stop"
    grave = [(None, "warning", "stop").index(severity) for severity in order]
    assert grave == sorted(grave)
    assert "warning" in order


def test_a_sharp_board_does_not_excuse_a_soft_plant() -> None:
    rgb, mask = drawing()
    sharp_board = cv2.GaussianBlur(rgb, (0, 0), 7.0)
    sharp_board[::20, :100] = 0
    sharp_board[:, 20:100:20] = 0
    assert "blurred" in findings(sharp_board, parts_of(mask))


def test_an_enlarged_crop_of_a_sharp_photo_is_small_not_blurred() -> None:
    rgb, mask = drawing(size=0.2)
    found = findings(rgb, parts_of(mask, cells=800))
    assert list(found) == ["plant_small"]


# --------------------------------------------------------------------------- light


@pytest.mark.parametrize(("gain", "severity"), [(0.28, "warning"), (0.1, "stop")])
def test_a_dark_plant(gain: float, severity: str) -> None:
    rgb, mask = drawing()
    found = findings((rgb * gain).astype(np.uint8), parts_of(mask))
    assert found["dark"].severity == severity


def test_a_dark_board_behind_a_lit_plant_is_fine() -> None:
    rgb, mask = drawing()
    rgb[mask == 0] //= 10
    assert "dark" not in findings(rgb, parts_of(mask))


@pytest.mark.parametrize(("rows", "severity"), [(0.45, "warning"), (1.0, "stop")])
def test_a_plant_burnt_out_to_white(rows: float, severity: str) -> None:
    rgb, mask = drawing()
    burnt = (mask > 0) & (np.arange(HEIGHT) > HEIGHT * (1 - rows))[:, None]
    if severity == "warning":
        burnt &= (np.arange(HEIGHT) < 800)[:, None]
    rgb[burnt] = 255
    found = findings(rgb, parts_of(mask))
    assert found["overexposed"].severity == severity
    assert "%" in found["overexposed"].sentence


def test_a_white_board_is_not_a_burnt_plant() -> None:
    rgb, mask = drawing()
    rgb[mask == 0] = 255
    assert "overexposed" not in findings(rgb, parts_of(mask))


# --------------------------------------------------------------------------- frame and size


@pytest.mark.parametrize(
    ("shift", "side"),
    [((0, -430), "top"), ((-240, 0), "left"), ((260, 0), "right"), ((0, 200), "bottom")],
)
def test_a_plant_cut_by_the_frame(shift: tuple[int, int], side: str) -> None:
    rgb, mask = drawing(shift=shift)
    base = (BASE[0] + shift[0], min(BASE[1] + shift[1], HEIGHT - 2.0))
    found = findings(rgb, parts_of(mask, base=base))
    assert found["plant_cut"].severity == "stop"
    assert side in found["plant_cut"].sentence
    cut = found["plant_cut"].cut
    assert cut is not None
    assert cut.sides == (side,)
    rows, columns = np.nonzero(mask)
    ends = {"top": rows == rows.min(), "bottom": rows == rows.max()}
    ends |= {"left": columns == columns.min(), "right": columns == columns.max()}
    assert cut.highest_px == pytest.approx(rows[ends[side]].min(), abs=8)


@pytest.mark.parametrize(("suspected", "told"), [(0.02, False), (0.3, True)])
def test_a_loose_blade_at_the_edge_is_the_plants_where_the_network_suspects_a_cut(
    suspected: float, told: bool
) -> None:
    rgb, mask = drawing()
    mask[300:360, :40] = 1
    rgb[300:360, :40] = LEAF
    parts = replace(parts_of(mask), usability={"ok": 1 - suspected, "cut_off": suspected})
    assert ("plant_cut" in findings(rgb, parts)) is told


def test_a_second_stalk_in_the_soil_is_told() -> None:
    rgb, mask = drawing()
    parts = replace(parts_of(mask), other_bases=(Point(300.0, 1000.0, 0.6),))
    assert findings(rgb, parts)["several_plants"].severity == "stop"


def test_a_weed_at_the_edge_is_not_the_plant() -> None:
    rgb, mask = drawing()
    mask[1100:, :60] = 1
    rgb[1100:, :60] = LEAF
    assert findings(rgb, parts_of(mask)) == {}
    # Even a weed larger than the plant: the plant is what stands on the base.
    mask[:, 780:] = 1
    rgb[:, 780:] = LEAF
    assert findings(rgb, parts_of(mask)) == {}


@pytest.mark.parametrize(("size", "severity"), [(0.4, "warning"), (0.2, "stop")])
def test_a_plant_too_small_in_the_photo(size: float, severity: str) -> None:
    rgb, mask = drawing(size=size)
    found = findings(rgb, parts_of(mask, cells=400))
    assert found["plant_small"].severity == severity
    assert "closer" in found["plant_small"].sentence


def test_a_preview_is_told_from_a_distant_plant() -> None:
    rgb, mask = drawing(scale=0.25)
    found = findings(rgb, parts_of(mask, base=(BASE[0] / 4, BASE[1] / 4)))
    assert "original" in found["plant_small"].sentence


def test_too_few_px_per_mm_to_part_two_collars() -> None:
    rgb, mask = drawing()
    found = findings(rgb, parts_of(mask), seen_card(mm_per_px=2.0))
    assert found["plant_small"].severity == "warning"


# --------------------------------------------------------------------------- card


def test_what_the_card_tells() -> None:
    rgb, mask = drawing()
    parts = parts_of(mask)
    tilted = findings(rgb, parts, seen_card(tilt_deg=38.2))
    assert tilted["tilted"].severity == "warning"
    assert "38°" in tilted["tilted"].sentence
    assert findings(rgb, parts, seen_card(tilt_deg=29.0)) == {}
    unsure = findings(rgb, parts, seen_card(relative_error=0.06))
    assert unsure["scale_unsure"].severity == "note"
    assert "6 %" in unsure["scale_unsure"].sentence
    two = findings(rgb, parts, replace(seen_card(tilt_deg=38.2), another_seen=True))
    assert (list(two), two["two_cards"].severity) == (["two_cards"], "stop")
    assert "no height" in two["two_cards"].sentence
    (only,) = assess(Photo("drawn", rgb, ""), parts, None)
    assert (only.code, only.severity) == ("no_card", "note")
    assert "no height" in only.sentence


def test_without_a_plant_only_the_card_is_judged() -> None:
    rgb, mask = drawing()
    empty = parts_of(np.zeros_like(mask), base=None)
    assert findings(rgb, empty) == {}
    assert findings(np.zeros_like(rgb), replace(empty, px_per_map_px=1.0)) == {}


def test_the_gravest_finding_comes_first() -> None:
    rgb, mask = drawing(shift=(0, 200))
    told = assess(Photo("drawn", rgb, ""), parts_of(mask, base=None), seen_card(tilt_deg=50))
    assert [finding.severity for finding in told] == ["stop", "warning"]
