"""SVG: shapes as text, every word in them escaped. Sizes are px of a drawing that scales."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from xml.sax.saxutils import escape, quoteattr

Point = tuple[float, float]


class Drawing:
    """A drawing of a fixed shape that fills the width it is given.

    Parameters
    ----------
    width, height : float
        Of the drawing's own plane, px.
    label : str
        What it shows, for people who can't see it.
    """

    def __init__(self, width: float, height: float, label: str) -> None:
        self.width, self.height = width, height
        self._label = label
        self._parts: list[str] = []
        self._words: list[str] = []

    def line(self, points: Iterable[Point], kind: str) -> None:
        """An open line; `kind` is a class of the page's style sheet, here and below."""
        self._parts.append(f'<polyline class="{kind}" points="{_points(points)}"/>')

    def area(self, points: Iterable[Point], kind: str) -> None:
        """A closed shape."""
        self._parts.append(f'<polygon class="{kind}" points="{_points(points)}"/>')

    def rings(self, rings: Sequence[Sequence[Point]], kind: str) -> None:
        """Outlines with holes in them."""
        path = " ".join(
            "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in ring) + " Z" for ring in rings
        )
        self._parts.append(f'<path class="{kind}" fill-rule="evenodd" d="{path}"/>')

    def path(self, data: str, kind: str) -> None:
        """A curve in SVG's own words."""
        self._parts.append(f'<path class="{kind}" d={quoteattr(data)}/>')

    def box(self, x: float, y: float, width: float, height: float, kind: str) -> None:
        """A rectangle; nothing where it would have no area."""
        if width > 0 and height > 0:
            self._parts.append(
                f'<rect class="{kind}" x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" '
                f'height="{height:.1f}"/>'
            )

    def dot(self, x: float, y: float, radius: float, kind: str) -> None:
        """A filled circle."""
        self._parts.append(f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}"/>')

    def words(self, x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> None:
        """A line of text, its base line at y; it lies over every shape, whichever came first."""
        self._words.append(
            f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{kind}">'
            f"{escape(text)}</text>"
        )

    def text(self) -> str:
        """The whole drawing."""
        return (
            f'<svg viewBox="0 0 {self.width:g} {self.height:g}" role="img" '
            f"aria-label={quoteattr(self._label)}>{''.join([*self._parts, *self._words])}</svg>"
        )


def _points(points: Iterable[Point]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def round_steps(low: float, high: float, about: int = 5) -> list[float]:
    """Round numbers from `low` to `high`, some `about` of them."""
    span = max(high - low, 1e-9)
    step = 10.0 ** len(str(int(span)))
    while span / step < about:
        for part in (2.0, 2.5, 2.0):
            step /= part
            if span / step >= about:
                break
    first = -(-low // step)
    count = int((high - first * step) / step + 1e-6) + 1
    return [round((first + k) * step, 6) for k in range(count)]
