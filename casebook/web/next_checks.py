"""What to check next: what each check may show, and how often a service was all it took then. Pure.

The figures are of what it took in the end in similar cases, not of what was tried first: those are
two different things, and the page says which it means.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from casebook.vocabulary import load_vocabulary
from casebook.web.ladder import THIN
from casebook.web.words import name_caution, say_count, say_money, say_out_of_ten, uncapital

FIRST_SHOWN = 3
PLAN_WORDS = {
    "service_first": "service first",
    "component_first": "component repair first",
    "overhaul_now": "overhaul now",
    "replace_now": "replace now",
    "leave_it": "leave it",
}
# Where the sentence for programs speaks of fields that a page has under other names.
_NOTES = {
    "labour_rate_needed": (
        "Say under costs what an hour of work costs, and checks are ranked by what they save."
    ),
    "replacement_cost_needed": (
        "Give the price of another unit under costs, and checks are ranked by what they save."
    ),
    "no_check_changes_decision": (
        "No check would change the choice: whatever it shows, the same way stays the cheapest."
    ),
    "no_check_pays": (
        "A check could change the choice, but on average its time costs more than that saves."
    ),
}


@dataclass(frozen=True)
class Outcome:
    """One thing that the check may show. dot: place on the little scale, in percent."""

    label: str
    chance: str
    holds: str
    dot: str
    then: str = ""


@dataclass(frozen=True)
class NextCheck:
    """field: its id in the form on the same page, empty where the form does not offer it."""

    name: str
    field: str
    minutes: int
    made: str
    saves: str
    outcomes: Sequence[Outcome]
    cautions: Sequence[str]
    thin: bool


@dataclass(frozen=True)
class NextChecks:
    first: Sequence[NextCheck]
    more: Sequence[NextCheck]
    now: str
    now_at: str
    notes: Sequence[str]
    by_money: bool

    def __bool__(self) -> bool:
        return bool(self.first or self.notes)


def present_checks(
    answer: Mapping[str, Any], *, kind: str | None, currency: str | None = None
) -> NextChecks:
    """kind: of the unit looked up, whose checks the form offers. currency: of the costs given."""
    listed = answer.get("next_checks") or ()
    changing = any(check["changes_decision"] for check in listed)
    offered = {check.key for check in load_vocabulary().checks_for(kind)}
    checks = [_present(check, offered, currency, changing) for check in listed]
    now = listed[0]["service_holds_now"] if listed else None
    return NextChecks(
        first=checks[:FIRST_SHOWN],
        more=checks[FIRST_SHOWN:],
        now="" if now is None else say_out_of_ten(now),
        now_at="" if now is None else f"{now * 100:.0f}%",
        notes=[
            _NOTES.get(note["key"], note["text"])
            for note in answer.get("next_check_notes") or ()
            # The whole answer says it already, and louder.
            if note["key"] != "pool_too_small"
        ],
        by_money=any(check["net_value"] is not None for check in listed),
    )


def _present(
    check: Mapping[str, Any], offered: set[str], currency: str | None, changing: bool
) -> NextCheck:
    """changing: whether any check changes the choice; where none does, that is said once."""
    plans = {result["then"] for result in check["results"]}
    return NextCheck(
        name=check["label"],
        field=f"f-check.{check['check']}" if check["check"] in offered else "",
        minutes=check["minutes"],
        made=f"Made in {say_count(check['cases'], 'similar case')}",
        saves=_say_saving(check, currency) if changing else "",
        outcomes=[
            Outcome(
                label=uncapital(result["label"]),
                chance=_tenths(result["probability"]),
                holds=_tenths(result["service_holds"]),
                dot=f"{result['service_holds'] * 100:.0f}%",
                # Said only where the ways part: else it is the same sentence on every line.
                then=PLAN_WORDS.get(result["then"] or "", "") if len(plans) > 1 else "",
            )
            for result in check["results"]
        ],
        cautions=[name_caution(key) for key in check["cautions"]],
        thin=check["cases"] < THIN,
    )


def _tenths(share: float) -> str:
    """As short as a table needs it; its head says that all of it is about."""
    said = say_out_of_ten(share).removeprefix("about ")
    return said.replace("fewer than", "under").replace("more than", "over")


def _say_saving(check: Mapping[str, Any], currency: str | None) -> str:
    if check["net_value"] is None:
        return ""
    if not check["changes_decision"]:
        return "Would not change the choice."
    net = float(check["net_value"])
    if net <= 0:
        return "Costs more time than it saves, on average."
    return f"Saves about {say_money(net, currency, whole=True)} on average, its time paid."
