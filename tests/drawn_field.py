"""A drawn field from above, and a stand-in network that reads its colours.

The stand-in has the inputs and outputs of the network for photos from above
(`collarvision.above.network`) and tells parts by colour: red dots are plant centres, blue ones
tips, green is corn leaf and white another plant. Tests then need no trained weights and know the
right answer. `maps_of` draws the maps themselves, where a test needs more than colours can say.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from collarvision.above.network import CELL_PX, WORKING_MM, Maps

SOIL = (104, 78, 60)
LEAF = (0, 200, 0)
WEED = (235, 235, 235)
TIP_COUNT = 6.4
"""What the stand-in says of every plant."""


@dataclass(frozen=True)
class Planted:
    """Plants of a field, metres from its middle, x right, y up.

    Attributes
    ----------
    x, y : ndarray, (n,)
    row : ndarray, (n,) int
        -1 for what stands off the rows.
    tips : list of ndarray, (k, 2)
        Each plant's tips, metres.
    row_spacing_m, spacing_m, angle_deg : float
    missing : int
        Places left empty.
    doubled : int
        Places with two plants.
    """

    x: np.ndarray
    y: np.ndarray
    row: np.ndarray
    tips: list[np.ndarray]
    row_spacing_m: float
    spacing_m: float
    angle_deg: float
    missing: int
    doubled: int


def plant(
    width_m: float,
    height_m: float,
    *,
    row_spacing_m: float = 0.762,
    spacing_m: float = 0.16,
    angle_deg: float = 12.0,
    missing: float = 0.05,
    doubled: float = 0.0,
    strays: int = 0,
    tips: int = 5,
    leaf_m: float = 0.045,
    seed: int = 0,
) -> Planted:
    """Plant a field: rows at an angle, a share of places empty and a share of them doubled."""
    rng = np.random.default_rng(seed)
    turn = math.radians(angle_deg)
    along = np.array([math.cos(turn), math.sin(turn)])
    across = np.array([-math.sin(turn), math.cos(turn)])
    reach = math.hypot(width_m, height_m) / 2 + 1
    places, rows, gone, twice = [], [], 0, 0
    for number, off in enumerate(np.arange(-reach, reach, row_spacing_m)):
        start = rng.uniform(0, spacing_m)
        for way in np.arange(-reach + start, reach, spacing_m):
            at = (way + rng.normal(0, 0.012)) * along + (off + rng.normal(0, 0.01)) * across
            if abs(at[0]) > width_m / 2 or abs(at[1]) > height_m / 2:
                continue
            if rng.random() < missing:
                gone += 1
                continue
            places.append(at)
            rows.append(number)
            if rng.random() < doubled:
                places.append(at + 0.055 * along)
                rows.append(number)
                twice += 1
    for _ in range(strays):
        places.append(rng.uniform(-0.5, 0.5, 2) * (width_m, height_m))
        rows.append(-1)
    at = np.array(places)
    turns = rng.uniform(0, 2 * np.pi, (len(at), 1)) + 2 * np.pi * np.arange(tips) / tips
    spread = leaf_m * rng.uniform(0.8, 1.2, (len(at), tips))
    ends = at[:, None] + spread[..., None] * np.stack([np.cos(turns), np.sin(turns)], -1)
    return Planted(
        at[:, 0],
        at[:, 1],
        np.array(rows),
        list(ends),
        row_spacing_m,
        spacing_m,
        angle_deg,
        gone,
        twice,
    )


def draw(
    field: Planted,
    width: int,
    height: int,
    mm_per_px: float,
    *,
    weeds: int = 0,
    seed: int = 0,
) -> np.ndarray:
    """Draw a field as the camera sees it from straight above, (height, width, 3) uint8."""
    rng = np.random.default_rng(seed)
    rgb = np.empty((height, width, 3), np.uint8)
    rgb[:] = SOIL
    grain = rng.normal(0, 9, (height, width, 1))
    rgb = np.clip(rgb + grain, 0, 255).astype(np.uint8)
    px = 1000 / mm_per_px

    def at(x: float, y: float) -> tuple[int, int]:
        return round((width / 2 + x * px - 0.5) * 16), round((height / 2 - y * px - 0.5) * 16)

    for _ in range(weeds):
        spot = rng.uniform(0, 16 * width), rng.uniform(0, 16 * height)
        middle = round(spot[0]), round(spot[1])
        cv2.circle(rgb, middle, round(0.04 * px * 16), WEED, cv2.FILLED, shift=4)
    thick = max(2, round(0.014 * px))
    for x, y, tips in zip(field.x, field.y, field.tips, strict=True):
        for tip in tips:
            cv2.line(rgb, at(x, y), at(*tip), LEAF, thick, cv2.LINE_AA, 4)
    for tips in field.tips:
        for tip in tips:
            _dot(rgb, at(*tip), 0.022 * px, 2)
    for x, y in zip(field.x, field.y, strict=True):
        _dot(rgb, at(x, y), 0.034 * px, 0)
    return rgb


def _dot(rgb: np.ndarray, middle: tuple[int, int], radius: float, channel: int) -> None:
    """A dot that fades outward: its middle is the map's peak."""
    for step in range(8):
        share = (step + 1) / 8
        colour = [round(255 * share) if c == channel else 0 for c in range(3)]
        colour[1] = round(LEAF[1] * (1 - share))
        size = max(1, round(radius * (1 - step / 8) * 16))
        cv2.circle(rgb, middle, size, tuple(colour), cv2.FILLED, cv2.LINE_AA, 4)


