"""Stored cases follow the vocabulary: keys that were renamed or merged get today's names.

Old keys stay readable without it: whatever reads a case resolves them. But filters, statistics and
the index compare keys as they are stored, so after a rename the stored ones are brought in line.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from uuid import UUID

from django.db.models import Q

from casebook.cases.models import Attempt, Case
from casebook.cases.queries import load_case
from casebook.cases.rows import describe_content
from casebook.cases.services import update_case
from casebook.errors import InvalidDocument
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for
from casebook.vocabulary import Vocabulary, load_vocabulary

_AT_ONCE = 200


@dataclass(frozen=True)
class Renamed:
    """changed: cases brought in line; left: cases that today's rules refuse, with the reason."""

    changed: int
    left: Sequence[tuple[UUID, InvalidDocument]]


def rename_terms(*, shop: Shop, on_case: Callable[[], None] | None = None) -> Renamed:
    """Gives the shop's stored cases today's keys, and refreshes what others see of them.

    Goes through the case service, a transaction for every few hundred cases: interrupted, it goes
    on where it stopped; repeated, it finds nothing. A changed case gets a new version.
    """
    changed, left = 0, []
    last: UUID | None = None
    while True:
        with acting_for(shop.pk):
            ids = _lock_next(shop, after=last)
            for case_id in ids:
                try:
                    changed += _rename_in(shop, case_id)
                except InvalidDocument as error:
                    left.append((case_id, error))
                if on_case:
                    on_case()
        if not ids:
            return Renamed(changed, left)
        last = ids[-1]


def _lock_next(shop: Shop, *, after: UUID | None) -> list[UUID]:
    """The next cases that carry an old key, held so that nobody writes one meanwhile."""
    carrying = _carrying_old_keys(shop)
    if carrying is None:
        return []
    cases = Case.objects.filter(carrying, shop=shop)
    if after is not None:
        cases = cases.filter(pk__gt=after)
    return list(cases.select_for_update().order_by("pk").values_list("pk", flat=True)[:_AT_ONCE])


def _carrying_old_keys(shop: Shop) -> Q | None:
    """None where nothing was ever renamed."""
    found = None
    for rename in load_vocabulary().renames:
        here = _carrying(shop, rename.theme, rename.old)
        found = here if found is None else found | here
    return found


def _carrying(shop: Shop, theme: str, old: str) -> Q:
    if theme == "symptoms":
        return Q(symptoms__contains=[{"symptom": old}])
    if theme == "conditions":
        return Q(symptoms__contains=[{"when": [old]}])
    if theme == "checks":
        return Q(findings__contains=[{"check": old}])
    attempts = Attempt.objects.filter(shop=shop, actions__contains=[old])
    return Q(pk__in=attempts.values("case_id"))


def _rename_in(shop: Shop, case_id: UUID) -> int:
    """1 where something was changed. Raises InvalidDocument; then nothing is."""
    content = describe_content(load_case(shop, case_id))
    changes = changes_for(content, load_vocabulary())
    if not changes:
        return 0
    update_case(shop=shop, case_id=case_id, changes=changes, version=None)
    return 1


def changes_for(content: Mapping[str, Any], vocabulary: Vocabulary) -> dict[str, Any]:
    """The members of a case that carry old keys, with today's. Pure."""

    def now(theme: str, key: str) -> str:
        return vocabulary.resolve(theme, key)[0]

    renamed = {
        "symptoms": _merged(
            {
                **symptom,
                "symptom": now("symptoms", symptom["symptom"]),
                "when": list(
                    dict.fromkeys(now("conditions", key) for key in symptom.get("when", ()))
                ),
            }
            for symptom in content["symptoms"]
        ),
        "findings": [
            {**finding, "check": now("checks", finding["check"])} for finding in content["findings"]
        ],
        "attempts": [
            {
                **attempt,
                "actions": list(dict.fromkeys(now("actions", key) for key in attempt["actions"])),
            }
            for attempt in content["attempts"]
        ],
    }
    return {member: value for member, value in renamed.items() if value != content[member]}


def _merged(symptoms: Iterator[dict[str, Any]]) -> list[dict[str, Any]]:
    """Two symptoms that became one are one entry, with the conditions of both."""
    merged: dict[tuple[str, str], dict[str, Any]] = {}
    for symptom in symptoms:
        place = (symptom["symptom"], symptom.get("stage", "intake"))
        if place in merged:
            both = (*merged[place]["when"], *symptom["when"])
            merged[place] = {**merged[place], "when": list(dict.fromkeys(both))}
        else:
            merged[place] = symptom
    return list(merged.values())
