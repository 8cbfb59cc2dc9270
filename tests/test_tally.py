"""Tally: what many plants against one limit say of the field."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from collarvision.clusters import share_effect
from collarvision.evidence import PlantEvidence
from collarvision.limitsfile import Bound, Limit
from collarvision.tally import beyond, past_share, standings

LIMIT = Limit("Product A", "broadcast", "collars", highest=Bound(6), share_past=0.3)


def stops(*stages: list[int]) -> list[PlantEvidence]:
    return [
        PlantEvidence(f"{stop}.{k}", hand_count=stage, stop=str(stop))
        for stop, own in enumerate(stages)
        for k, stage in enumerate(own)
    ]


def scattered(field: list[PlantEvidence]) -> list[PlantEvidence]:
    """The same plants without their stops, each for itself."""
    return [replace(plant, stop=None) for plant in field]


def interval(field: list[PlantEvidence]) -> tuple[float, float]:
    share = past_share(standings(field, LIMIT, 0), LIMIT)
    assert share is not None
    return share.interval


def test_plants_of_one_stop_tell_less_of_the_fields_share() -> None:
    """One stop of four is past: ten plants that are alike are hardly more than one.

    Plants that count as 1 / effect each widen an interval by the effect's root (L. Kish 1965,
    "Survey Sampling", from memory).
    """
    field = stops([8] * 10, [4] * 10, [4] * 10, [4] * 10)
    by_stops, alone = interval(field), interval(scattered(field))
    effect = share_effect([p.hand_count == 8 for p in field], [p.stop for p in field]).effect
    wider = np.ptp(by_stops) / np.ptp(alone)
    assert wider > 1.5
    assert wider == pytest.approx(effect**0.5, rel=0.35)  # a share ends at 0, so not in full
    # And so it is less sure that no more than the share allowed is past.
    chance, sure = (
        beyond(standings(some, LIMIT, 0), LIMIT, near=False) for some in (field, scattered(field))
    )
    assert chance > 1.3 * sure


def test_a_share_of_none_asks_for_any_plant_whatever_its_stop() -> None:
    """Where none may be past, one that is decides; stops have no say in that."""
    strict = replace(LIMIT, share_past=0.0)
    field = [*stops([4] * 5, [4] * 5), PlantEvidence("nodes", hand_count=6, one_more=0.2, stop="0")]
    for some in (field, scattered(field)):
        assert beyond(standings(some, strict, 0), strict, near=False) == pytest.approx(0.2)


def test_a_waiting_plant_stands_at_either_end_of_what_it_may_be() -> None:
    """One more than the likeliest on either side, see `plausible_stages`."""
    waits = PlantEvidence("waits", (0.0,) * 5 + (0.5, 0.5), 5, "hand-count", 0.5)
    for end, past in ((0, 0.0), (1, 1.0)):  # V4 and V7
        (found,) = standings([waits], LIMIT, end)  # type: ignore[arg-type]
        assert found.past == past