def packet(**notes: float) -> bytes:
    """XMP as cameras that fly write it; see `test_viewpoint`."""
    said = " ".join(f'cam:{name}="{value:+.2f}"' for name, value in notes.items())
    return (
        '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description '
        f'xmlns:cam="http://example.org/cam/" {said}></rdf:Description></rdf:RDF></x:xmpmeta>'
        '<?xpacket end="w"?>'
    ).encode()


def jpeg(
    rgb: np.ndarray,
    *,
    focal_eq_mm: int | None = 24,
    gps: tuple[float, float] | None = None,
    sea_m: float | None = None,
    taken: str = "2027:05:20 09:00:00",
    **notes: float,
) -> bytes:
    """A JPEG with a flying camera's notes."""
    from PIL import Image

    exif = Image.Exif()
    exif[0x010E] = "a field"
    detail = exif.get_ifd(0x8769)
    detail[0x9003] = taken
    if focal_eq_mm is not None:
        detail[0xA405] = focal_eq_mm
    place = exif.get_ifd(0x8825)
    if gps is not None:
        lat, lon = gps
        place.update(
            {
                1: "N" if lat >= 0 else "S",
                2: (abs(lat), 0.0, 0.0),
                3: "E" if lon >= 0 else "W",
                4: (abs(lon), 0.0, 0.0),
            }
        )
    if sea_m is not None:
        place.update({5: b"\x00", 6: sea_m})
    spool = io.BytesIO()
    more = {"xmp": packet(**notes)} if notes else {}
    Image.fromarray(rgb).save(spool, "JPEG", quality=92, subsampling=0, exif=exif, **more)
    return spool.getvalue()


def with_exif(data: bytes, main: dict[int, int], detail: dict[int, int] | None = None) -> bytes:
    """The same JPEG with other notes in its EXIF's first block, and in its second."""
    from PIL import Image

    spool = io.BytesIO()
    with Image.open(io.BytesIO(data)) as image:
        exif = image.getexif()
        exif.update(main)
        exif.get_ifd(0x8769).update(detail or {})
        more = {"xmp": image.info["xmp"]} if "xmp" in image.info else {}
        image.save(spool, "JPEG", quality="keep", exif=exif, **more)
    return spool.getvalue()


def height_for(mm_per_px: float, width: int, height: int, focal_eq_mm: float = 24) -> float:
    """Metres up at which a camera has that scale: the 35 mm frame's diagonal is 43.27 mm."""
    return mm_per_px / 1000 * focal_eq_mm / 43.27 * math.hypot(width, height)


def level_notes(mm_per_px: float, width: int, height: int) -> dict[str, float]:
    """What a camera notes that looks straight down and has that scale."""
    up_m = height_for(mm_per_px, width, height)
    return {"RelativeAltitude": up_m, "GimbalPitchDegree": -90.0}


# --------------------------------------------------------------------------- maps and networks


