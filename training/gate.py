"""The gate: may a new network take the old one's place? Exact agreement on the same plants, paired.

Six things are asked; each has its sentence when the answer is no.

- Better: the 95 % interval of the gain in exact agreement, from a paired bootstrap over groups of
  plants that belong together, lies above 0 (B. Efron and R. Tibshirani 1993, "An Introduction to
  the Bootstrap", Chapman & Hall, ch. 13: the percentile interval).
- No luck: so large a gain comes in at most 2.5 % of the cases where each group might as well have
  changed the other way (the exact sign-flip test: R.A. Fisher 1935, "The Design of Experiments",
  ch. III). Of few groups the bootstrap's interval is too short, and of one it has no width. Fewer
  than six groups can't pass whatever they say, so that with them nothing is decided.
- No accident: Cohen's kappa of the new stages with the counts is above 0 in the same bootstrap. A
  network that says the commonest stage to every plant may gain on a bad one, and knows nothing.
- No promise broken: where the whole tool is judged, what the new network accepts is wrong no more
  often than the risk that its calibration promises, by the exact binomial test at 1 %.
- No stage worse, no layout worse: by the exact McNemar test in each (Q. McNemar 1947, "Note on the
  sampling error of the difference between correlated proportions", Psychometrika 12:153-157),
  one-sided, at 5 %. It is not softened for many stages: a false alarm costs only a wait.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from collarvision.agreement import cohens_kappa
from collarvision.drift import RISK_LEVEL, at_least

DRAWS = 4000
LEVEL = 0.05
FEWEST_GROUPS = 6
"""Of five groups that all got better the sign-flip test says 1 in 32: more than half of `LEVEL`."""

FEWEST = 15
"""Plants under which nothing is decided. Our own choice."""


@dataclass(frozen=True)
class Measured:
    """One held-out plant: what was counted, and what both networks say (None: no stage)."""

    plant: str
    group: str
    layout: str
    counted: int
    old: int | None
    new: int | None


@dataclass(frozen=True)
class Accepted:
    """Held-out plants that a network accepts, how many wrongly, and the risk it promises."""

    plants: int
    wrong: int
    risk: float


@dataclass(frozen=True)
class Decision:
    """What the gate says.

    Attributes
    ----------
    passed : bool
    reasons : tuple of str
        Why not; empty if passed.
    plants : int
    old_exact, new_exact : float
        Shares of the plants with exactly the counted stage.
    gain : (low, high)
        95 % interval of the gain in that share.
    kappa_low : float
        Lower end of the 95 % interval of the new network's kappa.
    by_kind : dict
        Stage or layout to (plants, old exact, new exact, chance that this is luck if worse).
    accepted : dict
        By "old" and "new"; empty where only the network's own stages were measured.
    groups : int
        Of plants that belong together.
    luck : float
        Chance of such a gain where neither network is better.
    """

    passed: bool
    reasons: tuple[str, ...]
    plants: int
    old_exact: float
    new_exact: float
    gain: tuple[float, float]
    kappa_low: float
    by_kind: dict[str, tuple[int, int, int, float]]
    accepted: dict[str, Accepted] = field(default_factory=dict)
    groups: int = 0
    luck: float = math.nan


def worse_by_luck(lost: int, won: int) -> float:
    """Chance of at least `lost` losses among lost + won plants when both are as likely."""
    plants = lost + won
    return sum(math.comb(plants, k) for k in range(lost, plants + 1)) / 2**plants


def gain_by_luck(changes: Iterable[int]) -> float:
    """Chance of at least such a sum when each group's change has either sign as likely: exact."""
    ways = {0: 1.0}
    total = 0
    for change in changes:
        total += change
        fresh: dict[int, float] = {}
        for at, chance in ways.items():
            for there in (at - change, at + change):
                fresh[there] = fresh.get(there, 0.0) + chance / 2
        ways = fresh
    return sum(chance for at, chance in ways.items() if at >= total)


