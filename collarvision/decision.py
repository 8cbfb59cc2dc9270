"""Decision: everything a field's plants, limits and temperatures say together, in one value.

The terminal's table, the JSON form, the report and what the survey keeps are all made from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from collarvision import __version__
from collarvision.answer import stage_name
from collarvision.damage import Wait
from collarvision.field import FieldStage, summarise
from collarvision.fieldhistory import PastVisit, past_visits, remarks, same_crop
from collarvision.fieldvisits import FieldVisits
from collarvision.heat import DateSpan
from collarvision.limits import Verdict, held_back, judge_each, with_mixes
from collarvision.limitsfile import Bound, Limit, Limits
from collarvision.limitwords import CAUTION
from collarvision.outlook import Outlook, TrackDay
from collarvision.plantsenough import enough_for_stage
from collarvision.sampling import Enough, SequentialTest
from collarvision.seenplants import SeenPlant
from collarvision.sincevisit import grown_on
from collarvision.survey import Decision
from collarvision.units import Shown
from collarvision.walk.correction import ZonedField
from collarvision.walk.telling import cautions, zoned_record
from collarvision.window import Told, Window
from collarvision.windowtold import told_beside


@dataclass(frozen=True)
class FieldAnswer:
    """All that is said of a field for one day.

    Attributes
    ----------
    field : str
    visit : date or None
        Of the plants judged.
    today : date
        Day that the answer is for.
    stage : FieldStage
    enough : Enough
        Of the share that needs the most plants: at or past the field's stage, or the next.
    enough_for : str
        What share that is.
    limits : Limits or None
    verdicts : tuple of Verdict
        Limits in their file's order, then tank mixes; empty without a limits file.
    outlook : Outlook or None
    wait : Wait or None
        After hail or frost.
    plants : tuple of SeenPlant
    earlier : tuple of PastVisit
    boundary : dict or None
        GeoJSON geometry of the field.
    decisions : tuple of Decision
        Kept for this field before.
    notes : tuple of str
    told_first : tuple of str
        Those of the notes that are to be read before the answer.
    models, calibrations : tuple of str
    caution : str
    above : ZonedField or None
        What a flight says of the field, before and after the plants on the ground. The stage, the
        shares and the verdicts above know nothing of it.
    precision : float
        Half-width of the interval that `enough` asks for, as a share of plants.
    """

    field: str
    visit: date | None
    today: date
    stage: FieldStage
    enough: Enough
    enough_for: str
    limits: Limits | None
    verdicts: tuple[Verdict, ...]
    outlook: Outlook | None
    wait: Wait | None
    plants: tuple[SeenPlant, ...]
    earlier: tuple[PastVisit, ...]
    boundary: dict[str, Any] | None
    decisions: tuple[Decision, ...]
    notes: tuple[str, ...]
    models: tuple[str, ...]
    calibrations: tuple[str, ...]
    caution: str = CAUTION
    above: ZonedField | None = None
    precision: float = 0.15
    told_first: tuple[str, ...] = ()

    @property
    def expected(self) -> TrackDay | None:
        """Mean collars to expect by heat on the day of the answer; None without weather so far."""
        track = self.outlook.collars if self.outlook else ()
        return next((one for one in track if one.day == self.today), None)

    @property
    def undatable(self) -> tuple[str, ...]:
        """Limits and tank mixes whose verdict can't be told, so that no date is either."""
        return tuple(one.name for one in self.verdicts if one.word == "can't tell")

    def window_of(self, name: str) -> Window | None:
        """What is told of the window of a limit by its name; None where no date is."""
        windows = self.outlook.windows if self.outlook else ()
        found = next((one for one in windows if one.name == name), None)
        word = next((one.word for one in self.verdicts if one.name == name), None)
        return None if found is None or word is None else told_beside(word, found, self.today)

    def limit_of(self, name: str) -> Limit | None:
        """Limit by its name; None for a tank mix."""
        limits = self.limits.limits if self.limits else ()
        return next((one for one in limits if one.name == name), None)