def maps_of(
    x: np.ndarray,
    y: np.ndarray,
    tips: list[np.ndarray],
    width: int,
    height: int,
    *,
    tip_count: np.ndarray | None = None,
    double: np.ndarray | None = None,
    weeds: np.ndarray | None = None,
) -> Maps:
    """Perfect maps of plants at working px, their tips (k, 2) working px each."""
    rows, columns = -(-height // CELL_PX), -(-width // CELL_PX)
    zero = np.zeros((rows, columns), np.float32)
    plants, heads, canopy, other, count, two = (zero.copy() for _ in range(6))
    vector = np.zeros((2, rows, columns), np.float32)
    told = np.full(len(x), TIP_COUNT) if tip_count is None else tip_count
    pairs = np.zeros(len(x)) if double is None else double
    nearest = np.full((rows, columns), np.inf, np.float32)
    for number in range(len(x)):
        here = _peak(plants, x[number], y[number], 1.5)
        if here is not None:
            box, away = here
            closer = away < nearest[box]
            count[box][closer], two[box][closer] = told[number], pairs[number]
            nearest[box] = np.minimum(nearest[box], away)
        for tip in tips[number]:
            spot = _peak(heads, tip[0], tip[1], 1.0)
            middle = round(x[number] / CELL_PX - 0.5), round(y[number] / CELL_PX - 0.5)
            end = round(tip[0] / CELL_PX - 0.5), round(tip[1] / CELL_PX - 0.5)
            cv2.line(canopy, middle, end, 1.0, 2)
            if spot is None:
                continue
            box, away = spot
            r, c = np.mgrid[box]
            close = away <= 1.6
            vector[0][box][close] = (x[number] - (c + 0.5) * CELL_PX)[close]
            vector[1][box][close] = (y[number] - (r + 0.5) * CELL_PX)[close]
    for spot in np.zeros((0, 2)) if weeds is None else weeds:
        middle = round(spot[0] / CELL_PX - 0.5), round(spot[1] / CELL_PX - 0.5)
        cv2.circle(other, middle, 3, 1.0, cv2.FILLED)
        _peak(plants, *spot, 1.5)
    return Maps(canopy, plants, heads, vector, other, count, two)


def _peak(
    heat: np.ndarray, x: float, y: float, sigma: float
) -> tuple[tuple[slice, slice], np.ndarray] | None:
    """Add a Gaussian at px (x, y) by maximum; the cells about it and their distances."""
    c, r = x / CELL_PX - 0.5, y / CELL_PX - 0.5
    reach = math.ceil(3.5 * sigma)
    top, left = max(0, round(r) - reach), max(0, round(c) - reach)
    bottom = min(heat.shape[0], round(r) + reach + 1)
    right = min(heat.shape[1], round(c) + reach + 1)
    if top >= bottom or left >= right:
        return None
    box = (slice(top, bottom), slice(left, right))
    rows, columns = np.mgrid[box]
    away = np.hypot(rows - r, columns - c).astype(np.float32)
    heat[box] = np.maximum(heat[box], np.exp(-0.5 * (away / sigma) ** 2))
    return box, away


class FixedNetwork:
    """A network that gives maps made beforehand, whatever it is shown."""

    version = "fixed"

    def __init__(self, maps: Maps) -> None:
        self.maps = maps

    def read(self, picture, width, height, *, tell=lambda done, total: None):  # type: ignore[no-untyped-def]
        """Give the maps; the picture is asked for once, as a real network would."""
        picture(0, 0, width, height)
        tell(1, 1)
        return self.maps


def working_px(field: Planted, width: int, height: int) -> tuple[np.ndarray, np.ndarray, list]:
    """Plants and tips of a field in px of a working picture with the field's middle in its own."""
    px = 1000 / WORKING_MM
    tips = [
        np.column_stack([width / 2 + t[:, 0] * px, height / 2 - t[:, 1] * px]) for t in field.tips
    ]
    return width / 2 + field.x * px, height / 2 - field.y * px, tips


def seen_maps(
    field: Planted, width: int, height: int, mm_per_px: float, **told: np.ndarray
) -> Maps:
    """Perfect maps of a field on a photo that looks straight down, as `draw` draws it."""
    wide, tall = round(width * mm_per_px / WORKING_MM), round(height * mm_per_px / WORKING_MM)
    return maps_of(*working_px(field, wide, tall), wide, tall, **told)


def write_above_stand_in(path: Path) -> None:
    """Write an ONNX network that tells parts of a drawn field by colour."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    # gain * (w . RGB - threshold), cut to 0..1.
    rules = {
        "plants": ((1.0, -1.0, 0.0), 1.25, 0.2),
        "tips": ((-1.0, 0.0, 1.0), 1.25, 0.2),
        "canopy": ((-1.5, 1.0, 0.5), 4.0, 0.2),
        "other": ((1.0, 1.0, 1.0), 2.5, 2.2),
    }
    weight = np.array([rule[0] for rule in rules.values()], np.float32)[:, :, None, None]
    gain = np.array([rule[1] for rule in rules.values()], np.float32)
    bias = -gain * np.array([rule[2] for rule in rules.values()], np.float32)
    constants = {
        "weight": weight * gain[:, None, None, None],
        "bias": bias,
        "zero": np.float32(0.0),
        "one": np.float32(1.0),
        "count": np.float32(TIP_COUNT),
        "sizes": np.array([1, 1, 1, 1], np.int64),
    }
    nodes = [
        helper.make_node("AveragePool", ["photo"], ["small"], kernel_shape=[4, 4], strides=[4, 4]),
        helper.make_node("Conv", ["small", "weight", "bias"], ["loose"]),
        helper.make_node("Clip", ["loose", "zero", "one"], ["cut"]),
        helper.make_node("Split", ["cut", "sizes"], list(rules), axis=1),
        helper.make_node("Mul", ["plants", "zero"], ["double"]),
        helper.make_node("Add", ["double", "count"], ["tip_count"]),
        helper.make_node("Concat", ["double", "double"], ["to_plant"], axis=1),
    ]
    names = [*rules, "double", "tip_count", "to_plant"]
    graph = helper.make_graph(
        nodes,
        "stand_in",
        [helper.make_tensor_value_info("photo", TensorProto.FLOAT, ["n", 3, "h", "w"])],
        [
            helper.make_tensor_value_info(
                name, TensorProto.FLOAT, ["n", 2 if name == "to_plant" else 1, "y", "x"]
            )
            for name in names
        ],
        [numpy_helper.from_array(np.asarray(v), name) for name, v in constants.items()],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=9)
    helper.set_model_props(model, {"version": "above-stand-in"})
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
