"""Reading: the main job in one call, from a photo to everything that is said about its plant.

`read_photo` sends a photo through the rooms in their order (photo, card, parts, plant, stage,
height, quality, confidence) and gathers what they say in one `Reading`.
"""

from __future__ import annotations

import os
import traceback
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from numbers import Real
from pathlib import Path

import numpy as np

from collarvision.answer import CardMark, CollarMark, Pixel, Reading, TipMark
from collarvision.calibration import Calibration, load_calibration
from collarvision.card import CardError, Scale
from collarvision.cardseen import seek_card
from collarvision.confidence import SHOWN_TIP, Verdict, judge, look_closer_at
from collarvision.height import RULES, Height, Rule, measure
from collarvision.looks import Look
from collarvision.network import ModelError, usable_threads
from collarvision.parallax import has_size, on_board, stand
from collarvision.parts import Looks, Parts, Point, gather, look_closer, take_looks
from collarvision.photo import Photo, load_photo
from collarvision.photofile import PhotoError
from collarvision.plant import Plant, assemble
from collarvision.quality import TURNED, Finding, assess
from collarvision.skeleton import Ways
from collarvision.stage import StageBelief, believe, numbered

ARCH_APART = 0.05
"""Least share of the photo's width between an arch and the sides where one of them cuts the plant
off: nearer to it, the leaf may rise further outside. Our own choice."""

FROM_ABOVE = (
    "Taken from above, where collars don't show: it tells where to walk, not the stage. Photograph "
    "plants from the side there."
)


def read_photo(
    source: str | Path | bytes,
    *,
    height_rule: Rule = "half-out",
    check_bar_mm: float = 100.0,
    name: str | None = None,
    max_megapixels: float = 120.0,
) -> Reading:
    """Read one photo: the main job in one call.

    Parameters
    ----------
    source : str, Path or bytes
        A photo's path, or the bytes of its file.
    height_rule : {'half-out', 'tip-down'}
        Which of the two published definitions of height to use.
    check_bar_mm : float
        Length of the card's 100 mm check bar as measured on the print.
    name : str, optional
        Name for the record; by default the file's base name.
    max_megapixels : float
        Photos larger than this are rejected before they are decoded.

    Returns
    -------
    Reading
        Also for a file that can't be read: ``rejected``, with the reason.

    Raises
    ------
    collarvision.network.ModelError
        The network's file is missing or broken: no photo can be read at all.
    ValueError
        The height rule is unknown, the check bar can't be that of a printed card, or
        `max_megapixels` isn't a number above 0.
    """
    reading, _ = read_with_photo(
        source,
        height_rule=height_rule,
        check_bar_mm=check_bar_mm,
        name=name,
        max_megapixels=max_megapixels,
    )
    return reading


def read_with_photo(
    source: str | Path | bytes,
    *,
    height_rule: Rule = "half-out",
    check_bar_mm: float = 100.0,
    name: str | None = None,
    max_megapixels: float = 120.0,
) -> tuple[Reading, Photo | None]:
    """Do what `read_photo` does, and hand the decoded photo on for drawing; None if unreadable."""
    if height_rule not in RULES:
        raise ValueError(f"Height rule {height_rule!r} is unknown; use one of {', '.join(RULES)}.")
    _check_number("check_bar_mm", check_bar_mm, "97.5")
    _check_number("max_megapixels", max_megapixels, "120")
    photo = None
    try:
        photo = load_photo(source, name, max_megapixels=max_megapixels, ahead=usable_threads() > 1)
        if photo.view == "above":
            return _from_above(photo, source, check_bar_mm), photo
        return _read(photo, source, height_rule, check_bar_mm), photo
    except PhotoError as error:
        return rejected(source, str(error), name=name), None
    except (ModelError, CardError):
        raise  # no photo can be read with this network, or with this card
    except Exception as error:
        reading = rejected(
            source,
            "The program failed on this photo, which is no fault of yours: count this plant by "
            "hand, and report the fault.",
            name=name,
        )
        sha256 = photo.sha256 if photo else None
        return replace(reading, sha256=sha256, fault=_where(error)), photo


def _check_number(name: str, value: object, example: str) -> None:
    """See that an argument is a number: what else it was would look like a fault of the photo."""
    if isinstance(value, bool) or not isinstance(value, Real) or not float(value) > 0:
        raise ValueError(f"{name} {value!r} isn't a number above 0: give one like {example}.")


def rejected(source: str | Path | bytes, reason: str, *, name: str | None = None) -> Reading:
    """Make the reading of something that can't be read as a photo; `reason` says why."""
    if isinstance(source, bytes):
        return Reading(photo=name or "photo", outcome="rejected", reasons=(reason,))
    path = Path(source)
    return Reading(
        photo=name or path.name or str(path),
        path=str(path),
        outcome="rejected",
        reasons=(reason,),
    )


