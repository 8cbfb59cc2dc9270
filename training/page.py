"""One HTML file of what went wrong: pictures with truth and reading drawn, figures, curves.

Truth is drawn as hollow squares, the reading as filled discs; blue for collars, orange for tips
(told apart by colour-blind eyes, and by shape besides). The file needs nothing beside it.
"""

from __future__ import annotations

import base64
import html
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from training.riskplot import risk_plot
from training.scoring import (
    REFUSING,
    TOLERANCE,
    Case,
    pair_up,
    plant_height_px,
    points_of,
    risk_coverage,
    summary,
    sure_pairs,
)

SHOWN_PX = 900
# BGR; the Okabe-Ito palette's blue, orange and vermilion.
COLLAR, TIP, SOIL = (178, 114, 0), (0, 159, 230), (0, 94, 213)

STYLE = """
body{font:16px/1.45 system-ui,sans-serif;margin:1rem auto;max-width:1200px;padding:0 1rem;
color:#1b1b1b;background:#fff}
table{border-collapse:collapse;margin:1rem 0}td,th{padding:.15rem .6rem;border-bottom:1px solid
#ccc;text-align:right}td:first-child,th:first-child{text-align:left}
.grid{display:grid;grid-template-columns:repeat(auto-fill,minmax(320px,1fr));gap:1rem}
figure{margin:0;border:1px solid #ccc;padding:.5rem}figure img{width:100%}
figcaption{font-size:.9rem}svg{max-width:800px;width:100%;height:auto}
"""


def badness(case: Case) -> float:
    """How much a photo should be looked at; 0 means nothing is wrong with it."""
    if not case.usable:
        return 0.0 if case.reading.get("outcome") in REFUSING else 10.0
    if not case.reading:
        return 9.0
    wrong = min(abs(case.error), 4)
    # A wrong stage given as sure is the worst that the tool can do.
    score = wrong * (4.0 if case.staged else 1.5)
    score += 0.5 * (case.collars.true - case.collars.matched)
    score += 0.5 * (case.collars.found - case.collars.matched)
    score += 0.2 * (case.tips.true - case.tips.matched + case.tips.found - case.tips.matched)
    return score


def draw(case: Case, path: Path) -> np.ndarray | None:
    """Draw truth and reading on the photo, (h, w, 3) BGR; None when the photo cannot be read."""
    image = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if image is None:
        return None
    scale = SHOWN_PX / max(image.shape[:2])
    image = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)

    def at(x: float, y: float) -> tuple[int, int]:
        return round(x * scale), round(y * scale)

    truth, got = case.truth, case.reading
    for rows, colour in ((truth.get("collars_visible_in_image"), COLLAR), (truth.get("tips"), TIP)):
        for p in rows or []:
            x, y = at(p["x"], p["y"])
            thickness = 1 if p.get("occluded") else 2
            cv2.rectangle(image, (x - 8, y - 8), (x + 8, y + 8), (255, 255, 255), thickness + 2)
            cv2.rectangle(image, (x - 8, y - 8), (x + 8, y + 8), colour, thickness)
    for rows, colour in ((got.get("collars"), COLLAR), (got.get("tips"), TIP)):
        for p in rows or []:
            center = at(p["x"], p["y"])
            cv2.circle(image, center, 6, (255, 255, 255), -1, cv2.LINE_AA)
            cv2.circle(image, center, 4, colour, -1, cv2.LINE_AA)
            if p.get("rank") is not None:
                where = (center[0] + 9, center[1] - 7)
                for width, ink in ((4, (255, 255, 255)), (1, (0, 0, 0))):
                    cv2.putText(
                        image,
                        str(p["rank"]),
                        where,
                        cv2.FONT_HERSHEY_SIMPLEX,
                        0.55,
                        ink,
                        width,
                        cv2.LINE_AA,
                    )
    for xy, kind in (
        (got.get("soil_line"), cv2.MARKER_CROSS),
        (got.get("arch"), cv2.MARKER_TRIANGLE_UP),
    ):
        if xy:
            cv2.drawMarker(image, at(*xy), (255, 255, 255), kind, 22, 5)
            cv2.drawMarker(image, at(*xy), SOIL, kind, 22, 2)
    return image


