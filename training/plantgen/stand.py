"""A whole scene: one plant at a board, its card, light and camera, and what it's called.

World: mm, x right, y into the board, z up; the stalk meets the soil at the origin. When the
plant is laid on the board the board lies on the ground, so "up" is towards the camera (-y).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from . import surroundings as around
from .botany import MAX_COLLARS, Plant, grow
from .camera import Camera, aim, focal_px_of
from .cardface import CARD_MM, card_face
from .mesh import Mesh, anchors, ball, join, sheet, speck, tube
from .shape import PlantShape, build, laid_flat, windblown
from .textures import BOARD_KINDS, blade_atlas, board, ground, stalk_atlas

LIGHTINGS = ("overcast", "shade", "sun", "hazy_sun", "low_sun", "back_light", "indoor")
REASONS = ("ok", "no_plant", "several", "cut_off", "not_maize")


@dataclass(frozen=True)
class Wish:
    """What to make; everything left None is drawn at random."""

    stage_v: int | None = None
    layout: str | None = None
    reason: str = "ok"
    hard_case: str | None = None
    lighting: str | None = None
    board_kind: str | None = None
    card: bool | None = None
    lost: int | None = None
    lower_status: str | None = None
    width_px: int = 960
    height_px: int = 1280


@dataclass(frozen=True)
class Stand:
    """Everything a renderer and the truth need."""

    wish: Wish
    meshes: dict[str, Mesh]
    textures: dict[str, np.ndarray]
    camera: Camera
    up: np.ndarray
    sky_gain: float
    sun_direction: np.ndarray  # towards the sun
    sun_colour: np.ndarray  # irradiance, zero under cloud
    gloss: dict[str, float]
    shapes: tuple[PlantShape, ...]  # the plant to stage first; more where reason is "several"
    card_corners_mm: np.ndarray | None  # (4, 3) world, TL TR BR BL
    label: dict[str, object] = field(default_factory=dict)


def _turn(angle: float, axis: str) -> np.ndarray:
    c, s = math.cos(angle), math.sin(angle)
    return {
        "x": np.array([[1, 0, 0], [0, c, -s], [0, s, c]]),
        "y": np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]]),
        "z": np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]),
    }[axis]


def _plant(rng: np.random.Generator, wish: Wish, laid: bool) -> Plant:
    stage = wish.stage_v
    if stage is None:
        weights = np.array([0.055, 0.09, 0.11, 0.125, 0.125, 0.125, 0.115, 0.09, 0.075, 0.05, 0.04])
        stage = int(rng.choice(MAX_COLLARS + 1, p=weights / weights.sum()))
    hard = wish.hard_case
    if hard is None:
        hard = str(rng.choice(["none", "just_cleared", "about_to_clear"], p=[0.66, 0.17, 0.17]))
    if hard == "just_cleared" and stage < 2 or hard == "about_to_clear" and stage < 1:
        hard = "none"
    lost = wish.lost
    if lost is None:
        chance = {0: 0, 1: 0, 2: 0.03, 3: 0.06, 4: 0.1, 5: 0.2, 6: 0.28}.get(stage, 0.34)
        lost = 0
        if rng.random() < chance:
            lost = (
                1
                if stage < 6 or rng.random() < 0.68
                else 2
                if stage < 8 or rng.random() < 0.7
                else 3
            )
    status = wish.lower_status
    if status is None:
        draw = rng.random()
        worn = 0.12 if stage >= 3 else 0.03
        status = "withered" if draw < worn else "torn" if draw < 1.5 * worn else "ok"
    from dataclasses import replace

    plant = grow(rng, stage, hard_case=hard, laid=laid, lost=lost, lower_status=status)
    facing = rng.normal(0, 0.33) if rng.random() < 0.8 else rng.uniform(-1.5, 1.5)
    return replace(plant, leaf_plane_rad=float(facing * (0.5 if laid else 1.0)))


def _stop_at_board(shape: PlantShape, board_y: float) -> PlantShape:
    """Leaves that reach the board lie against it instead of passing through."""

    def press(p: np.ndarray) -> np.ndarray:
        q = p.copy()
        limit = board_y - 2.5
        over = q[:, 1] - limit
        q[:, 1] = np.where(over > 0, limit + 2.0 * np.tanh(over / 40.0), q[:, 1])
        return q

    return shape.through(press)


def compose(rng: np.random.Generator, wish: Wish) -> Stand:
    """Draw a scene. The generator's state decides everything that the wish leaves open."""
    laid = (wish.layout or ("laid" if rng.random() < 0.22 else "standing")) == "laid"
    up = np.array([0.0, -1.0, 0.0]) if laid else np.array([0.0, 0.0, 1.0])
    lighting = wish.lighting or str(rng.choice(LIGHTINGS, p=[0.26, 0.16, 0.2, 0.1, 0.1, 0.08, 0.1]))
    plant = _plant(rng, wish, laid)
    below = 22.0 if laid else 14.0
    shape = build(plant, rng, below_mm=below)
    top = float(max(shape.blades.vertices[:, 2].max(), 30.0))
    lean = 0.0
    if laid:
        shape = laid_flat(shape, rng)
        board_y = 0.0
        lean = rng.normal(0, 0.35) if rng.random() < 0.85 else rng.uniform(-1.6, 1.6)
        swing = _turn(float(lean), "y")
        shape = shape.through(lambda p: p @ swing.T)
    else:
        board_y = float(rng.uniform(3, 75)) + plant.base_radius_mm
        if rng.random() < 0.3:
            shape = windblown(shape, rng, float(rng.uniform(0, 0.12)))
        shape = _stop_at_board(shape, board_y)
    shapes = [shape]
    if wish.reason == "several":
        shapes += _companions(rng, laid, top, board_y)

    meshes: dict[str, Mesh] = {name: speck() for name in ("blades", "stalk", "others", "clutter")}
    if wish.reason in ("ok", "several", "cut_off"):
        meshes["blades"] = join([s.blades for s in shapes])
        meshes["stalk"] = join([s.stalk for s in shapes])
    extent = np.concatenate(
        [s.blades.vertices for s in shapes] + [s.stalk.vertices for s in shapes]
    )
    low, high = np.percentile(extent, 0.5, axis=0), np.percentile(extent, 99.5, axis=0)
    if wish.reason in ("no_plant", "not_maize"):
        size = rng.uniform(60, 350)
        low, high = np.array([-size / 2, -20, 0]), np.array([size / 2, 20, size])
    reach = float(max(300.0, 1.6 * max(high[2] - low[2], high[0] - low[0])))

    plain = BOARD_KINDS[: 5 if rng.random() < 0.6 else len(BOARD_KINDS)]
    kind = wish.board_kind or str(rng.choice(plain))
    board_mesh, board_frame = _board(rng, laid, board_y, low, high, float(lean))
    meshes["board"] = board_mesh
    meshes["soil"], clutter = _ground(rng, laid, board_y, reach, plant, low, high)
    more, crumbs = _clutter(rng, wish, laid, board_y, low, high, float(lean), below, plant)
    clutter += more
    meshes["soil"] = join([meshes["soil"], *crumbs, anchors()])
    meshes["clutter"] = join(clutter) if clutter else speck()
    if not laid and wish.reason != "no_plant" and rng.random() < 0.35:
        meshes["others"] = _background_plants(rng, board_y, reach)

    has_card = wish.card if wish.card is not None else rng.random() < 0.75
    corners = None
    meshes["card"] = speck()
    if has_card:
        meshes["card"], corners = _card(rng, board_frame, low, high)

    frame_low, frame_high = low, high
    if corners is not None and wish.reason != "cut_off" and rng.random() < 0.85:
        frame_low = np.minimum(low, corners.min(0))
        frame_high = np.maximum(high, corners.max(0))
    camera = _camera(rng, wish, laid, frame_low, frame_high)
    sun, sun_colour, gain = _light(rng, lighting, up, laid)
    meshes["shade"] = _shade(rng, camera, sun, sun_colour, (low + high) / 2, reach)
    colours = np.random.default_rng(plant.colour_seed)
    textures = {
        "blades": blade_atlas(plant, colours),
        "stalk": stalk_atlas(plant, colours, below / (below + 40.0)),
        "board": board(rng, kind),
        "soil": ground(rng),
        "card": card_face(rng),
        "clutter": around.palette(rng),
        "sky": around.sky(rng, lighting),
    }
    gloss = {
        "blade_roughness": float(rng.uniform(0.28, 0.65)),
        "blade_through": float(rng.uniform(0.35, 1.1)),
        "board_roughness": float(rng.uniform(0.15, 0.8)),
        "board_specular": float(rng.uniform(0.0, 0.6)),
    }
    label = {
        "layout": "laid" if laid else "standing",
        "lighting": lighting,
        "board_colour": kind,
        "plant_to_board_mm": board_y,
        "up": up.tolist(),
        "stalk_turn_rad": float(lean),
    }
    return Stand(
        wish, meshes, textures, camera, up, gain, sun, sun_colour, gloss,
        tuple(shapes) if wish.reason in ("ok", "several", "cut_off") else (),
        corners, label,
    )  # fmt: skip


