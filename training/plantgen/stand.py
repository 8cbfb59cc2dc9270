"""A whole scene: one plant at a board, its card, light and camera, and what it's called.

World: mm, x right, y into the board, z up; the stalk meets the soil at the origin. When the
plant is laid on the board the board lies on the ground, so "up" is towards the camera (-y).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from . import litter, setting, surroundings
from .boardface import BoardFace, draw_face
from .botany import MAX_COLLARS, grow
from .camera import Camera
from .cardface import card_face
from .mesh import Mesh, anchors, join, speck, turn_about
from .plantparts import Plant
from .shape import PlantShape, build, laid_flat, windblown
from .textures import BOARD_KINDS, blade_atlas, board, ground, stalk_atlas
from .wish import LIGHTINGS, WITH_MAIZE, Grown, Site, Wish

STAGE_WEIGHTS = (0.11, 0.105, 0.095, 0.095, 0.095, 0.095, 0.10, 0.09, 0.085, 0.07, 0.06)
"""How often VE, V1, ... V10 are drawn: most where photos are most often asked about."""

OTHER_SIDE_SPREAD_RAD = 0.35
"""Standard deviation of the turn to a plant's other side about 180 degrees [M]."""


@dataclass(frozen=True)
class Stand:
    """Everything a renderer and the truth need.

    Attributes
    ----------
    wish : Wish
    meshes : dict of str to Mesh
        Always the same names (blades, stalk, others, clutter, board, soil, card, shade), so that
        every scene has one structure; what's absent is a speck out of sight.
    textures : dict of str to ndarray, (H, W, 3) float32
        Linear reflectance in 0..1; "sky" is radiance.
    camera : Camera
    up : ndarray, (3,)
    sky_gain : float
    sun_direction : ndarray, (3,)
        Unit vector towards the sun.
    sun_colour : ndarray, (3,)
        Irradiance, zero under cloud.
    gloss : dict of str to float
        Surface parameters of the blades and the board.
    shapes : tuple of PlantShape
        The plant to stage first; more where the reason is "several"; none without a plant.
    card_corners_mm : ndarray, (4, 3), or None
        World, top left, top right, bottom right, bottom left.
    grown : Grown
        The plant to stage, to be shown again.
    label : dict
        What goes into the truth line as it is.
    """

    wish: Wish
    meshes: dict[str, Mesh]
    textures: dict[str, np.ndarray]
    camera: Camera
    up: np.ndarray
    sky_gain: float
    sun_direction: np.ndarray
    sun_colour: np.ndarray
    gloss: dict[str, float]
    shapes: tuple[PlantShape, ...]
    card_corners_mm: np.ndarray | None
    grown: Grown
    label: dict[str, object] = field(default_factory=dict)


def _lost_leaves(rng: np.random.Generator, stage_v: int) -> int:
    """Lower leaves lost: normal from V5 on (Mississippi State Univ. 2024), by damage before.

    More often than in a field on small plants, less often on tall ones, so that a network learns to
    look for leaf 1 at every size.
    """
    chance = {0: 0, 1: 0, 2: 0.12, 3: 0.2, 4: 0.25}.get(stage_v, 0.32)
    if rng.random() >= chance:
        return 0
    if stage_v < 4 or rng.random() < 0.66:
        return 1
    return 2 if stage_v < 7 or rng.random() < 0.7 else 3


def _plant(rng: np.random.Generator, wish: Wish, laid: bool) -> Plant:
    stage = wish.stage_v
    if stage is None:
        weights = np.array(STAGE_WEIGHTS)
        stage = int(rng.choice(MAX_COLLARS + 1, p=weights / weights.sum()))
    hard = wish.hard_case
    if hard is None:
        hard = str(rng.choice(["none", "just_cleared", "about_to_clear"], p=[0.6, 0.22, 0.18]))
    if (hard == "just_cleared" and stage < 2) or (hard == "about_to_clear" and stage < 1):
        hard = "none"
    lost = _lost_leaves(rng, stage) if wish.lost is None else wish.lost
    status = wish.lower_status
    if status is None:
        draw = rng.random()
        worn = 0.22 if stage >= 3 else 0.07
        status = "withered" if draw < worn else "torn" if draw < 1.5 * worn else "ok"
    plant = grow(rng, stage, hard_case=hard, laid=laid, lost=lost, lower_status=status)
    facing = rng.normal(0, 0.33) if rng.random() < 0.8 else rng.uniform(-1.5, 1.5)
    return replace(plant, leaf_plane_rad=float(facing * (0.5 if laid else 1.0)))


