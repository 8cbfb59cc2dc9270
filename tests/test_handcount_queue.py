"""The queue: which plant is most worth a minute."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from surveys import MODEL, reading, sha

from collarvision.evidence import PlantEvidence
from collarvision.field import count_distribution, share_belief
from collarvision.handcount.pages_lists import _how_many
from collarvision.handcount.queue import QueueKeeper
from collarvision.handcount.worth import _chances, _without, worth_of_waiting
from collarvision.limitsfile import parse_limits
from collarvision.survey import FileFacts, HandCount, Place, SurveyReader, SurveyWriter
from collarvision.survey.stopcounts import stop_counts

LIMITS = """
[[limit]]
name = "Product A"
method = "broadcast"
leaf = "collars"
max_leaves = 4
"""


def waiting(name: str, spread: dict[int, float]) -> PlantEvidence:
    probabilities = tuple(spread.get(k, 0.0) for k in range(13))
    best = max(spread, key=lambda k: spread[k])
    return PlantEvidence(name, probabilities, best, "hand-count", spread[best])


def counted(name: str, stage: int) -> PlantEvidence:
    return PlantEvidence(name, hand_count=stage)


def test_taking_one_event_out_undoes_the_convolution() -> None:
    chances = [0.0, 0.03, 0.5, 0.5, 0.97, 1.0, 0.2]
    found = _without(count_distribution(chances), np.array(chances))
    for i, rest in enumerate(found):
        expected = count_distribution(chances[:i] + chances[i + 1 :])
        assert rest == pytest.approx(expected, abs=1e-12)


def test_chances_are_those_of_the_field() -> None:
    for effect in (1.0, 1.7):
        expected = [
            share_belief([1.0] * count + [0.0] * (12 - count), effect).above(0.5)
            for count in range(13)
        ]
        assert _chances(12, 0.5, effect) == pytest.approx(expected, abs=0.003)


def test_a_plant_that_decides_the_half_is_worth_most() -> None:
    # Four plants at V3 and four at V5: the field's stage hangs on plants between. A plant that is
    # V5 or V6 is past the question; one that may be V3 to V5 is the question.
    plants = [counted(f"a{n}", 3) for n in range(4)] + [counted(f"b{n}", 5) for n in range(4)]
    between = waiting("between", {3: 0.3, 4: 0.4, 5: 0.3})
    above = waiting("above", {6: 0.5, 7: 0.5})
    worth = worth_of_waiting([*plants, between, above])
    assert worth["between"].moves > 2 * worth["above"].moves
    assert worth["between"].words in ("of being at V4", "of being at V5")


def test_worth_is_the_change_that_a_count_makes() -> None:
    # By hand: one plant at V2 or V3 beside one counted V3. The chance of V3 goes from that of one
    # of two plants to that of two of two.
    plants = [counted("a", 3), waiting("b", {2: 0.5, 3: 0.5})]
    moved = share_belief([1.0, 1.0]).above(0.5) - share_belief([1.0, 0.0]).above(0.5)
    assert worth_of_waiting(plants)["b"].moves == pytest.approx(moved, abs=0.01)


def test_one_plant_more_moves_a_large_field_less() -> None:
    open_one = waiting("b", {3: 0.5, 4: 0.5})
    few = [counted(f"a{n}", 3 + n % 2) for n in range(4)]
    many = [counted(f"a{n}", 3 + n % 2) for n in range(40)]
    small, large = (worth_of_waiting([*field, open_one])["b"].moves for field in (few, many))
    assert small > 2 * large > 0


def test_nothing_waits_and_nothing_can_move() -> None:
    assert worth_of_waiting([counted("a", 3)]) == {}
    assert worth_of_waiting([]) == {}
    assert np.all(np.diff(_chances(5, 0.0, 1.0)) >= 0)


def test_the_users_limits_ask_their_own_question() -> None:
    limits = parse_limits(LIMITS)
    plants = [counted(f"a{n}", 3) for n in range(6)]
    near = waiting("near", {4: 0.5, 5: 0.5})  # the last allowed is V4
    far = waiting("far", {2: 0.5, 3: 0.5})
    worth = worth_of_waiting([*plants, near, far], limits)
    assert worth["near"].words == 'of being past the maximum of "Product A"'
    assert worth["near"].moves == pytest.approx(1.0, abs=0.02)  # one plant past is enough
    assert worth["far"].moves < 0.05


def test_the_queue_puts_the_most_worth_first_and_forgets_what_is_counted(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    old, new = Place("North", "2027-05-10"), Place("North", "2027-05-20")
    wide = tuple([0.0, 0.0, 0.1, 0.4, 0.4, 0.1] + [0.0] * 7)
    sharp = tuple([0.0] * 9 + [0.95, 0.05, 0.0, 0.0])
    back = {"outcome": "hand-count", "reasons": ("Look.",)}
    plants = [
        ("old.jpg", old, {**back, "stage_probabilities": wide, "confidence": 0.4}),
        ("sharp.jpg", new, {**back, "stage": 9, "stage_probabilities": sharp, "confidence": 0.95}),
        ("wide.jpg", new, {**back, "stage_probabilities": wide, "confidence": 0.4}),
        ("nowhere.jpg", None, {**back, "confidence": 0.2}),
        ("done.jpg", new, {}),
    ]
    with SurveyWriter(path, create=True) as store:
        for n, (name, place, said) in enumerate(plants):
            store.add_reading(reading(name, **said), sha256=sha(n), model=MODEL, place=place)
    keeper = QueueKeeper(path)
    queue = keeper.now()
    assert queue is keeper.now()  # nothing changed
    names = [entry.waiting.photo for entry in queue.entries]
    # The last visit's plants move its answer; of the others the least sure comes first.
    assert names == ["wide.jpg", "sharp.jpg", "nowhere.jpg", "old.jpg"]
    assert queue.entries[2].worth.moves == 0
    assert queue.after(sha(2)) == sha(1)
    assert queue.after(sha(4)) == sha(2)  # not in it: from the start
    assert queue.after(sha(0)) is None
    assert [e.waiting.photo for e in queue.of_field("North")] == [
        "wide.jpg",
        "sharp.jpg",
        "old.jpg",
    ]
    with SurveyWriter(path, create=True) as store:
        store.add_hand_count(sha(2), HandCount("Ann", "2027-05-20T10:00", 3))
        store.add_hand_count(sha(2), HandCount("Bo", "2027-05-20T11:00", 4))
    queue = keeper.now()
    assert "wide.jpg" not in [entry.waiting.photo for entry in queue.entries]
    (apart,) = queue.disputed
    assert (apart.photo, apart.stages) == ("wide.jpg", {"Ann": 3, "Bo": 4})


def test_a_photo_that_is_filed_later_shows_under_its_field(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    back = {"outcome": "hand-count", "reasons": ("Look.",), "confidence": 0.4}
    with SurveyWriter(path, create=True) as store:
        place = Place("North", "2027-05-20")
        store.add_reading(reading("a.jpg", **back), sha256=sha(1), model=MODEL, place=place)
        store.add_reading(reading("b.jpg", **back), sha256=sha(2), model=MODEL)
        keeper = QueueKeeper(path)
        assert len(keeper.now().of_field("North")) == 1
        store.note_file(sha(2), FileFacts("North/b.jpg", 1, 1, 1), place)
    assert len(keeper.now().of_field("North")) == 2


def test_a_count_goes_on_behind_its_plant_and_not_back_to_those_passed_over(
    tmp_path: Path,
) -> None:
    path = tmp_path / "s.survey"
    back = {"outcome": "hand-count", "reasons": ("Look.",)}
    with SurveyWriter(path, create=True) as store:
        for n in range(5):
            place = Place("North" if n != 3 else "South", "2027-05-20")
            said = reading(f"{n}.jpg", confidence=0.3 + 0.1 * n, **back)
            store.add_reading(said, sha256=sha(n), model=MODEL, place=place)
    keeper = QueueKeeper(path)
    order = [int(e.waiting.photo[0]) for e in keeper.now().entries]
    assert sorted(order) == [0, 1, 2, 3, 4]
    north = [n for n in order if n != 3]
    # The first is passed over, the second counted: the third is next.
    for counted, following in zip(north[1:], [*north[2:], None], strict=True):
        with SurveyWriter(path, create=True) as store:
            store.add_hand_count(sha(counted), HandCount("Ann", "2027-05-20T10:00", 3))
        found = keeper.now().after(sha(counted), "North")
        assert found == (None if following is None else sha(following))
    # Asked again, long after: whoever stood behind it and still waits.
    assert keeper.now().after(sha(north[1]), "North") is None
    assert keeper.now().after("f" * 64) == keeper.now().entries[0].waiting.sha256


def weighed_anew(path: Path, seed: int) -> dict[str, int]:
    """A survey of a field whose order changes with every count; each plant's true stage."""
    draw = random.Random(seed)
    true: dict[str, int] = {}
    with SurveyWriter(path, create=True) as store:
        for n in range(12):
            sure, stage = draw.uniform(0.35, 0.9), draw.choice([2, 3, 3, 4, 5])
            spread = {stage: sure, stage + 1: 0.6 * (1 - sure), stage - 1: 0.4 * (1 - sure)}
            said = reading(
                f"{n}.jpg",
                outcome="hand-count",
                reasons=("Look.",),
                stage=stage,
                confidence=sure,
                stage_probabilities=waiting("", spread).stage_probabilities,
            )
            place = Place("North", "2027-05-20")
            store.add_reading(said, sha256=sha(n), model=MODEL, place=place)
            true[sha(n)] = stage
    return true