def _companions(rng, laid, top, board_y) -> list[PlantShape]:  # noqa: ANN001
    out = []
    for side in (-1, 1)[: int(rng.integers(1, 3))]:
        plant = grow(rng, int(rng.integers(1, 8)), laid=laid)
        shape = build(plant, rng)
        shape = laid_flat(shape, rng) if laid else shape
        shift = np.array(
            [side * rng.uniform(0.35, 1.1) * max(top, 90.0), rng.normal(0, 15) * (not laid), 0.0]
        )
        shape = shape.through(lambda p, shift=shift: p + shift)
        out.append(shape if laid else _stop_at_board(shape, board_y))
    return out


def _board(rng, laid, board_y, low, high, lean):  # noqa: ANN001, ANN202
    """The board and its frame: a function from board (x, z) mm to world points."""
    width = (high[0] - low[0]) * rng.uniform(1.2, 3.2) + 160
    height = (high[2] - min(low[2], 0)) * rng.uniform(1.1, 2.4) + 120
    if rng.random() < 0.85:  # room for the card as well
        width, height = max(width, rng.uniform(420, 800)), max(height, rng.uniform(330, 700))
    if rng.random() < 0.15:
        width, height = width * 4, height * 4  # a wall or a cloth that fills the frame
    middle = (low[0] + high[0]) / 2 + rng.normal(0, 0.06) * width
    tilt = rng.normal(0, 0.03) if not laid else rng.normal(0, 0.01)
    roll = (
        rng.normal(0, 0.025)
        if not laid
        else rng.normal(0, 0.15) + (lean if rng.random() < 0.4 else 0)
    )
    turn = _turn(float(roll), "y") @ _turn(float(tilt), "x")
    centre_z = (low[2] + high[2]) / 2 if laid else -30 + height / 2
    pivot = np.array([middle, board_y, centre_z if laid else 0.0])

    def frame(x: np.ndarray, z: np.ndarray, off: float = 0.0) -> np.ndarray:
        flat = np.stack([x - middle, np.full_like(x, -off), z - pivot[2]], -1)
        return flat @ turn.T + pivot

    gx, gz = np.meshgrid(
        np.linspace(middle - width / 2, middle + width / 2, 12),
        np.linspace(centre_z - height / 2, centre_z + height / 2, 12),
    )
    points = frame(gx.ravel(), gz.ravel()).reshape(12, 12, 3)
    if not laid:  # never in front of the plant
        points[..., 1] = np.maximum(points[..., 1], board_y - 1.0)
    return sheet(points, (0, 0, 1, 1), 0), frame