def _tillers(rng: np.random.Generator, plant: Plant, face: BoardFace) -> list[PlantShape]:
    """Side shoots out of the stalk's foot, smaller and leaning; none of their collars count."""

    def leaning(turn: np.ndarray, size: float) -> Callable[[np.ndarray], np.ndarray]:
        return lambda points: face.held_off(size * points @ turn.T)

    shoots = []
    for _ in range(plant.tillers):
        shape = build(grow(rng, int(rng.integers(0, 3))), rng)
        lean = turn_about("y", float(rng.choice([-1, 1]) * rng.uniform(0.35, 0.9)))
        turn = turn_about("z", float(rng.normal(0, 0.5))) @ lean
        shoots.append(shape.through(leaning(turn, float(rng.uniform(0.5, 0.9)))))
    return shoots


def _companions(
    rng: np.random.Generator, laid: bool, top_mm: float, face: BoardFace
) -> list[PlantShape]:
    """One or two further plants beside the first, which make the photo one of several."""
    out = []
    for side in (-1, 1)[: int(rng.integers(1, 3))]:
        plant = grow(rng, int(rng.integers(1, 8)), laid=laid)
        shape = build(plant, rng)
        shape = laid_flat(shape, rng) if laid else shape
        aside = side * rng.uniform(0.35, 1.1) * max(top_mm, 90.0)
        shift = np.array([aside, rng.normal(0, 15) * (not laid), 0.0])
        shape = shape.through(partial(np.add, shift))
        out.append(shape if laid else shape.through(face.held_off))
    return out


def _site(
    rng: np.random.Generator,
    wish: Wish,
    laid: bool,
    shapes: list[PlantShape],
    face: BoardFace,
    lean_rad: float,
) -> Site:
    meshes = [s.blades.vertices for s in shapes] + [s.stalk.vertices for s in shapes]
    extent = np.concatenate(meshes)
    low, high = np.percentile(extent, 0.5, axis=0), np.percentile(extent, 99.5, axis=0)
    if wish.reason not in WITH_MAIZE:
        size = rng.uniform(60, 350)
        low, high = np.array([-size / 2, -20, 0]), np.array([size / 2, 20, size])
    reach = float(max(300.0, 1.6 * max(high[2] - low[2], high[0] - low[0])))
    return Site(laid, face, low, high, lean_rad, reach)


