"""Stalk drawing: a stalk split lengthwise, with its nodes numbered, drawn by its measures."""

from __future__ import annotations

from collarvision.report.svg import Drawing

_CENTRE = 116.0
_HALF = 32.0
_TOP = 34.0
_TIP = 396.0
_SHOULDER = 330.0  # where the stalk begins to taper into the triangle
_SOIL = 272.0

# Node, height on the page: 1 to 4 squeezed in the triangle, then one internode longer than another.
_SQUEEZED = ((1, 382.0), (2, 369.0), (3, 355.0), (4, 338.0))
_APART = ((5, 252.0), (6, 180.0), (7, 94.0))


def draw_stalk() -> str:
    """Draw a plant of seven collars that has lost leaf 5 and all below."""
    drawing = Drawing(
        360,
        440,
        "A stalk split lengthwise: nodes 1 to 4 squeezed together at the base below the soil, a "
        "first long internode above them, then nodes 5, 6 and 7 apart from each other",
    )
    drawing.box(0, _SOIL, 360, 440 - _SOIL, "soilground")
    drawing.line([(0, _SOIL), (360, _SOIL)], "soilline")
    drawing.words(6, _SOIL - 6, "soil", "small soft")
    for side in (-1, 1):
        for number, (_, y) in enumerate(_SQUEEZED):
            x = _CENTRE + side * _half_at(y)
            reach, drop = 46 + 10 * (number % 2), 20 + 5 * number
            drawing.path(
                f"M{x:.1f},{y:.1f} q{side * reach * 0.5:.1f},2 {side * reach:.1f},{drop:.1f}",
                "root",
            )
    _leaf(drawing, 180.0, -1, 118.0, "leaf")
    _leaf(drawing, 94.0, 1, 50.0, "leaf")
    _leaf(drawing, 252.0, 1, 216.0, "leaf lost")
    left, right = _CENTRE - _HALF, _CENTRE + _HALF
    drawing.area(
        [(left, _TOP), (right, _TOP), (right, _SHOULDER), (_CENTRE, _TIP), (left, _SHOULDER)],
        "stalk",
    )
    drawing.box(_CENTRE - 15, _TOP + 1, 30, _SHOULDER - _TOP - 1, "pith")
    for _, y in _SQUEEZED:
        half = _half_at(y)
        drawing.line([(_CENTRE - half, y), (_CENTRE + half, y)], "node")
    for number, y in _APART:
        drawing.line([(left, y), (right, y)], "node apart")
        drawing.dot(_CENTRE, y, 11, "count")
        drawing.words(_CENTRE, y + 4.5, str(number - 4), "countname", "middle")
    _labels(drawing)
    return drawing.text()


def _half_at(y: float) -> float:
    """Half of the stalk's width, which tapers to a point."""
    return _HALF if y <= _SHOULDER else _HALF * (_TIP - y) / (_TIP - _SHOULDER)


def _leaf(drawing: Drawing, node: float, side: int, collar: float, kind: str) -> None:
    """Sheath from its node up to the collar, and the blade that bends away there."""
    x = _CENTRE + side * _HALF
    out = x + side * 7
    drawing.path(
        f"M{x:.1f},{node:.1f} L{out:.1f},{node - 12:.1f} L{out:.1f},{collar:.1f} "
        f"q{side * 26:.1f},-40 {side * 56:.1f},-6 "
        f"q{-side * 28:.1f},-14 {-side * 49:.1f},20 L{x:.1f},{collar + 16:.1f} Z",
        kind,
    )
    if "lost" not in kind:
        drawing.line([(x - side * 2, collar + 6), (out + side * 5, collar - 2)], "collar")


def _labels(drawing: Drawing) -> None:
    for number, (y, lead, lines) in enumerate(
        (
            (58, 47, ("leaf 7: uppermost", "collar that shows")),
            (94, 94, ("node 7, the 3rd apart",)),
            (180, 180, ("node 6, the 2nd apart",)),
            (252, 252, ("node 5, the 1st apart", "(leaf 5 is lost)")),
            (300, 300, ("first long internode,", "about 1/2 to 3/4 in")),
            (362, 362, ("nodes 1 to 4, squeezed", "in the triangle")),
        )
    ):
        x = _CENTRE + _half_at(lead) + 4
        if number == 0:
            x += 14  # from the collar, not from the stalk
        drawing.line([(x, lead), (216, y)], "lead")
        for row, line in enumerate(lines):
            drawing.words(220, y + 4 + 14 * row, line, "small")
    drawing.words(6, 434, "3 nodes apart + 4 = 7 collars", "strong")
