"""Plots: the distribution and the heights, drawn for a phone's width.

No meaning hangs on colour alone: every band, line and mark is named where it stands or below.
"""

from __future__ import annotations

from collarvision.answer import stage_name
from collarvision.decision import FieldAnswer
from collarvision.report.svg import Drawing, round_steps
from collarvision.units import MM_PER, Shown

WIDTH = 360.0
MOST_LIMITS = 6


def distribution(answer: FieldAnswer) -> str | None:
    """Plants a stage as bars, with the share at or past each and its interval as a bracket."""
    stage = answer.stage
    if not stage.distribution:
        return None
    first, last = min(stage.distribution), max(stage.distribution)
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
        drawing.words(
            left - 8, middle + 5, stage_name(k), "strong" if k == stage.stage else "", "end"
        )
        wide = part / most * (split - left - 48)
        drawing.box(left, y + 6, wide, row_height - 12, "bar" if k == stage.stage else "bar pale")
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
    """Every height as a dot, the mean, and the limits' heights as lines."""
    tall = sorted(p.evidence.height_mm for p in answer.plants if p.evidence.height_mm is not None)
    if len(tall) < 2 or answer.stage.heights is None:
        return None
    unit = float(MM_PER[shown.length])
    limits = height_limits(answer)
    low, high = tall[0], tall[-1]
    # A limit far off would squeeze the plants into a corner; it is then named without a line.
    reach = 2.2 * high
    near = [(name, mm) for name, mm in limits if mm <= reach]
    high = max([high, *(mm for _, mm in near)])
    low = min([low, *(mm for _, mm in near)])
    pad = 0.06 * (high - low or high)
    low, high = max(low - pad, 0.0), high + pad
    left, right, top = 14.0, WIDTH - 14, 16.0 + 15 * len(near)
    bins = 36
    stacks: dict[int, int] = {}

    def at(mm: float) -> float:
        return left + (mm - low) / (high - low) * (right - left)

    for mm in tall:
        stacks[int((mm - low) / (high - low) * bins)] = (
            stacks.get(int((mm - low) / (high - low) * bins), 0) + 1
        )
    tallest = max(stacks.values())
    step = min(9.0, 90.0 / tallest)
    base = top + step * tallest + 12
    drawing = Drawing(WIDTH, base + 34, "Heights of the plants")
    drawing.line([(left, base), (right, base)], "axis")
    for value in round_steps(low / unit, high / unit, 5):
        x = at(value * unit)
        drawing.line([(x, base), (x, base + 4)], "axis")
        drawing.words(x, base + 17, f"{value:g}", "small soft", "middle")
    drawing.words(right, base + 31, shown.length, "small soft", "end")
    placed: dict[int, int] = {}
    for mm in tall:
        cell = int((mm - low) / (high - low) * bins)
        placed[cell] = placed.get(cell, 0) + 1
        x = left + (cell + 0.5) / bins * (right - left)
        drawing.dot(x, base - step * (placed[cell] - 0.5), min(step * 0.46, 4), "mark pale")
    mean = at(answer.stage.heights.mean_mm)
    drawing.area([(mean - 5, base + 9), (mean + 5, base + 9), (mean, base + 1)], "mark")
    # A name runs from its line towards the middle: the lines that it would cross begin below it.
    middle = WIDTH / 2
    rows = sorted(near, key=lambda one: (at(one[1]) > middle, -abs(at(one[1]) - middle)))
    for number, (name, mm) in enumerate(rows):
        y = 12.0 + 15 * number
        x = at(mm)
        drawing.line([(x, y + 3), (x, base)], "limit")
        end = "end" if x > middle else "start"
        drawing.words(x + (-3 if end == "end" else 3), y, name, "small", end)
    return drawing.text()


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
        said.append((short(names[0]) + more, mm))
    return said[:MOST_LIMITS]


def short(name: str, size: int = 30) -> str:
    """Cut a name to fit into a plot."""
    return name if len(name) <= size else name[: size - 1] + "…"