def _ground(rng, laid, board_y, reach, plant, low, high):  # noqa: ANN001, ANN202
    if not laid:
        soil, grid = around.soil_patch(
            rng, reach, board_y + 0.6 * reach, 3 * plant.base_radius_mm + 18
        )
        far = sheet(
            np.array([[(-9e3, -9e3, -6), (9e3, -9e3, -6)], [(-9e3, 9e3, -6), (9e3, 9e3, -6)]], float),
            (0, 0, 40, 40), 3,
        )  # fmt: skip
        return join([soil, far]), around.residue(rng, grid, reach)
    soil, _ = around.soil_patch(rng, 2.2 * reach, 3.2 * reach, 1.0)
    flat = soil.vertices
    sunk = rng.uniform(6, 40)
    points = np.stack([flat[:, 0], np.maximum(sunk - flat[:, 2], 5.0), flat[:, 1]], 1)
    points += np.array([(low[0] + high[0]) / 2, 0, (low[2] + high[2]) / 2])
    wide = np.array([[(-9e3, 45, -9e3), (9e3, 45, -9e3)], [(-9e3, 45, 9e3), (9e3, 45, 9e3)]])
    return join([soil.moved(points), sheet(wide, (0, 0, 40, 40), 3)]), []


def _clutter(rng, wish, laid, board_y, low, high, lean, below, plant):  # noqa: ANN001, ANN202
    parts: list[Mesh] = []
    crumbs: list[Mesh] = []
    span = max(high[2] - low[2], 60.0)
    if laid:
        swing = _turn(lean, "y")
        for _ in range(int(rng.integers(0, 16))):  # crumbs
            at = np.array([rng.normal(0, 0.25) * span, -1.0, -below + rng.normal(0, 0.12) * span])
            crumb = ball(at @ swing.T, rng.lognormal(0.6, 0.6) * rng.uniform(0.6, 1.2, 3), 0, rng)
            parts.append(around.painted(crumb, rng, 2, 0))
        if wish.reason not in ("no_plant", "not_maize"):
            for _ in range(int(rng.integers(0, 18))):  # roots
                s = np.linspace(0, 1, 12)[:, None]
                way = np.array([rng.normal(0, 0.7), 0.0, -1.0])
                wave = np.stack([np.cumsum(rng.normal(0, 0.7, 12)), np.zeros(12), np.zeros(12)], 1)
                line = np.array([0, -2.0, -below]) + s * way * rng.uniform(15, 90) + wave
                line[:, 1] = -rng.uniform(0.4, 4.0)
                radius = np.linspace(1.0, 0.3, 12) * rng.uniform(0.4, 1.3)
                across = np.stack([radius, 0 * radius, 0.3 * radius], 1)
                strip = sheet(np.stack([line - across, line + across], 1), (0, 0, 1, 1), 0)
                parts.append(around.painted(strip.moved(strip.vertices @ swing.T), rng, 0, 0))
            if rng.random() < 0.5:
                lump = ball(
                    np.array([0, -5.0, -below - 8]) @ swing.T,
                    plant.base_radius_mm * rng.uniform(1.2, 4, 3),
                    0,
                    rng,
                )
                parts.append(around.painted(lump, rng, 2, 0))
    else:
        if rng.random() < 0.22:
            for _ in range(int(rng.integers(1, 6))):
                x = rng.choice([-1, 1]) * rng.uniform(0.25, 1.4) * span
                weed = (around.broadleaf if rng.random() < 0.5 else around.grass)(
                    rng, rng.uniform(6, 60)
                )
                parts.append(
                    weed.moved(weed.vertices + np.array([x, rng.uniform(-150, board_y - 5), 0]))
                )
        for _ in range(int(rng.integers(0, 14))):  # crumbs against the stalk
            turn, away = rng.uniform(0, 2 * math.pi), plant.base_radius_mm * rng.uniform(0.9, 2.6)
            at = np.array([away * math.cos(turn), away * math.sin(turn), rng.uniform(-2.0, 1.0)])
            size = rng.lognormal(0.8, 0.5) * rng.uniform(0.6, 1.2, 3)
            crumbs.append(ball(at, size, 3, rng))
        if rng.random() < 0.07:  # a pot, the soil inside it
            radius = rng.uniform(28, 75) + plant.base_radius_mm
            wall = tube(
                np.array([[0, 0, z] for z in (-90.0, 4.0, 5.0, -3.0)]),
                radius * np.array([0.8, 1, 0.93, 0.92]),
                (0, 0, 1, 1),
                0,
                sides=32,
            )
            parts.append(around.painted(wall, rng, int(rng.integers(4, 8)), 0))
    if wish.reason == "not_maize":
        size = rng.uniform(60, 320)
        weed = (around.broadleaf if rng.random() < 0.75 else around.grass)(rng, size)
        at = np.array([rng.normal(0, 10), -0.15 * size if laid else 0.0, 0.0])
        parts.append(weed.moved(weed.vertices * (np.array([1, 0.2, 1]) if laid else 1) + at))
    if rng.random() < 0.1:
        side = rng.choice([-1, 1])
        at = np.array(
            [
                side * (high[0] - low[0] + 90) * rng.uniform(0.6, 1.1),
                board_y - 22,
                rng.uniform(0.1, 1.0) * high[2],
            ]
        )
        parts.append(
            around.hand(rng, at, np.array([-side, 0.0, rng.normal(0, 0.3)]), rng.uniform(0.8, 1.2))
        )
    if rng.random() < 0.1:
        x = rng.choice([-1, 1]) * (high[0] - low[0]) * rng.uniform(0.45, 1.0) + rng.normal(0, 10)
        parts.append(around.stake(rng, x, board_y - 1, rng.uniform(0.5, 1.8) * span))
    return parts, crumbs


