"""Split stalk: nodes to collars, and the error of the rule."""

from __future__ import annotations

import pytest

from collarvision.evidence import PlantEvidence, beliefs, plausible_stages
from collarvision.splitstalk import (
    KNOWN_ERROR,
    ONE_MORE,
    STEPS,
    NodeCountError,
    collars_from_nodes,
)


def test_the_first_node_apart_is_leaf_five() -> None:
    """Nodes 1-4 lie squeezed below; the first node above the first stretched internode is leaf 5's.

    Purdue Univ. Extension, Field Crops IPM, corn stages; Univ. of Tennessee, UT Crops, June 2025.
    """
    assert collars_from_nodes(1).collars == 5
    assert collars_from_nodes(3).collars == 7


def test_the_error_leans_one_leaf_up() -> None:
    """0.5-0.8 more unstretched internodes in 2 of 3 years (Hicks & Peterson 1978).

    So between nothing (late planting) and 2/3 * 0.8 = 0.53 (early planting).
    """
    assert 0 < ONE_MORE < 2 / 3 * 0.8
    # Half way between the two, for nobody says how early a field was planted.
    assert abs(ONE_MORE - 2 / 3 * 0.65 / 2) < 0.02
    assert collars_from_nodes(2).one_more == ONE_MORE
    assert "one leaf too low" in KNOWN_ERROR
    plant = PlantEvidence("a", hand_count=6, one_more=ONE_MORE)
    assert beliefs(plant)[6] == pytest.approx(1 - ONE_MORE)
    assert beliefs(plant)[7] == pytest.approx(ONE_MORE)
    assert plausible_stages(plant) == (6, 7)
    assert beliefs(PlantEvidence("b", hand_count=22, one_more=0.2))[22] == pytest.approx(1)
    with pytest.raises(ValueError, match="one more"):
        PlantEvidence("c", hand_count=6, one_more=1.2)


@pytest.mark.parametrize(("nodes", "said"), [(0, "count the collars"), (19, "uppermost leaf")])
def test_counts_that_tell_nothing(nodes: int, said: str) -> None:
    with pytest.raises(NodeCountError, match=said):
        collars_from_nodes(nodes)


def test_the_steps_say_what_is_counted() -> None:
    assert "+ 4" in STEPS[-1]
    assert "node 5" in " ".join(STEPS)
