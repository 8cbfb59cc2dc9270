"""Enough plan: whoever walks what `plan` asks for isn't sent back by `field`."""

from __future__ import annotations

import numpy as np
import pytest
from command import run

from collarvision.clusters import effect_ahead
from collarvision.enoughplan import MOST_WALKED, plan_to_settle
from collarvision.evidence import PlantEvidence
from collarvision.field import summarise
from collarvision.plantsenough import enough_for_stage
from collarvision.sampling import SamplePlan, half_width, plan_sample


def settled(plan: SamplePlan, seed: int, likeness: float = 0.0, walks: int = 120) -> float:
    """Share of walks over fields half of whose plants are past V4 that `field` finds enough."""
    random = np.random.default_rng(seed)
    enough = 0
    for _ in range(walks):
        here = np.full(plan.stops, 0.5)
        if likeness:
            here = random.beta(*[(1 / likeness - 1) / 2] * 2, plan.stops)
        plants = [
            PlantEvidence(f"{stop} {k}", hand_count=3 + int(random.random() < p), stop=str(stop))
            for stop, p in enumerate(here)
            for k in range(plan.plants_a_stop)
        ]
        found, _ = enough_for_stage(plants, summarise(plants), plan.precision)
        enough += found.enough
    return enough / walks


@pytest.mark.parametrize(
    ("acres", "precision"), [(5, 0.15), (40, 0.15), (160, 0.15), (15, 0.2), (80, 0.25), (30, 0.1)]
)
def test_the_plan_settles_nine_fields_of_ten(acres: float, precision: float) -> None:
    assert settled(plan_to_settle(acres, precision), 11) >= 0.88  # 0.9 less what 120 walks scatter


def test_the_plan_without_regard_to_likeness_did_not() -> None:
    assert settled(plan_sample(15), 3) == 0
    assert settled(plan_sample(40), 3) < 0.5


def test_a_patchy_field_is_said_to_give_less() -> None:
    plan = plan_to_settle(40)
    assert plan.precision_alike is not None
    assert 0.15 < plan.precision_alike < 0.2
    effect = effect_ahead(plan.stops, plan.plants_a_stop, 0.2)
    assert half_width(0.5, plan.plants / effect) == plan.precision_alike
    assert settled(plan, 5, likeness=0.2) < 0.8


def test_the_effect_ahead_by_hand() -> None:
    """Five stops of five, likeness 0.2: Student's t of 6 degrees of freedom is 2.447 (any table).

    Without a likeness the one found lies between those for the upper tenth and twentieth of
    Fisher's F, 2.249 and 2.866 for 4 and 20 degrees of freedom (any table): 1.249 / (2.249 + 4) =
    0.200 and 1.866 / (2.866 + 4) = 0.272, drawn to 0.2 with the weight of two against
    four: 0.200 and 0.248.
    """
    widened = 4 * (2.447 / 1.960) ** 2
    assert effect_ahead(5, 5, 0.2) == pytest.approx(1 + widened * 0.2, rel=1e-3)
    assert 1 + widened * 0.2 < effect_ahead(5, 5) < 1 + widened * 0.248
    assert effect_ahead(5, 1) == 1


def test_plans_stay_walkable_and_keep_to_the_published_stops() -> None:
    for acres in (0.5, 5, 15, 30, 50, 90, 400):
        for precision in (0.1, 0.15, 0.2, 0.3, 0.45):
            plan, plain = plan_to_settle(acres, precision), plan_sample(acres, precision)
            assert plain.stops <= plan.stops <= 15
            assert plan.fewest_stops == plain.stops
            assert max(plan.plants_needed, 10) <= plan.plants <= MOST_WALKED
    assert plan_to_settle(40, 0.15).plants <= 80  # an hour's photos or a little over


@pytest.mark.parametrize("precision", ["0.05", "0.07"])
def test_a_precision_that_nobody_walks_for(precision: str) -> None:
    result = run("plan", "--area", "40ac", "--precision", precision)
    assert result.exit_code == 2
    said = f"A precision of {precision} asks for more than 300 plants, and nobody walks for so many"
    assert said in result.stderr
    reached = result.stderr.split(" give ")[1].split(". Ask")[0]
    assert run("plan", "--area", "40ac", "--precision", reached).exit_code == 0
    assert result.stdout == ""


def test_the_page_says_what_the_plan_gives() -> None:
    page = run("plan", "--area", "15ac").stdout
    assert "(3 by its size; more, as plants of one stop are alike)" in page
    assert "+-15 in 100, 95% sure" in page
    assert "in a patchy field: then `field` asks for more)" in page
    assert "15 stops are the most" not in page
    assert "15 stops are the most" in run("plan", "--area", "400ac").stdout
    assert max(map(len, page.splitlines())) <= 80