def decide(
    visits: FieldVisits,
    today: date,
    *,
    limits: Limits | None = None,
    outlook: Outlook | None = None,
    wait: Wait | None = None,
    precision: float = 0.15,
    test: SequentialTest | None = None,
    above: ZonedField | None = None,
    shown: Shown | None = None,
) -> FieldAnswer:
    """Bring together what is known of a field's chosen visit.

    Parameters
    ----------
    visits : FieldVisits
    today : date
        Day that the answer is for.
    precision : float
        Half-width of the interval of a share that is enough.
    test : SequentialTest, optional
        Also end the walk when this test has decided.
    above : ZonedField, optional
        Of the same field and visit (`collarvision.walk.correction`).
    shown : Shown, optional
        Units of heights in the verdicts' sentences; by default those of the limits.
    """
    evidence = visits.chosen.evidence
    stage = summarise(evidence)
    verdicts: tuple[Verdict, ...] = ()
    if limits is not None:
        crop = same_crop(visits)
        verdicts = judge_each(
            evidence, limits, today, visits.undated, shown, crop, visits.chosen.day
        )
        windows = outlook.windows if outlook else ()
        seen = outlook.visits[-1].day if outlook else visits.chosen.day
        verdicts = with_mixes(grown_on(verdicts, windows, seen, today), limits)
    if wait is not None and wait.too_soon:
        mixes = {mix.name for mix in limits.mixes} if limits else set()
        verdicts = tuple(held_back(one, wait, mix=one.name in mixes) for one in verdicts)
    enough, enough_for = enough_for_stage(evidence, stage, precision, test)
    earlier = past_visits(visits)
    return FieldAnswer(
        field=visits.field,
        visit=visits.chosen.day,
        today=today,
        stage=stage,
        enough=enough,
        enough_for=enough_for,
        limits=limits,
        verdicts=verdicts,
        outlook=outlook,
        wait=wait,
        plants=visits.chosen.plants,
        earlier=earlier,
        boundary=visits.boundary,
        decisions=visits.decisions,
        notes=(
            *visits.told_first,
            *(() if above is None else cautions(above)),
            *visits.notes,
            *remarks(visits, earlier, stage),
        ),
        models=visits.models,
        calibrations=visits.calibrations,
        above=above,
        precision=precision,
        told_first=visits.told_first,
    )


def answer_record(answer: FieldAnswer) -> dict[str, Any]:
    """Give an answer as JSON values: dates ISO, heights in mm, shares from 0 to 1."""
    stage, outlook = answer.stage, answer.outlook
    return {
        "field": answer.field,
        "visit": _iso(answer.visit),
        "day": answer.today.isoformat(),
        "stage": stage.stage,
        "stage_name": None if stage.stage is None else stage_name(stage.stage),
        "stage_probability": _rounded(stage.probability),
        "plants": stage.plants,
        "hand_counted": stage.hand_counted,
        "waiting": list(stage.waiting_names),
        "stage_if_waiting": list(stage.stage_if_waiting) if stage.stage_if_waiting else None,
        "rejected": stage.rejected,
        "stops": stage.stops,
        "likeness_within_stops": _rounded(stage.stop_effect.likeness),
        "design_effect": _rounded(stage.stop_effect.effect),
        "distribution": {stage_name(k): _rounded(p) for k, p in stage.distribution.items()},
        "at_or_past": [
            {
                "stage": stage_name(share.stage),
                "seen": _rounded(share.seen),
                "interval": [_rounded(end) for end in share.interval],
                "at_least_half": _rounded(share.at_least_half),
                "design_effect": _rounded(share.stop_effect.effect),
            }
            for share in stage.shares
        ],
        "heights_mm": None
        if stage.heights is None
        else {
            "plants": stage.heights.plants,
            "mean": _rounded(stage.heights.mean_mm, 1),
            "standard_error": _rounded(stage.heights.standard_error_mm, 1),
            "spread": _rounded(stage.heights.spread_mm, 1),
            "tallest_tenth": _rounded(stage.heights.tallest_tenth_mm, 1),
        },
        "evenness": {
            "two_stages_behind": _rounded(stage.late),
            "two_stages_ahead": _rounded(stage.ahead),
            "sentence": stage.evenness,
        },
        "enough_plants": {
            "enough": answer.enough.enough,
            "more": answer.enough.more,
            "of": answer.enough_for,
            "interval": None
            if answer.enough.interval is None
            else [_rounded(end) for end in answer.enough.interval],
            "sentence": answer.enough.sentence,
        },
        "verdicts": [_verdict(verdict, answer) for verdict in answer.verdicts],
        "pace_gdd_f_a_leaf": None
        if outlook is None or outlook.pace is None
        else _rounded(outlook.pace.gdd_f_a_leaf, 1),
        "collars_expected": _expected(answer),
        "damage": None
        if answer.wait is None
        else {
            "kind": answer.wait.kind,
            "day": answer.wait.day.isoformat(),
            "too_soon": answer.wait.too_soon,
            "sentence": answer.wait.sentence,
        },
        "earlier_visits": [
            {
                "day": one.day.isoformat(),
                "plants": one.plants,
                "stage": one.stage,
                "waiting": one.waiting,
                "mean_height_mm": _rounded(one.mean_height_mm, 1),
            }
            for one in answer.earlier
        ],
        "kept_before": [
            {
                "day": one.basis.get("day"),
                "visit": one.date,
                "limit": one.limit or one.basis.get("limit"),
                "verdict": one.verdict,
                "who": one.who,
                "at": one.decided_at,
            }
            for one in answer.decisions
        ],
        "above": None if answer.above is None else zoned_record(answer.above),
        "notes": [*answer.notes, *(outlook.notes if outlook else ())],
        "models": list(answer.models),
        "calibrations": list(answer.calibrations),
        "version": __version__,
        "caution": answer.caution,
    }