def misses(case: Case) -> str:
    """Say in words which collars were missed and which were made up."""
    rows = case.truth.get("collars_visible_in_image") or []
    reach = TOLERANCE * plant_height_px(case.truth)
    found = points_of(case.reading.get("collars"))
    seen = [p for p in rows if not p.get("occluded")]
    hidden = [p for p in rows if p.get("occluded")]
    pairs = pair_up(points_of(seen), found, reach)
    hit, used = {i for i, _ in pairs}, {j for _, j in pairs}
    missed = [str(p.get("rank")) for i, p in enumerate(seen) if i not in hit]
    # What a hidden collar excuses is no find of a seen one.
    left = [point for j, point in enumerate(found) if j not in used]
    parts = []
    if missed:
        parts.append("missed collar " + ", ".join(missed))
    if extra := len(left) - len(pair_up(points_of(hidden), left, reach)):
        parts.append(f"{extra} false")
    return "; ".join(parts)


def _caption(case: Case) -> str:
    truth, got = case.truth, case.reading
    stage = got.get("stage")
    wanted = f"V{truth['stage_v']}" if truth.get("stage_v") is not None else "no stage"
    told = f"V{stage}" if stage is not None else "no stage"
    words = [
        f"<b>{html.escape(str(truth['file']))}</b>",
        f"truth {wanted} ({html.escape(str(truth.get('reason') or 'ok'))}), read {told}, "
        f"{html.escape(str(got.get('outcome')))}, confidence {got.get('confidence') or 0:.2f}",
        html.escape(
            f"{truth.get('layout')}, {truth.get('lighting')}, hard case "
            f"{truth.get('hard_case')}, {truth.get('lower_leaves_missing') or 0} lost"
        ),
        html.escape(misses(case)),
        html.escape(" ".join(got.get("reasons") or [])),
    ]
    return "<br>".join(word for word in words if word)


def _figures(figures: Mapping[str, Any]) -> str:
    rows = "".join(
        f"<tr><td>{name.replace('_', ' ')}</td><td>"
        f"{value if isinstance(value, int) else format(value, '.3f')}</td></tr>"
        for name, value in figures.items()
    )
    return f"<table><tr><th>figure</th><th>value</th></tr>{rows}</table>"


def write_page(out: Path, cases: Sequence[Case], paths: Mapping[str, Path], most: int = 60) -> int:
    """Write the page; give how many photos it shows, the worst first."""
    wrong = sorted((c for c in cases if badness(c) > 0), key=badness, reverse=True)
    figures = []
    for case in wrong[:most]:
        image = draw(case, paths[case.truth["file"]])
        if image is None:
            continue
        _, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 80])
        picture = base64.b64encode(data.tobytes()).decode("ascii")
        figures.append(
            f'<figure><img alt="{html.escape(str(case.truth["file"]))}" '
            f'src="data:image/jpeg;base64,{picture}"><figcaption>{_caption(case)}</figcaption>'
            "</figure>"
        )
    sure = sure_pairs(cases)
    curve = risk_coverage(sure)
    points = json.dumps([[round(a, 4), round(b, 4)] for a, b in curve])
    out.write_text(
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport "
        'content="width=device-width,initial-scale=1"><title>Readings against truth</title>'
        f"<style>{STYLE}</style><h1>Readings against truth</h1>"
        "<p>Hollow squares: truth (thin: covered). Discs: the reading, with leaf numbers. Blue: "
        "collars; orange: tips; cross: soil line; triangle: arch.</p>"
        f"{_figures(summary(cases))}<h2>Error rate when only the surest are answered</h2>"
        f"{risk_plot(sure, alone=False)}<h2>Photos to look at, worst first</h2>"
        f'<div class="grid">{"".join(figures)}</div>'
        f'<script type="application/json" id="risk-coverage">{points}</script></html>\n',
        encoding="utf-8",
    )
    return len(figures)