@pytest.mark.parametrize("others", [0, 1])
@pytest.mark.parametrize("skipped", [0.0, 0.4])
def test_a_walk_comes_to_every_plant_once_though_each_count_weighs_the_field_anew(
    tmp_path: Path, skipped: float, others: int
) -> None:
    moved = 0
    for seed in range(8):
        path = tmp_path / f"{seed}.survey"
        true, draw = weighed_anew(path, seed), random.Random(seed)
        keeper = QueueKeeper(path)
        plant: str | None = keeper.now().entries[0].waiting.sha256
        first_order = [entry.waiting.sha256 for entry in keeper.now().entries]
        seen: list[str] = []
        passed: set[str] = set()
        by_others: set[str] = set()
        while plant is not None:
            seen.append(plant)
            counted = [plant] if draw.random() >= skipped else []
            passed |= {plant} - set(counted)
            if others and len(seen) == 3:  # somebody else counts the last one meanwhile
                last = next(e.waiting.sha256 for e in keeper.now().entries[::-1])
                if last != plant and last not in passed:
                    by_others.add(last)
                    counted.insert(0, last)
            for one in counted:
                with SurveyWriter(path, create=True) as store:
                    store.add_hand_count(one, HandCount("Ann", "2027-05-20T10:00", true[one]))
                keeper.now()
            plant = keeper.go_on(plant, "North")
        assert sorted(seen) == sorted(set(true) - by_others)
        assert {e.waiting.sha256 for e in keeper.now().entries} == passed
        moved += seen != first_order
    assert moved > 4