def decide(
    measured: Sequence[Measured],
    accepted: Mapping[str, Accepted] | None = None,
    *,
    seed: int = 0,
) -> Decision:
    """Decide whether the new network is better; the same plants give the same answer."""
    taken = dict(accepted or {})
    counted = np.array([m.counted for m in measured])
    new = np.array([-1 if m.new is None else m.new for m in measured])
    was = np.array([m.old == m.counted for m in measured], dtype=bool)
    now = new == counted
    kinds: dict[str, tuple[int, int, int, float]] = {}
    namers: tuple[Callable[[Measured], str], ...] = (lambda m: f"V{m.counted}", lambda m: m.layout)
    for name_of in namers:
        names = np.array([name_of(m) for m in measured])
        for name in sorted(set(names.tolist())):
            here = names == name
            luck = worse_by_luck(int((here & was & ~now).sum()), int((here & ~was & now).sum()))
            kinds[name] = (int(here.sum()), int(was[here].sum()), int(now[here].sum()), luck)
    groups = len({m.group for m in measured})
    few = None
    if len(measured) < FEWEST:
        few = f"{len(measured)} held-out plants are too few to decide; count at least {FEWEST}."
    elif groups < FEWEST_GROUPS:
        few = (
            f"{groups} held-out stops, or fields without stops, are too few to tell a gain from "
            f"luck; count plants at more stops, until {FEWEST_GROUPS} of them are held out."
        )
    if few is not None:
        before, after = (float(x.mean()) if len(measured) else math.nan for x in (was, now))
        nothing = (math.nan, math.nan)
        return Decision(
            False, (few,), len(measured), before, after, nothing, math.nan, kinds, taken, groups
        )
    gains, kappas = _bootstrap(measured, was, now, new, seed)
    low, high = (float(v) for v in np.quantile(gains, (LEVEL / 2, 1 - LEVEL / 2)))
    kappa_low = float(np.quantile(kappas, LEVEL / 2))
    change = now.astype(int) - was
    in_group = {m.group: 0 for m in measured}
    for m, moved in zip(measured, change.tolist(), strict=True):
        in_group[m.group] += moved
    chance = gain_by_luck(in_group.values())
    reasons = []
    if not low > 0:
        reasons.append(f"Exact agreement changes by {low:+.1%} to {high:+.1%}: not surely better.")
    elif chance > LEVEL / 2:
        reasons.append(
            f"At {groups} stops such a gain may be luck (p = {chance:.3f}, not {LEVEL / 2})."
        )
    if not kappa_low > 0:
        reasons.append(
            f"The new network may agree with the counts by chance alone "
            f"(kappa from {kappa_low:.2f})."
        )
    reasons += [
        f"{name} got worse: {after} of {plants} exact, {before} before (p = {luck:.3f})."
        for name, (plants, before, after, luck) in kinds.items()
        if luck < LEVEL
    ]
    new_one = taken.get("new")
    if new_one and at_least(new_one.wrong, new_one.plants, new_one.risk) < RISK_LEVEL:
        reasons.append(
            f"{new_one.wrong} of {new_one.plants} readings that the new network accepts are wrong; "
            f"{new_one.risk:.0%} is what it promises."
        )
    return Decision(
        not reasons,
        tuple(reasons),
        len(measured),
        float(was.mean()),
        float(now.mean()),
        (low, high),
        kappa_low,
        kinds,
        taken,
        groups,
        chance,
    )


def _bootstrap(
    measured: Sequence[Measured], was: np.ndarray, now: np.ndarray, new: np.ndarray, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    """Gains and kappas of samples of whole groups, drawn with replacement."""
    names = sorted({m.group for m in measured})
    members = [np.flatnonzero([m.group == name for m in measured]) for name in names]
    change = now.astype(float) - was
    rng = np.random.default_rng(seed)
    gains, kappas = np.empty(DRAWS), np.empty(DRAWS)
    for draw in range(DRAWS):
        chosen = np.concatenate([members[k] for k in rng.integers(0, len(members), len(members))])
        gains[draw] = change[chosen].mean()
        kappa = cohens_kappa([(measured[i].counted, int(new[i])) for i in chosen])
        kappas[draw] = 0.0 if kappa is None else kappa
    return gains, kappas


def side_by_side(decision: Decision) -> str:
    """The old network and the new one as a table of plain text."""
    lines = [f"{'held-out plants':20s} {'plants':>6s} {'old exact':>10s} {'new exact':>10s}"]
    both = (decision.old_exact, decision.new_exact)
    old, new = ("-" if math.isnan(x) else f"{x:.1%}" for x in both)
    lines.append(f"{'all':20s} {decision.plants:6d} {old:>10s} {new:>10s}")
    for name, (plants, before, after, _) in decision.by_kind.items():
        lines.append(f"{name:20s} {plants:6d} {before:10d} {after:10d}")
    if decision.accepted:
        sides = [decision.accepted[name] for name in ("old", "new")]
        right, left = (f"{one.plants - one.wrong} of {one.plants}" for one in sides)
        lines.append(f"{'accepted, right':20s} {'':6s} {right:>10s} {left:>10s}")
    if not math.isnan(decision.gain[0]):
        lines.append(
            f"gain in exact agreement, 95 %: {decision.gain[0]:+.1%} to {decision.gain[1]:+.1%}"
        )
    return "\n".join(lines)