def _expected(answer: FieldAnswer) -> dict[str, float | None] | None:
    day = answer.expected
    if day is None:
        return None
    return {
        "low": _rounded(day.low, 2),
        "middle": _rounded(day.middle, 2),
        "high": _rounded(day.high, 2),
    }


def _verdict(verdict: Verdict, answer: FieldAnswer) -> dict[str, Any]:
    window = answer.window_of(verdict.name)
    return {
        "limit": verdict.name,
        "method": verdict.method,
        "verdict": verdict.word,
        "probability": _rounded(verdict.probability),
        "decided_by": verdict.decided_by,
        "deciding_plants": list(verdict.deciding_plants),
        "share_past": [_rounded(end) for end in verdict.share_past] if verdict.share_past else None,
        "opens": _span(window.opens, window.opens_told) if window else None,
        "closes": _span(window.closes, window.closes_told) if window else None,
        "last_day_before_harvest": _iso(last_harvest_day(verdict.name, answer)),
        "sentence": verdict.sentence,
        "reasons": [*verdict.reasons, *(window.reasons if window else ())],
        "caution": verdict.caution,
    }


def last_harvest_day(name: str, answer: FieldAnswer) -> date | None:
    """Last day that leaves a limit's, or a tank mix's, days before the planned harvest.

    None where the verdict can't be told, or is past by its plants: a day beside it would be taken
    for leave to treat until then.
    """
    limits = answer.limits
    if limits is None or limits.planned_harvest is None or not _may_have_last_day(name, answer):
        return None
    members = next((mix.limits for mix in limits.mixes if mix.name == name), (name,))
    found = [limit.days_before_harvest for limit in limits.limits if limit.name in members]
    longest = max((days for days in found if days is not None), default=None)
    return None if longest is None else limits.planned_harvest - timedelta(days=longest)


def _may_have_last_day(name: str, answer: FieldAnswer) -> bool:
    verdicts = {one.name: one for one in answer.verdicts}
    verdict = verdicts[name]
    if verdict.word != "past":
        return verdict.word != "can't tell"
    if answer.limit_of(name) is None:  # a tank mix is past by one of its members
        verdict = verdicts.get(verdict.decided_by or "", verdict)
    return verdict.decided_by == "days before harvest"


def limit_terms(limit: Limit) -> dict[str, Any]:
    """A limit as JSON values, to be kept with a decision."""

    def bound(one: Bound) -> dict[str, Any]:
        return {"leaves": one.leaves, "height_mm": one.height_mm, "height_typed": one.height_text}

    return {
        "method": limit.method,
        "leaf": limit.leaf,
        "lowest": bound(limit.lowest),
        "lowest_when": limit.lowest_when,
        "highest": bound(limit.highest),
        "highest_when": limit.highest_when,
        "days_before_harvest": limit.days_before_harvest,
        "share_past": limit.share_past,
        "share_short": limit.share_short,
    }


def _span(span: DateSpan | None, told: Told) -> dict[str, str | None] | None:
    if span is None or told == "unknown":
        return None
    return {
        "early": _iso(span.early),
        "middle": _iso(span.middle),
        "late": _iso(span.late),
        "temperatures_until": span.horizon.isoformat(),
        "told": told,
    }


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _rounded(value: float | None, digits: int = 4) -> float | None:
    return None if value is None else round(float(value), digits)