def _background_plants(rng, board_y, reach) -> Mesh:  # noqa: ANN001
    parts = []
    for _ in range(int(rng.integers(1, 6))):
        x = rng.choice([-1, 1]) * rng.uniform(0.3, 3.0) * reach
        at = np.array([x, board_y + rng.uniform(60, 2500), 0.0])
        parts += around.neighbour(rng, int(rng.integers(2, 9)), at)
    return join(parts)


def _card(rng, frame, low, high):  # noqa: ANN001, ANN202
    crooked = rng.normal(0, 0.07) if rng.random() < 0.93 else rng.uniform(-math.pi, math.pi)
    side = rng.choice([-1, 1])
    reach_x = (high[0] - low[0]) / 2
    x = (low[0] + high[0]) / 2 + side * (rng.uniform(0.2, 1.0) * reach_x + 90)
    z = rng.uniform(min(low[2], 0) + 112, max(0.9 * high[2], 150))
    c, s = math.cos(crooked), math.sin(crooked)
    w, h = CARD_MM
    local = np.array([[-w / 2, h / 2], [w / 2, h / 2], [w / 2, -h / 2], [-w / 2, -h / 2]])
    grid = np.stack(
        [np.linspace(local[0], local[3], 4), np.linspace(local[1], local[2], 4)], 1
    )  # rows from the top down
    flat = grid.reshape(-1, 2) @ np.array([[c, s], [-s, c]])
    lifted = frame(x + flat[:, 0], z + flat[:, 1], off=0.8).reshape(4, 2, 3)
    mesh = sheet(lifted, (0, 0, 1, 1), 4)
    corner = local @ np.array([[c, s], [-s, c]])
    return mesh, frame(x + corner[:, 0], z + corner[:, 1], off=0.8)


