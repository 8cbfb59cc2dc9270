"""Plots: the distribution and the heights, drawn for a phone's width.

No meaning hangs on colour alone: every band, line and mark is named where it stands or below.
"""

from __future__ import annotations

from collections.abc import Sequence

from collarvision.answer import stage_name
from collarvision.decision import FieldAnswer
from collarvision.fieldwords import headline_stage
from collarvision.report.svg import Drawing, round_steps
from collarvision.units import MM_PER, Shown

WIDTH = 360.0
MOST_LIMITS = 6
NAME_ROW = 15.0
_VALUE_WIDE = 48.0  # "100.0 cm" in the small type, and some room


def distribution(answer: FieldAnswer) -> str | None:
    """Plants a stage as bars, with the share at or past each and its interval as a bracket."""
    stage = answer.stage
    if not stage.distribution:
        return None
    first, last = min(stage.distribution), max(stage.distribution)
    told = headline_stage(answer)
    shares = {share.stage: share for share in stage.shares}
    rows = [k for k in range(first, last + 2) if k in stage.distribution or k in shares]
    row_height, top, left = 30.0, 40.0, 46.0
    drawing = Drawing(
        WIDTH,
        top + row_height * len(rows) + 8,
        "Share of plants at each stage, and at or past it",
    )
    split, right = 190.0, WIDTH - 12
    drawing.words(left, 14, "Plants at the stage", "small")
    drawing.words(split + 18, 14, "At or past it, in the field", "small")
    most = max(stage.distribution.values())
    for share in (0.0, 0.5, 1.0):
        x = split + 18 + share * (right - split - 18)
        drawing.line([(x, top - 8), (x, top + row_height * len(rows))], "grid")
        anchor = {0.0: "start", 1.0: "end"}.get(share, "middle")
        drawing.words(x, top - 12, f"{share:.0%}", "small soft", anchor)
    for number, k in enumerate(rows):
        y = top + number * row_height
        middle = y + row_height / 2
        part = stage.distribution.get(k, 0.0)
        drawing.words(left - 8, middle + 5, stage_name(k), "strong" if k == told else "", "end")
        wide = part / most * (split - left - 48)
        drawing.box(left, y + 6, wide, row_height - 12, "bar" if k == told else "bar pale")
        count = round(part * stage.plants)
        if count:
            drawing.words(left + wide + 5, middle + 4, f"{count} ({part:.0%})", "small")
        if k in shares:
            one = shares[k]
            low, seen, high = (
                split + 18 + share * (right - split - 18)
                for share in (one.interval[0], one.seen, one.interval[1])
            )
            drawing.line([(low, middle), (high, middle)], "range")
            for end in (low, high):
                drawing.line([(end, middle - 5), (end, middle + 5)], "range")
            drawing.dot(seen, middle, 4, "mark")
    return drawing.text()


def heights(answer: FieldAnswer, shown: Shown) -> str | None:
    """Every height as a dot, the mean, and the limits' heights as lines, named below."""
    tall = sorted(p.evidence.height_mm for p in answer.plants if p.evidence.height_mm is not None)
    if len(tall) < 2 or answer.stage.heights is None:
        return None
    unit = float(MM_PER[shown.length])
    limits = height_limits(answer)
    low, high = tall[0], tall[-1]
    # A limit far off would squeeze the plants into a corner; it is then named without a line.
    reach = 2.2 * high
    near = [mm for _, mm in limits if mm <= reach]
    high, low = max([high, *near]), min([low, *near])
    pad = 0.06 * (high - low or high)
    low, high = max(low - pad, 0.0), high + pad
    left, right = 14.0, WIDTH - (14 if not near else _VALUE_WIDE)
    bins = 36
    stacks: dict[int, int] = {}

    def at(mm: float) -> float:
        return left + (mm - low) / (high - low) * (right - left)

    rows = value_rows([at(mm) for mm in near])
    top = 16.0 + NAME_ROW * max(rows, default=-1) + (NAME_ROW if near else 0.0)
    for mm in tall:
        cell = int((mm - low) / (high - low) * bins)
        stacks[cell] = stacks.get(cell, 0) + 1
    tallest = max(stacks.values())
    step = min(9.0, 90.0 / tallest)
    base = top + step * tallest + 12
    drawing = Drawing(WIDTH, base + 36 + NAME_ROW * len(limits), "Heights of the plants")
    drawing.line([(left, base), (right, base)], "axis")
    for value in round_steps(low / unit, high / unit, 5):
        x = at(value * unit)
        drawing.line([(x, base), (x, base + 4)], "axis")
        drawing.words(x, base + 17, f"{value:g}", "small soft", "middle")
    drawing.words(right + 4, base + 4, shown.length, "small soft")
    placed: dict[int, int] = {}
    for mm in tall:
        cell = int((mm - low) / (high - low) * bins)
        placed[cell] = placed.get(cell, 0) + 1
        x = left + (cell + 0.5) / bins * (right - left)
        drawing.dot(x, base - step * (placed[cell] - 0.5), min(step * 0.46, 4), "mark pale")
    mean = at(answer.stage.heights.mean_mm)
    high_y = base - step * tallest - 2  # above the dots: below the axis it would hide a number
    drawing.area([(mean - 5, high_y - 8), (mean + 5, high_y - 8), (mean, high_y)], "mark")
    for mm, row in zip(near, rows, strict=True):
        y = 12.0 + NAME_ROW * row
        drawing.line([(at(mm), y - 8), (at(mm), base)], "limit")
        drawing.words(at(mm) + 3, y, shown.height(mm), "small")
    for number, (name, mm) in enumerate(limits):
        off = "" if mm <= reach else " (far to the right)"
        drawing.words(
            left, base + 36 + NAME_ROW * number, f"{shown.height(mm)}{off} {name}", "small"
        )
    return drawing.text()


def value_rows(xs: Sequence[float]) -> list[int]:
    """Rows for words that begin at lines, given from left to right, so that no line crosses any.

    A line runs down from its own row: those further left begin higher and pass by.
    """
    rows: list[int] = []
    for number, x in enumerate(xs):
        apart = number == 0 or x - xs[number - 1] >= _VALUE_WIDE
        rows.append(0 if apart else rows[-1] + 1)
    return rows


def height_limits(answer: FieldAnswer) -> list[tuple[str, float]]:
    """Heights that limits name, in mm from low to high, each with words of where it is from."""
    found: dict[float, list[str]] = {}
    for limit in answer.limits.limits if answer.limits else ():
        for word, bound in (("from", limit.lowest), ("up to", limit.highest)):
            if bound.height_mm is not None:
                found.setdefault(bound.height_mm, []).append(f"{word}: {limit.name}")
    said = []
    for mm, names in sorted(found.items()):
        more = f" (+ {len(names) - 1})" if len(names) > 1 else ""
        said.append((short(names[0], 34) + more, mm))
    return said[:MOST_LIMITS]


def short(name: str, size: int = 30) -> str:
    """Cut a name to fit into a plot."""
    return name if len(name) <= size else name[: size - 1] + "…"