def _from_above(photo: Photo, source: str | Path | bytes, check_bar_mm: float) -> Reading:
    """Count plants as far as their scale is known; collars don't show from up there."""
    from collarvision.above.calibration import AboveCalibration, load_above_calibration
    from collarvision.above.frames import read_frame
    from collarvision.above.network import load_above_network
    from collarvision.above.scale import Stated
    from collarvision.above.summary import record_summary

    network, lacking = None, ""
    try:
        network = load_above_network()
        calibration = load_above_calibration()
    except ModelError as error:
        # Photos from the side can be read all the same.
        network, lacking = None, str(error)
        calibration = AboveCalibration()
    stated = Stated(check_bar_mm=check_bar_mm, by_above=False)
    frame = read_frame(photo, network, calibration, stated, lacking=lacking)
    nothing = {"no-plants", "not-maize"} & set(frame.quality)
    return Reading(
        photo=photo.name,
        path=None if isinstance(source, bytes) else str(source),
        sha256=photo.sha256,
        outcome="rejected" if nothing else "hand-count",
        reasons=(*frame.reasons, FROM_ABOVE),
        view="above",
        quality=frame.quality,
        photo_size=photo.size,
        taken_at=frame.taken_at,
        gps=photo.gps,
        focal_eq_mm=photo.focal_eq_mm,
        above=record_summary(frame),
        model=frame.model,
    )


def _read(
    photo: Photo, source: str | Path | bytes, height_rule: Rule, check_bar_mm: float
) -> Reading:
    calibration, ways = load_calibration(), Ways()
    # Nearly every plant is looked at closer, while the first looks are read and a card is sought.
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="aside") as aside:
        looks, card = _look(photo, check_bar_mm, aside)
        closer = aside.submit(look_closer, photo, looks)
        parts = gather(looks)
        seen = card.result()
        scale = None if seen is None or seen.another_seen else seen
        plant = assemble(parts, scale, ways)
        findings = assess(photo, parts, seen, plant.stalk)
        got = understand(plant, parts, findings, calibration)
    if look_closer_at(got.verdict, calibration):
        # Only collars are seen anew: what was found of the photo itself stands.
        parts = gather(closer.result(), parts)
        got = understand(assemble(parts, scale, ways), parts, findings, calibration, got.belief)
    verdict = got.verdict
    about_file = Reading(
        photo=photo.name,
        path=None if isinstance(source, bytes) else str(source),
        sha256=photo.sha256,
        outcome=verdict.outcome,
        reasons=verdict.reasons,
        overruling=verdict.overruling,
        quality=tuple(finding.code for finding in got.findings),
        photo_size=photo.size,
        taken_at=photo.taken_at.isoformat() if photo.taken_at else None,
        gps=photo.gps,
        focal_eq_mm=photo.focal_eq_mm,
        card=None if scale is None else _card_mark(scale),
        model=parts.model,
    )
    if verdict.outcome == "rejected":
        return about_file
    height = None if scale is None else height_in_view(got, scale, photo.size, height_rule)
    return with_plant(about_file, got, scale, height)


def height_in_view(
    got: Understood,
    scale: Scale,
    size: tuple[int, int],
    rule: Rule = "half-out",
    *,
    interval_factor: float | None = None,
) -> Height | None:
    """Measure the height, unless the photo isn't upright or may have cut off what governs it.

    Half a plant has none. One that stands, whose arch shows well inside the frame and higher
    than all that leaves it at the photo's left or right, is whole as far as its height goes.

    Parameters
    ----------
    got, scale
    size : (int, int)
        The photo's width and height, px.
    rule, interval_factor
        As for `measure`.
    """
    if any(finding.code == TURNED for finding in got.findings):
        return None
    height = measure(got.parts, got.plant, scale, rule, interval_factor=interval_factor)
    cut = next((finding.cut for finding in got.findings if finding.code == "plant_cut"), None)
    if height is None or cut is None:
        return height
    x, y = height.arch
    apart = min(x, size[0] - x)
    whole = (
        height.basis == "arch"
        and set(cut.sides) <= {"left", "right"}
        and apart >= ARCH_APART * size[0]
        and y < cut.highest_px
    )
    return height if whole else None


