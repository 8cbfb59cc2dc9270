"""The plot of `walk_plants`: plants needed with a flight and without, field by field."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from typing import Any

WIDE, HIGH = 860, 400
PLAIN, WALK, GRID, INK, SOFT = "#b4532a", "#2f6f3e", "#dddddd", "#1b2420", "#55625c"
TICKS = (10, 20, 40, 80, 160, 320)
LOW, TOP_PLANTS = 9.0, 340.0


def draw(rows: Sequence[dict[str, Any]]) -> str:
    """Draw the distribution of plants needed, and each field as a dot, as an SVG file."""
    from math import log

    def part(plants: float) -> float:
        plants = min(max(plants, LOW), TOP_PLANTS)
        return (log(plants) - log(LOW)) / (log(TOP_PLANTS) - log(LOW))

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE} {HIGH}" '
        'font-family="system-ui, sans-serif" font-size="13" role="img" '
        'aria-label="Ground plants needed with a flight and without">',
        f'<rect width="{WIDE}" height="{HIGH}" fill="#ffffff"/>',
    ]

    def words(x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> None:
        out.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{text}</text>'
        )

    def line(x0: float, y0: float, x1: float, y1: float, colour: str, dash: str = "") -> None:
        out.append(
            f'<line x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}" stroke="{colour}"'
            f"{f' stroke-dasharray={chr(34)}{dash}{chr(34)}' if dash else ''}/>"
        )

    # Left: how many fields need how many plants.
    left, right, base = 40.0, 430.0, 340.0
    words(left, 16, f"Plants needed a field ({len(rows)} invented fields)")
    bins = 16
    for number, (key, colour, name) in enumerate(
        (("plain_needed", PLAIN, "plain plan"), ("walk_needed", WALK, "walk list after a flight"))
    ):
        middle = base - 150 * (1 - number)
        counts = [0] * bins
        for row in rows:
            counts[min(int(part(row[key]) * bins), bins - 1)] += 1
        most = max(counts) or 1
        width = (right - left) / bins
        for k, count in enumerate(counts):
            tall = 110 * count / most
            if count:
                out.append(
                    f'<rect x="{left + k * width + 1:.1f}" y="{middle - tall:.1f}" '
                    f'width="{width - 2:.1f}" height="{tall:.1f}" fill="{colour}"/>'
                )
                words(left + (k + 0.5) * width, middle - tall - 4, str(count), "middle", SOFT)
        line(left, middle, right, middle, INK)
        median = statistics.median(row[key] for row in rows)
        words(right, middle - 112, f"{name}: median {median:.0f}", "end", colour)
    for tick in TICKS:
        x = left + part(tick) * (right - left)
        line(x, base, x, base + 5, INK)
        words(x, base + 20, str(tick), "middle", SOFT)
    words((left + right) / 2, base + 42, "plants (logarithmic)", "middle", SOFT)

    # Right: each field.
    left, right, top = 510.0, 830.0, 46.0
    words(left, 16, "Each field: with a flight against without; below the line it saves")
    out.append(f'<circle cx="{left + 4:.1f}" cy="28" r="4" fill="{WALK}" fill-opacity="0.7"/>')
    words(left + 14, 32, "two zones or more", colour=WALK)
    out.append(
        f'<circle cx="{left + 154:.1f}" cy="28" r="4" fill="none" stroke="{PLAIN}" '
        'stroke-width="1.6"/>'
    )
    words(left + 164, 32, "one zone (even)", colour=PLAIN)

    def at(row: dict[str, Any]) -> tuple[float, float]:
        return (
            left + part(row["plain_needed"]) * (right - left),
            base - part(row["walk_needed"]) * (base - top),
        )

    for tick in TICKS:
        x, y = left + part(tick) * (right - left), base - part(tick) * (base - top)
        line(x, top, x, base, GRID)
        line(left, y, right, y, GRID)
        words(x, base + 20, str(tick), "middle", SOFT)
        words(left - 6, y + 4, str(tick), "end", SOFT)
    line(left, base, right, top, INK, "5 4")
    for row in rows:
        x, y = at(row)
        if row["zones"] == 1:
            out.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="none" stroke="{PLAIN}" '
                'stroke-width="1.6"/>'
            )
        else:
            out.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{WALK}" fill-opacity="0.7"/>'
            )
    words((left + right) / 2, base + 42, "plants without a flight", "middle", SOFT)
    words(left + 6, top + 16, "plants with a flight", colour=SOFT)
    out.append("</svg>")
    return "\n".join(out) + "\n"