def _camera(rng, wish, laid, low, high) -> Camera:  # noqa: ANN001
    width, height = wish.width_px, wish.height_px
    if rng.random() < 0.12:
        width, height = height, width
    focal = focal_px_of(
        float(rng.uniform(23, 30) if rng.random() < 0.9 else rng.uniform(30, 60)), width, height
    )
    middle = (low + high) / 2
    size_x, size_z = high[0] - low[0], high[2] - min(low[2], 0)
    fill = rng.uniform(0.6, 0.95) if rng.random() < 0.82 else rng.uniform(0.25, 0.6)
    if wish.reason == "cut_off":
        fill = rng.uniform(1.2, 1.9)
    distance = focal * max(size_x / width, 1.15 * size_z / height) / fill
    distance = max(distance, 230.0) + max(0.0, (high[1] - low[1]) * 0.3)
    if laid:
        pitch, swing = rng.normal(0, 0.13), rng.normal(0, 0.13)
        roll = rng.normal(0, 0.12)
    else:
        pitch = rng.triangular(-0.04, 0.22, 0.75)
        swing = rng.normal(0, 0.13) if rng.random() < 0.9 else rng.uniform(-0.6, 0.6)
        roll = rng.normal(0, 0.06)
    if rng.random() < 0.03:
        roll += rng.choice([-1, 1]) * rng.uniform(0.2, 0.6)
    offset = distance * np.array(
        [math.sin(swing) * math.cos(pitch), -math.cos(swing) * math.cos(pitch), math.sin(pitch)]
    )
    free = max(0.03, 0.5 * (1 - fill))
    aside = (
        distance
        / focal
        * np.array(
            [rng.uniform(-free, free) * width * 0.8, 0.0, rng.uniform(-free, free) * height * 0.8]
        )
    )
    if wish.reason == "cut_off":
        aside = (
            distance
            / focal
            * np.array([rng.normal(0, 0.2) * width, 0, rng.uniform(-0.55, 0.3) * height])
        )
    target = middle + aside
    axes = aim(target + offset, target, np.array([0.0, 0.0, 1.0]), float(roll))
    return Camera(target + offset, axes, focal, width, height)