def _look(
    photo: Photo, check_bar_mm: float, aside: ThreadPoolExecutor
) -> tuple[Looks, Future[Scale | None]]:
    """Let the network look, and look for the card beside it.

    Neither needs the other, but that a card hard to find is only searched for where a look shows
    one.
    """
    first: Future[Look] = Future()
    second: Future[Look] = Future()

    looking = aside.submit(seek_card, photo, first.result, second.result, check_bar_mm=check_bar_mm)
    try:
        looks = take_looks(photo, tell=first.set_result, closer_next=True)
    except BaseException as error:
        for look in (first, second):
            if not look.done():
                look.set_exception(error)  # or the other thread would wait for ever
        raise
    second.set_result(looks.second)
    return looks, looking


@dataclass(frozen=True)
class Understood:
    """What the rooms from the parts to the verdict made of one set of looks."""

    parts: Parts
    plant: Plant
    belief: StageBelief
    findings: tuple[Finding, ...]
    verdict: Verdict


def understand(
    plant: Plant,
    parts: Parts,
    findings: tuple[Finding, ...],
    calibration: Calibration,
    before: StageBelief | None = None,
) -> Understood:
    """Believe a plant's stage, number its leaves and judge it.

    After a closer look, `before` is what was believed without it.
    """
    belief = believe(plant, parts, calibration, before=before)
    plant = numbered(plant, belief)
    careful = before is not None
    verdict = judge(parts, plant, belief, findings, calibration, careful=careful)
    return Understood(parts, plant, belief, findings, verdict)


def with_plant(
    reading: Reading, got: Understood, scale: Scale | None, height: Height | None
) -> Reading:
    """The reading with all that was understood of the plant; what it says of the file stays."""
    plant, belief = got.plant, got.belief
    leaves = list(zip(plant.leaves, belief.counted, belief.numbers.ranks, strict=True))
    mm_per_px, upright = _at_foot(got, scale)
    arch = height.arch if height else _xy_of(plant.arch)
    return replace(
        reading,
        stage=belief.stage,
        stage_probabilities=tuple(float(p) for p in belief.probabilities),
        confidence=got.verdict.confidence,
        collars=tuple(
            CollarMark(rank, leaf.collar.x, leaf.collar.y, leaf.collar.score)
            for leaf, counted, rank in leaves
            if leaf.collar is not None and counted and rank is not None
        ),
        tips=tuple(
            TipMark(rank, leaf.tip.x, leaf.tip.y, leaf.shape, leaf.tip.score)
            for leaf, _, rank in leaves
            if leaf.tip is not None and leaf.tip.score >= SHOWN_TIP
        ),
        first_leaf=plant.first_leaf,
        lower_leaves_missing=belief.numbers.below,
        soil_line=_xy_of(got.parts.base),  # the stalk's end alone may be anywhere
        arch=arch,
        stalk=_line(plant.stalk),
        upright=upright,
        leaf_lines=tuple(_line(leaf.midline) for leaf in plant.leaves),
        height_mm=height.height_mm if height else None,
        height_interval_mm=height.interval_mm if height else None,
        height_basis=height.basis if height else None,
        height_rule=height.rule if height else None,
        mm_per_px=mm_per_px,
        layout="laid" if got.parts.laid >= 0.5 else "standing",
        evidence=belief.evidence,
    )


def _at_foot(got: Understood, scale: Scale | None) -> tuple[float | None, tuple[Pixel, ...]]:
    """Mm of the board a px at the plant's foot, and up and level there as the photo shows them."""
    plant, base = got.plant, got.parts.base
    if scale is None or base is None or not has_size(scale, base.x, base.y):
        return None, ()
    up = stand(got.parts, scale, base, plant.stalk, laid=plant.laid >= 0.5).up
    foot = on_board(scale, np.array([[base.x, base.y]]))[0]
    places = np.array([foot, foot + up, foot + (-up[1], up[0])])
    seen = np.column_stack([places, np.ones(3)]) @ np.linalg.inv(scale.board_mm_from_px).T
    ways = seen[1:, :2] / seen[1:, 2:] - seen[0, :2] / seen[0, 2]
    return scale.mm_per_px_at(base.x, base.y), _line(ways / np.hypot(*ways.T)[:, None])


def _card_mark(scale: Scale) -> CardMark:
    return CardMark(
        markers_found=scale.markers_found,
        tilt_deg=float(scale.tilt_deg),
        relative_error=float(scale.relative_error),
        focal_assumed=scale.focal_assumed,
        corners=_line(scale.corners_px),
    )


def _xy_of(point: Point | None) -> Pixel | None:
    return None if point is None else (point.x, point.y)


def _line(points: np.ndarray) -> tuple[Pixel, ...]:
    return tuple((float(x), float(y)) for x, y in points)


def _where(error: Exception) -> str:
    """Kind and words of an error, and the last line of code it passed through."""
    last = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(last.filename)}, line {last.lineno}"
    return f"{type(error).__name__}: {error} ({place})"
