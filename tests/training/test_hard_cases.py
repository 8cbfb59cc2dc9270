"""Hard cases told from truth lines; tables for the model card; the risk plot."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest

from training.evaluate import markdown
from training.riskplot import risk_plot
from training.scoring import compare_all, hard_cases, sure_pairs


def truth(name: str, **keys):
    row = {
        "file": f"{name}.jpg",
        "usable": True,
        "stage_v": 4,
        "reason": "ok",
        "base_xy": [300.0, 900.0],
        "arch_xy": None,
        "collars_visible_in_image": [{"rank": 1, "x": 300.0, "y": 860.0, "occluded": False}],
        "tips": [
            {"rank": 1, "x": 100.0, "y": 700.0, "occluded": False, "has_collar": True},
            {"rank": 2, "x": 500.0, "y": 600.0, "occluded": False, "has_collar": True},
        ],
        "hard_case": "none",
        "first_leaf": {"present": True},
        "lower_leaf_status": {},
        "height_arch_mm": None,
        "card": {"present": True},
        "lighting": "shade",
        "layout": "standing",
        "board_colour": "white",
    }
    return {**row, **keys}


def reading(name: str, stage: int, confidence: float):
    return {
        "photo": f"{name}.jpg",
        "stage": stage,
        "confidence": confidence,
        "outcome": "staged" if confidence > 0.9 else "hand-count",
        "collars": [],
        "tips": [],
        "first_leaf": {"present": True},
    }


KINDS = {
    "plain": ({}, "none of these"),
    "about": ({"hard_case": "about_to_clear"}, "next collar about to clear"),
    "just": ({"hard_case": "just_cleared"}, "top collar just cleared"),
    "lost": ({"first_leaf": {"present": False}}, "leaf 1 gone"),
    "torn": ({"lower_leaf_status": {"1": "torn"}}, "a lower leaf withered or torn"),
    "old": ({"stage_v": 9}, "V8 and older"),
    "young": ({"stage_v": 0}, "VE and V1"),
    "laid": ({"layout": "laid"}, "laid"),
    "low": ({"lighting": "low_sun"}, "low sun"),
    "back": ({"lighting": "back_light"}, "back light"),
    "green": ({"board_colour": "green"}, "board of a plant's colour"),
    "bare": ({"card": {"present": False}}, "no card"),
    "hidden": (
        {"collars_visible_in_image": [{"rank": 1, "x": 300.0, "y": 860.0, "occluded": True}]},
        "a collar hidden",
    ),
    "facing": (
        {
            "tips": [
                {"rank": k, "x": 290.0 + 10 * k, "y": 500.0, "occluded": False, "has_collar": True}
                for k in (1, 2)
            ]
        },
        "leaves towards the camera",
    ),
}


def cases():
    truths = [truth(name, **keys) for name, (keys, _) in KINDS.items()]
    readings = [
        reading(row["file"][:-4], row["stage_v"] - (k % 3 == 0), 0.3 + 0.05 * k)
        for k, row in enumerate(truths)
    ]
    return compare_all(truths, readings)


def test_every_hard_case_finds_its_own_photo_and_no_other():
    groups = hard_cases(cases())
    for name, (_, kind) in KINDS.items():
        assert [case.truth["file"] for case in groups[kind]] == [f"{name}.jpg"]


def test_unusable_photos_are_no_hard_case():
    made = compare_all([truth("x", usable=False, reason="dark")], [])
    assert hard_cases(made) == {}


def test_the_tables_for_the_model_card_have_every_case():
    text = markdown(cases())
    for _, kind in KINDS.values():
        assert f"| {kind} | 1 |" in text
    widths = {line.count("|") for line in text.splitlines() if line.startswith("| ")}
    assert widths == {3, 9}
    assert "nan" not in text.split("hard case")[-1]


def test_the_risk_plot_is_a_picture_with_the_curve_and_the_promise():
    svg = risk_plot(sure_pairs(cases()))
    assert ">2 in 100<" in svg
    assert ">12.5 in 100<" in risk_plot(sure_pairs(cases()), promised=0.125)
    root = ET.fromstring(svg)
    line = root.find(".//{http://www.w3.org/2000/svg}polyline")
    assert line is not None
    points = [tuple(map(float, p.split(","))) for p in line.get("points").split()]
    assert len(points) == len(KINDS)
    assert points == sorted(points)  # coverage only grows
    assert "2 in 100" in svg


@pytest.mark.parametrize("wrong", [0, 3, 11, 37, 90])
def test_numbers_beside_the_lines_of_the_risk_plot_are_true(wrong):
    """Lines every quarter of an odd height were numbered 0.00, 0.01, 0.03 and 0.04."""
    pairs = [(0.99 - k / 1000, k % 100 >= wrong) for k in range(400)]
    numbers = re.findall(r'y="([0-9.]+)" text-anchor="end">([0-9.]+)<', risk_plot(pairs))
    left = [(float(y), float(number)) for y, number in numbers]
    risk, right = left[:-5], left[-5:]
    assert [number for _, number in right] == [0.0, 0.25, 0.5, 0.75, 1.0]
    (zero, none), (top, highest) = risk[0], risk[-1]
    assert none == 0
    assert 4 <= len(risk) <= 5
    for y, number in risk:  # as far up as its number says, to a tenth of a px
        assert zero - y == pytest.approx((zero - top) * number / highest, abs=0.11)
