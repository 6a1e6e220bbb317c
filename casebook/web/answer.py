"""The answer to a lookup as the page shows it: words, counts and the geometry of its gauges. Pure.

Percentages appear only where at least 3 shops stand behind them; counts are never left alone
without what they are worth.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from casebook.cases.constants import HORIZON_DAYS, LEVEL_RANK
from casebook.outcomes.outlook import LEAST_SIMILARITY
from casebook.web.grounds import Grounds, Path, present_grounds, present_paths, say_later
from casebook.web.ladder import THIN, Rung, Tried, climb_ladder, present_tried
from casebook.web.next_checks import NextChecks, present_checks
from casebook.web.reasons import Reason, give_reasons, say_above
from casebook.web.story import (
    name_vehicle,
    name_whole_unit,
    outcome_rank,
    say_distance,
    say_outcome,
    say_steps,
    tell_evidence,
)
from casebook.web.wanted import Wanted, list_missing, list_worth_adding
from casebook.web.words import (
    NO_BREAK_DASH,
    group_thousands,
    join_cautions,
    name_caution,
    say_caveat,
    say_count,
    say_horizon,
    say_month,
    say_weight,
)


@dataclass(frozen=True)
class Similar:
    path: str
    own: bool
    outcome: str
    rank: int
    steps: str
    vehicle: str
    details: str
    complaint: str
    codes: Sequence[str]
    similarity: float
    points: int
    because: str
    reasons: Sequence[Reason]
    missing: Sequence[Wanted] = ()
    above: str = ""


@dataclass(frozen=True)
class Answer:
    weight: str
    has_numbers: bool
    ladder: Sequence[Rung]
    service: Tried | None
    others: Sequence[Tried]
    paths: Sequence[Path]
    checks: NextChecks
    grounds: Grounds
    later: str
    caveats: Sequence[str]
    hazards: Sequence[str]
    cautions: Sequence[str]
    caution_end: str
    own: Sequence[Similar]
    own_more: Sequence[Similar]
    similar: Sequence[Similar]
    more: Sequence[Similar]
    unlike: Sequence[Similar]
    worth_adding: Sequence[Wanted]
    known: str
    nearest: str
    not_understood: Sequence[str]
    warnings: Sequence[str]
    pool: str
    horizon: str


_FIRST_SHOWN = 8
_FIRST_OWN = 3
# Below so many points of 100 hardly more than the unit is the same.
_NEAR = 35


def say_asked(document: Mapping[str, Any]) -> dict[str, str]:
    """What was looked up, short enough to leave the screen to the answer."""
    evidence = tell_evidence(document, "intake")
    said = [
        name_whole_unit(document.get("unit", {})),
        ", ".join(code.replace("-", NO_BREAK_DASH) for code in evidence.codes),
        *evidence.symptoms,
        say_count(len(evidence.findings), "finding") if evidence.findings else "",
    ]
    if not evidence.says_something and document.get("complaint"):
        said.append(f"“{shorten(document['complaint'], 70)}”")
    vehicle = document.get("vehicle")
    return {
        "vehicle": name_vehicle(vehicle) if vehicle else "",
        "said": " · ".join(part for part in said if part),
    }


def present_answer(answer: Mapping[str, Any], *, document: Mapping[str, Any]) -> Answer:
    """document: of the search, with the costs and the currency it was ranked by, if any."""
    outlook = answer["outlook"] or {}
    kind = document.get("unit", {}).get("kind")
    similar = [_similar(item, kind) for item in answer["similar"]]
    alike = [case for case in similar if case.points >= 100 * LEAST_SIMILARITY]
    own = _say_order([case for case in alike if case.own])
    others = _say_order([case for case in alike if not case.own])
    levels = {level["level"]: level for level in outlook.get("levels", ())}
    horizon_days = document.get("horizon_days", HORIZON_DAYS)
    horizon = say_horizon(horizon_days)
    tried = {
        name: present_tried(level, outlook, horizon_days)
        for name, level in levels.items()
        if level["tried"]
    }
    cautions, caution_end = join_cautions([item["text"] for item in answer.get("cautions", ())])
    return Answer(
        weight=_weight(outlook, len(alike)),
        has_numbers=bool(outlook and outlook["cases"]),
        ladder=climb_ladder(outlook) if outlook else (),
        service=tried.get("service"),
        others=[tried[name] for name in LEVEL_RANK if name in tried and name != "service"],
        paths=present_paths(outlook),
        checks=present_checks(answer, kind=kind, currency=document.get("currency")),
        grounds=present_grounds(outlook, horizon),
        later=say_later(outlook, horizon),
        worth_adding=list_worth_adding(answer.get("worth_adding", ()), kind),
        known=_say_known(outlook),
        nearest=_say_nearest(similar),
        caveats=[say_caveat(key) for key in _caveats_of_all(answer)],
        hazards=[name_caution(item["key"]) for item in answer.get("cautions", ())],
        cautions=cautions,
        caution_end=caution_end,
        own=own[:_FIRST_OWN],
        own_more=own[_FIRST_OWN:],
        similar=others[:_FIRST_SHOWN],
        more=others[_FIRST_SHOWN:],
        unlike=[case for case in similar if case.points < 100 * LEAST_SIMILARITY],
        # Where there are no cases, no word of anybody's is in one.
        not_understood=answer["understood"]["unknown_terms"] if answer["index"]["cases"] else (),
        warnings=[warning["detail"] for warning in answer["understood"]["warnings"]],
        pool=f"{say_count(answer['index']['cases'], 'case')} looked through",
        horizon=horizon,
    )


def _weight(outlook: Mapping[str, Any], shown: int) -> str:
    if not outlook:
        return say_weight(cases=shown, shops=None, effective=None)
    return say_weight(
        cases=outlook["cases"], shops=outlook["shops"], effective=outlook["effective_cases"]
    )


def _say_known(outlook: Mapping[str, Any]) -> str:
    """Why the ladder counts out of fewer cases than are similar."""
    of = next((item["of"] for item in outlook.get("resolved_by") or () if item.get("of")), None)
    if of is None or of >= outlook["cases"]:
        return ""
    return f"What it took is known of {group_thousands(of)}."


def _say_nearest(similar: Sequence[Similar]) -> str:
    """Many cases that are alike in little are a wide picture, and no picture of this vehicle."""
    points = max((case.points for case in similar), default=0)
    if not 100 * LEAST_SIMILARITY <= points < _NEAR:
        return ""
    return (
        f"The nearest is only {points} of 100 alike: this is how such units go in general. "
        "Say more of this one."
    )


def _caveats_of_all(answer: Mapping[str, Any]) -> list[str]:
    """What holds for the whole answer; what is about one level stands at that level."""
    outlook = answer["outlook"] or {}
    of_levels = {key for level in outlook.get("levels", ()) for key in level.get("caveats", ())}
    if outlook and outlook["effective_cases"] < THIN:
        of_levels.discard("few_cases")
    keys = [*answer.get("caveats", ()), *outlook.get("caveats", ())]
    return [key for key in dict.fromkeys(keys) if key not in of_levels]


def _similar(item: Mapping[str, Any], kind: str | None) -> Similar:
    """kind: of the unit looked up, which need not be said of each case again."""
    case, own_id = item["case"], item["own_case_id"]
    vehicle = case["vehicle"]
    codes = [code["code"] for code in case["codes"] if code.get("stage", "intake") == "intake"]
    reasons = give_reasons(item["parts"], item["similarity"], codes=codes)
    unit = case["unit"]
    details = [
        unit["family"] if unit["kind"] == kind else name_whole_unit(unit),
        say_distance(vehicle),
        say_month(case["opened_in"]),
    ]
    return Similar(
        path=f"/cases/{own_id}" if own_id else f"/shared/{case['id']}",
        own=own_id is not None,
        outcome=say_outcome(case),
        rank=outcome_rank(case),
        steps=say_steps(case),
        vehicle=name_vehicle(vehicle),
        details=" · ".join(detail for detail in details if detail),
        complaint=shorten(case.get("complaint", "")),
        codes=tell_evidence(case, "intake").codes,
        similarity=item["similarity"],
        points=round(item["similarity"] * 100),
        because=_say_because(reasons),
        reasons=reasons,
        missing=list_missing(item.get("missing", ()), kind),
    )


def _say_order(cases: Sequence[Similar]) -> list[Similar]:
    """Each with why it stands above the one below it, in the list that is shown."""
    return [
        case if below is None else replace(case, above=_say_above(case, below))
        for case, below in zip_longest(cases, cases[1:])
    ]


def _say_above(case: Similar, below: Similar) -> str:
    if case.similarity == below.similarity:
        return "Exactly as alike as the next: neither is the better match."
    return say_above(case.reasons, below.reasons)


def _say_because(reasons: Sequence[Reason]) -> str:
    """The strongest reasons in a few words; the whole list is a tap away."""
    named = [reason.short or reason.terms for reason in reasons if reason.matched][:3]
    return " · ".join(named) or "nothing that stands out"


def shorten(text: str, limit: int = 180) -> str:
    """Cut at a word, with an ellipsis."""
    text = " ".join(text.split())
    if len(text) <= limit:
        return text
    return text[:limit].rsplit(" ", 1)[0].rstrip(",;.") + " …"