def compose(rng: np.random.Generator, wish: Wish) -> Stand:
    """Draw a scene.

    The order of the draws is part of the result: a seed is a scene. The generator's state decides
    everything that the wish leaves open.

    Parameters
    ----------
    rng : numpy.random.Generator
    wish : Wish

    Returns
    -------
    Stand
    """
    laid = (wish.layout or ("laid" if rng.random() < 0.22 else "standing")) == "laid"
    up = np.array([0.0, -1.0, 0.0]) if laid else np.array([0.0, 0.0, 1.0])
    lighting = wish.lighting or str(rng.choice(LIGHTINGS, p=[0.26, 0.16, 0.2, 0.1, 0.1, 0.08, 0.1]))
    grown = wish.grown or Grown(_plant(rng, wish, laid), rng.bit_generator.state)
    plant = grown.plant
    below = 22.0 if laid else 14.0
    shape = build(plant, rng if wish.grown is None else grown.generator(), below_mm=below)
    top = float(max(shape.blades.vertices[:, 2].max(), 30.0))
    lean = 0.0
    if laid:
        shape = laid_flat(shape, rng)
        board_y = 0.0
        lean = float(rng.normal(0, 0.35) if rng.random() < 0.85 else rng.uniform(-1.6, 1.6))
        swing = turn_about("y", lean)
        shape = shape.through(lambda p: p @ swing.T)
    else:
        board_y = float(rng.uniform(3, 75)) + plant.base_radius_mm
        if rng.random() < 0.3:
            shape = windblown(shape, rng, float(rng.uniform(0, 0.12)))
    face = draw_face(rng, laid=laid, board_y_mm=board_y, lean_rad=lean, top_mm=top)
    if not laid:
        shape = shape.through(face.held_off)
    shapes = [shape]
    if wish.reason == "several":
        shapes += _companions(rng, laid, top, face)

    meshes: dict[str, Mesh] = {
        name: speck() for name in ("blades", "stalk", "others", "clutter", "board", "soil", "card")
    }
    if wish.reason in WITH_MAIZE:
        shoots = [] if laid else _tillers(rng, plant, face)
        meshes["blades"] = join([s.blades for s in shapes] + [s.blades.unowned() for s in shoots])
        meshes["stalk"] = join([s.stalk for s in shapes] + [s.stalk.unowned() for s in shoots])
    site = _site(rng, wish, laid, shapes, face, lean)

    plain = BOARD_KINDS[: 5 if rng.random() < 0.6 else len(BOARD_KINDS)]
    kind = wish.board_kind or str(rng.choice(plain))
    meshes["board"], board_frame = setting.place_board(rng, site)
    soil, residue = litter.lay_ground(rng, site, plant)
    things, crumbs = litter.scatter(rng, wish, site, plant, below)
    meshes["soil"] = join([soil, *crumbs, anchors()])
    meshes["clutter"] = join(residue + things)
    if not laid and wish.reason != "no_plant" and rng.random() < 0.35:
        meshes["others"] = litter.plants_behind(rng, site)

    corners = None
    if wish.card if wish.card is not None else rng.random() < 0.75:
        meshes["card"], corners = setting.place_card(rng, board_frame, site)
    low, high = site.low, site.high
    if corners is not None and wish.reason != "cut_off" and rng.random() < 0.85:
        low, high = np.minimum(low, corners.min(0)), np.maximum(high, corners.max(0))
    camera = setting.place_camera(rng, wish, laid, low, high)
    sun, sun_colour, gain = setting.draw_light(rng, lighting, laid)
    meshes["shade"] = setting.place_shade(rng, camera, sun, sun_colour, site)
    colours = np.random.default_rng(plant.colour_seed)
    textures = {
        "blades": blade_atlas(plant, colours),
        "stalk": stalk_atlas(plant, colours, below / (below + 40.0)),
        "board": board(rng, kind),
        "soil": ground(rng),
        "card": card_face(rng),
        "clutter": surroundings.palette(rng),
        "sky": surroundings.sky(rng, lighting),
    }
    gloss = {
        "blade_roughness": float(rng.uniform(0.28, 0.65)),
        "blade_through": float(rng.uniform(0.35, 1.1)),
        "board_roughness": float(rng.uniform(0.15, 0.8)),
        "board_specular": float(rng.uniform(0.0, 0.6)),
    }
    label: dict[str, object] = {
        "layout": "laid" if laid else "standing",
        "lighting": lighting,
        "board_colour": kind,
        "plant_to_board_mm": board_y,
        "up": up.tolist(),
        "stalk_turn_rad": lean,
    }
    return Stand(
        wish=wish,
        meshes=meshes,
        textures=textures,
        camera=camera,
        up=up,
        sky_gain=gain,
        sun_direction=sun,
        sun_colour=sun_colour,
        gloss=gloss,
        shapes=tuple(shapes) if wish.reason in WITH_MAIZE else (),
        card_corners_mm=corners,
        grown=grown,
        label=label,
    )


def from_other_side(rng: np.random.Generator, stand: Stand) -> Stand:
    """Draw the plant of a stand once more, as somebody who walks round it would take it.

    Plant, kind of light and board stay; camera, card, wind and the sun's place are drawn anew.
    Nobody turns by 180 degrees to the degree.
    """
    grown, label = stand.grown, stand.label
    turned = grown.plant.leaf_plane_rad + np.pi + float(rng.normal(0, OTHER_SIDE_SPREAD_RAD))
    wish = replace(
        stand.wish,
        layout=str(label["layout"]),
        lighting=str(label["lighting"]),
        board_kind=str(label["board_colour"]),
        card=stand.card_corners_mm is not None,
        grown=replace(grown, plant=replace(grown.plant, leaf_plane_rad=turned)),
    )
    return compose(rng, wish)