BACK: dict[str, Any] = {"outcome": "hand-count", "reasons": ("Look.",), "confidence": 0.4}


def two_fields(path: Path) -> None:
    """Twelve plants that wait: five at two stops of two fields each, and two in none."""
    with SurveyWriter(path, create=True) as store:
        for n in range(12):
            place = Place("North" if n % 2 else "South", "2027-05-20", str(1 + n % 4 // 2))
            said = reading(f"{n}.jpg", stage=3 + n % 3, **BACK)
            store.add_reading(said, sha256=sha(n), model=MODEL, place=place if n < 10 else None)


def every_change() -> dict[str, Callable[[SurveyWriter], object]]:
    """All that may change a field's plants, in this order."""

    def filed(n: int, field: str, date: str, stop: str) -> Callable[[SurveyWriter], object]:
        return lambda store: store.add_reading(
            reading(f"{n}.jpg", **BACK),
            sha256=sha(n),
            model=MODEL,
            place=Place(field, date, stop),
            refile=True,
        )

    made = HandCount("Ann", "2027-05-20T10:00", 5)
    return {
        "counted": lambda store: store.add_hand_count(sha(1), made),
        "set aside": lambda store: store.set_aside(sha(3), "Ann", "no-plant"),
        "to another stop": filed(5, "North", "2027-05-20", "2"),
        "to a further stop": filed(7, "North", "2027-05-20", "9"),
        "stops changed with each other": lambda store: (
            filed(5, "North", "2027-05-20", "9")(store),
            filed(7, "North", "2027-05-20", "2")(store),
        ),
        "to another day": filed(9, "North", "2027-05-24", "1"),
        "to another field": filed(9, "South", "2027-05-20", "1"),
        "out of no field": filed(10, "North", "2027-05-20", "1"),
        "together": lambda store: store.say_one_plant([sha(0), sha(4)]),
        "one more plant together": lambda store: store.say_one_plant([sha(2), sha(6)]),
        "apart": lambda store: store.say_own_plants([sha(0), sha(4)]),
        "counted at a stop": lambda store: store.add_stop_count(
            Place("North", "2027-05-20", "2"), made
        ),
        "withdrawn there": lambda store: store.withdraw_stop_plant(
            next(stop_counts(store)).id, who="Bo", reason="slip"
        ),
        "read again": lambda store: store.add_reading(
            reading("7.jpg", **{**BACK, "confidence": 0.6}), sha256=sha(7), model=MODEL, again=True
        ),
        "counted by two": lambda store: (
            store.add_hand_count(sha(8), made),
            store.add_hand_count(sha(8), HandCount("Bo", "2027-05-20T11:00", 4)),
        ),
        "a field more": lambda store: store.add_reading(
            reading("20.jpg", **BACK), sha256=sha(20), model=MODEL, place=Place("East")
        ),
    }


def test_every_change_of_a_field_comes_to_its_queue_and_to_the_heading(tmp_path: Path) -> None:
    path = tmp_path / "s.survey"
    two_fields(path)
    keeper = QueueKeeper(path)
    for words, change in every_change().items():
        was = keeper.now()
        with SurveyWriter(path) as store:
            before = store.state()
            _how_many(store, str(path), None)
            change(store)
            assert store.state() != before, words
            known = [_how_many(store, str(path), one) for one in (None, "North", "South")]
            anew = [_how_many(store, words, one) for one in (None, "North", "South")]
        now, fresh = keeper.now(), QueueKeeper(path).now()
        assert (now.entries, now.disputed) == (fresh.entries, fresh.disputed), words
        assert (now.entries, now.disputed) != (was.entries, was.disputed) or words in (
            "counted at a stop",
            "withdrawn there",
        ), words
        assert known == anew, words


def test_a_save_asks_for_the_plants_of_its_own_field_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a season's survey the other fields have tens of thousands of plants."""
    path = tmp_path / "s.survey"
    two_fields(path)
    with SurveyWriter(path) as store:
        store.say_one_plant([sha(0), sha(4)])
        store.say_one_plant([sha(1), sha(5)])
        store.add_hand_count(sha(2), HandCount("Bo", "2027-05-20T10:00", 3))
        _how_many(store, str(path), None)
    keeper = QueueKeeper(path)
    keeper.now()
    asked: set[tuple[str, str | None]] = set()

    def noting(name: str) -> None:
        real = getattr(SurveyReader, name)

        def called(store: SurveyReader, field: str | None = None, *more: Any, **named: Any) -> Any:
            if not named.get("several"):
                asked.add((name, "none" if named.get("unfiled") else field))
            return real(store, field, *more, **named)

        monkeypatch.setattr(SurveyReader, name, called)

    for name in ("plants", "waiting", "shared_visits", "counts"):
        noting(name)
    with SurveyWriter(path) as store:
        store.add_hand_count(sha(1), HandCount("Ann", "2027-05-20T10:00", 3))
    keeper.go_on(sha(1))
    with SurveyReader(path) as store:
        _how_many(store, str(path), None)
    assert {of for _, of in asked} == {"North", "none"}
    assert ("waiting", "North") in asked