def _light(rng, lighting, up, laid):  # noqa: ANN001, ANN202
    height = {"low_sun": (0.08, 0.35), "back_light": (0.25, 0.9)}.get(lighting, (0.35, 1.35))
    rise = rng.uniform(*height)
    around_rad = rng.uniform(0, 2 * math.pi)
    if lighting == "back_light":
        around_rad = rng.uniform(0.25, 0.75) * math.pi  # behind the board
    flat = np.array([math.cos(around_rad), math.sin(around_rad)]) * math.cos(rise)
    direction = np.array([flat[0], flat[1], math.sin(rise)])
    if laid:
        direction = np.array([flat[0], -math.sin(rise), flat[1]])
    strength = {
        "sun": rng.uniform(3, 9), "hazy_sun": rng.uniform(1, 3.5), "low_sun": rng.uniform(2.5, 8),
        "back_light": rng.uniform(2.5, 8), "indoor": rng.choice([0.0, rng.uniform(0.5, 3)]),
    }.get(lighting, 0.0)  # fmt: skip
    warm = rng.uniform(0, 0.5 if lighting == "low_sun" else 0.2)
    tint = np.array([1.0 + 0.5 * warm, 1.0, 1.0 - 0.8 * warm])
    return direction, strength * tint, float(rng.uniform(0.7, 1.2))


def _shade(rng, camera, sun, sun_colour, centre, reach) -> Mesh:  # noqa: ANN001
    """A shadow's cause, kept only when the camera can't see it."""
    if sun_colour.max() <= 0 or rng.random() > 0.5:
        return speck()
    at = centre + sun * rng.uniform(500, 2200) + rng.normal(0, 0.5, 3) * reach
    mesh = around.shade_maker(rng, at, reach * rng.uniform(0.2, 0.7))
    pixels, depth = camera.project(mesh.vertices)
    inside = (depth > 0) & (np.abs(pixels - [camera.width_px / 2, camera.height_px / 2]) < [
        camera.width_px * 0.6, camera.height_px * 0.6]).all(1)  # fmt: skip
    return speck() if inside.any() else mesh
