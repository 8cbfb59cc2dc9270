"""The curve of risk against coverage, and how true the confidences are, as one SVG picture."""

from __future__ import annotations

import math
from collections.abc import Sequence

from training.scoring import calibration_error, risk_coverage

PROMISED = 0.02
LEFT, TOP, WIDE, HIGH = 64, 40, 300, 230
SECOND = 470  # left edge of the right panel
LINE, BAND, GRID, INK = "#0072b2", "#d55e00", "#dddddd", "#333333"


def risk_plot(
    pairs: Sequence[tuple[float, bool]], *, alone: bool = True, promised: float = PROMISED
) -> str:
    """Two panels: wrong stages among the surest photos, and rightness by stated confidence.

    Parameters
    ----------
    pairs : sequence of (confidence, right)
    alone : bool
        A file of its own names the language it is written in; inside a page that's known.
    promised : float
        Share of wrong stages that the calibration promises at most.
    """
    if not pairs:
        return "<p>No confidences to plot.</p>"
    curve = risk_coverage(pairs)
    shown = [risk for share, risk in curve if share >= 0.05 or share == 1.0]
    step, lines = _lines(max(0.05, 1.1 * max(shown), 1.1 * promised))
    highest = step * lines
    path = " ".join(
        f"{LEFT + WIDE * share:.1f},{TOP + HIGH * (1 - min(risk / highest, 1.0)):.1f}"
        for share, risk in curve
    )
    line = TOP + HIGH * (1 - promised / highest)
    parts = [
        _frame(LEFT, step, lines, "share of photos answered", "wrong among them"),
        f'<line x1="{LEFT}" x2="{LEFT + WIDE}" y1="{line:.1f}" y2="{line:.1f}" '
        f'stroke="{BAND}" stroke-dasharray="5 4"/>',
        f'<text x="{LEFT + 6}" y="{line - 5:.1f}" fill="{BAND}">{100 * promised:g} in 100</text>',
        f'<polyline points="{path}" fill="none" stroke="{LINE}" stroke-width="2.5"/>',
        _frame(SECOND, 0.25, 4, "stated confidence", "share that was right"),
        f'<line x1="{SECOND}" y1="{TOP + HIGH}" x2="{SECOND + WIDE}" y2="{TOP}" '
        f'stroke="{BAND}" stroke-dasharray="5 4"/>',
        *_dots(pairs),
        f'<text x="{LEFT}" y="22" font-weight="600">Risk against coverage</text>',
        f'<text x="{SECOND}" y="22" font-weight="600">Calibration (error '
        f"{calibration_error(pairs):.3f}, {len(pairs)} photos)</text>",
    ]
    language = ' xmlns="http://www.w3.org/2000/svg"' if alone else ""
    return (
        f'<svg{language} viewBox="0 0 800 330" role="img" '
        'aria-label="Share of wrong stages against share of photos answered, and share right '
        'against stated confidence" font-family="system-ui, sans-serif" font-size="13" '
        f'fill="{INK}"><rect width="800" height="330" fill="#ffffff"/>{"".join(parts)}</svg>\n'
    )


def _lines(least: float) -> tuple[float, int]:
    """A round step and how many of them, three or four, reach at least so far."""
    ten = 10.0 ** math.floor(math.log10(least / 4))
    step = next(ten * r for r in (1.0, 2.0, 2.5, 5.0, 10.0) if 4 * ten * r >= least)
    return step, math.ceil(least / step)


def _frame(left: float, step: float, lines: int, across: str, up: str) -> str:
    """Axes from 0 to 1, with a number every quarter, and from 0 up, with a line every step."""
    parts = [
        f'<text x="{left + WIDE * k / 4:.1f}" y="{TOP + HIGH + 18}" text-anchor="middle">'
        f"{k / 4:.2f}</text>"
        for k in range(5)
    ]
    for k in range(lines + 1):
        y = TOP + HIGH * (1 - k / lines)
        parts.append(
            f'<line x1="{left}" x2="{left + WIDE}" y1="{y:.1f}" y2="{y:.1f}" stroke="{GRID}"/>'
            f'<text x="{left - 6}" y="{y + 4:.1f}" text-anchor="end">{step * k:.3g}</text>'
        )
    middle = TOP + HIGH / 2
    parts.append(
        f'<text x="{left + WIDE / 2}" y="{TOP + HIGH + 38}" text-anchor="middle">{across}</text>'
        f'<text x="{left - 46}" y="{middle}" text-anchor="middle" '
        f'transform="rotate(-90 {left - 46} {middle})">{up}</text>'
    )
    return "".join(parts)


def _dots(pairs: Sequence[tuple[float, bool]]) -> list[str]:
    """One disc a tenth of confidence, its area by the number of photos."""
    dots = []
    for tenth in range(10):
        inside = [p for p in pairs if min(int(p[0] * 10), 9) == tenth]
        if inside:
            mean = sum(confidence for confidence, _ in inside) / len(inside)
            right = sum(hit for _, hit in inside) / len(inside)
            radius = 3 + 9 * (len(inside) / len(pairs)) ** 0.5
            dots.append(
                f'<circle cx="{SECOND + WIDE * mean:.1f}" cy="{TOP + HIGH * (1 - right):.1f}" '
                f'r="{radius:.1f}" fill="{LINE}" fill-opacity="0.75"/>'
            )
    return dots
