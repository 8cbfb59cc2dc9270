"""Keeping: a decision, and the limits it was made under, into the survey."""

from __future__ import annotations

from collarvision.decision import FieldAnswer, answer_record, limit_terms
from collarvision.survey import SurveyWriter


def keep_decision(store: SurveyWriter, answer: FieldAnswer, visit_id: int, who: str) -> int:
    """Store every verdict of an answer with its limit and what it rested on. Gives how many.

    A limit typed as before isn't stored twice: the decision then names the one that is there.
    """
    known = {(one.name, _key(one.terms)): one.id for one in store.limits()}
    record = answer_record(answer)
    basis = {
        key: record[key] for key in record if key not in ("verdicts", "kept_before", "caution")
    }
    for verdict, said in zip(answer.verdicts, record["verdicts"], strict=True):
        limit = answer.limit_of(verdict.name)
        limit_id = None
        if limit is not None:
            terms = limit_terms(limit)
            limit_id = known.get((limit.name, _key(terms)))
            if limit_id is None:
                limit_id = store.add_limit(limit.name, terms, who)
        store.add_decision(
            visit_id, who=who, verdict=verdict.word, basis={**basis, **said}, limit_id=limit_id
        )
    return len(answer.verdicts)


def _key(terms: dict[str, object]) -> str:
    import json

    return json.dumps(terms, sort_keys=True)
