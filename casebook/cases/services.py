"""Writes on cases. Each service acts for one shop, in one transaction, and shares what it wrote.

A change, its anonymised copy and the note of what must follow are committed together or not at
all.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any
from uuid import UUID

import psycopg
from django.db import IntegrityError, transaction
from django.utils import timezone

from casebook.cases.documents import CaseDocument
from casebook.cases.models import ONE_REFERENCE, Attempt, Case, FollowUp, SharedCase
from casebook.cases.outbox import INDEX, note_effect
from casebook.cases.queries import load_case
from casebook.cases.reading import read_case
from casebook.cases.rows import (
    attempt_row,
    describe_content,
    fill_case,
    follow_up_row,
    shared_row,
)
from casebook.cases.sharing import SharedView, share_case
from casebook.errors import Conflict, FieldError, InvalidDocument, NotFound, StaleVersion
from casebook.shops.models import Shop, new_public_id
from casebook.shops.tenancy import acting_for


def today() -> date:
    return timezone.now().date()


def create_case(*, shop: Shop, document: CaseDocument) -> Case:
    """Raises Conflict where the shop's reference is taken."""
    return create_cases(shop=shop, documents=[document])[0]


def create_cases(*, shop: Shop, documents: Sequence[CaseDocument]) -> list[Case]:
    """All or none, in a handful of statements however many there are. Raises Conflict."""
    with acting_for(shop.pk):
        made = [_new_rows(shop, document) for document in documents]
        cases = [case for case, _, _ in made]
        with _references_free(shop, cases):
            Case.objects.bulk_create(cases, batch_size=500)
        Attempt.objects.bulk_create(
            [
                attempt_row(case, position, attempt)
                for case, document, _ in made
                for position, attempt in enumerate(document.attempts)
            ],
            batch_size=1_000,
        )
        FollowUp.objects.bulk_create(
            [
                follow_up_row(case, follow_up)
                for case, document, _ in made
                for follow_up in document.follow_ups
            ],
            batch_size=1_000,
        )
        SharedCase.objects.bulk_create(
            [shared_row(shop, case.shared_id, view) for case, _, view in made], batch_size=500
        )
        note_effect(INDEX)
        return cases


def _new_rows(shop: Shop, document: CaseDocument) -> tuple[Case, CaseDocument, SharedView]:
    case = Case(shop=shop)
    view = share_case(document, shared_id=case.shared_id)
    fill_case(case, document, view)
    return case, document, view


@contextmanager
def _references_free(shop: Shop, cases: Sequence[Case]) -> Iterator[None]:
    """Raises Conflict where writing these cases meets a reference that is taken."""
    try:
        # A savepoint, so that the transaction can still say which case was in the way.
        with transaction.atomic():
            yield
    except IntegrityError as error:
        cause = error.__cause__
        if not isinstance(cause, psycopg.Error) or cause.diag.constraint_name != ONE_REFERENCE:
            raise
        raise _reference_conflict(shop, cases) from error


def _reference_conflict(shop: Shop, cases: Sequence[Case]) -> Conflict:
    wanted = {(case.shop_reference, case.complaint_no) for case in cases if case.shop_reference}
    for taken in Case.objects.filter(
        shop=shop, shop_reference__in={reference for reference, _ in wanted}
    ):
        if (taken.shop_reference, taken.complaint_no) in wanted:
            return Conflict(
                f"Your shop already has a case {taken.shop_reference!r}, "
                f"complaint {taken.complaint_no}; change that one, or give another complaint_no.",
                code="reference_taken",
                case_id=str(taken.pk),
            )
    return Conflict(
        "Two of these cases carry the same shop_reference and complaint_no.",
        code="reference_taken",
    )


def preview_case(*, document: CaseDocument) -> dict[str, Any]:
    """What other shops would see of it. Stores nothing."""
    view = share_case(document, shared_id=new_public_id())
    shared = {key: value for key, value in view.document.items() if key != "id"}
    return {"shared": shared, "masked": view.masked, "warnings": document.warnings}


def update_case(
    *, shop: Shop, case_id: UUID, changes: Mapping[str, Any], version: int | None
) -> Case:
    """Changes as a JSON merge patch (RFC 7396): objects merge, lists replace, null clears.

    `version` is what the caller last saw. Raises NotFound, StaleVersion, InvalidDocument, Conflict.
    """
    with acting_for(shop.pk):
        case = _lock_case(shop, case_id, version)
        document = read_case(merge_patch(describe_content(case), changes), today=today())
        _store_change(shop, case, document)
        if "attempts" in changes:
            Attempt.objects.filter(shop=shop, case=case).delete()
            Attempt.objects.bulk_create(
                [attempt_row(case, i, attempt) for i, attempt in enumerate(document.attempts)]
            )
        if "follow_ups" in changes:
            FollowUp.objects.filter(shop=shop, case=case).delete()
            FollowUp.objects.bulk_create([follow_up_row(case, f) for f in document.follow_ups])
        return load_case(shop, case_id)


def add_attempt(*, shop: Shop, case_id: UUID, data: object, version: int | None = None) -> Case:
    """Adds what was done. version: what the caller last saw, if that matters.

    Raises NotFound, StaleVersion, InvalidDocument (pointers into `data`).
    """
    with acting_for(shop.pk):
        case = _lock_case(shop, case_id, version)
        document = _with_one_more(case, "attempts", data)
        _store_change(shop, case, document)
        place = len(document.attempts) - 1
        attempt_row(case, place, document.attempts[place]).save(force_insert=True)
        return load_case(shop, case_id)


def add_follow_up(*, shop: Shop, case_id: UUID, data: object, version: int | None = None) -> Case:
    """Adds what was seen later; otherwise as `add_attempt`."""
    with acting_for(shop.pk):
        case = _lock_case(shop, case_id, version)
        document = _with_one_more(case, "follow_ups", data)
        _store_change(shop, case, document)
        follow_up_row(case, document.follow_ups[-1]).save(force_insert=True)
        return load_case(shop, case_id)


def withdraw_case(*, shop: Shop, case_id: UUID, version: int | None = None) -> None:
    """Deletes it, and with it what others see. Raises NotFound, StaleVersion."""
    with acting_for(shop.pk):
        case = _lock_case(shop, case_id, version)
        # The database notes the removal itself, so that no search process misses it.
        SharedCase.objects.filter(pk=case.shared_id, shop=shop).delete()
        case.delete()
        note_effect(INDEX)


def merge_patch(target: Any, patch: Any) -> Any:
    """RFC 7396, section 2."""
    if not isinstance(patch, Mapping):
        return patch
    merged = dict(target) if isinstance(target, Mapping) else {}
    for key, value in patch.items():
        if value is None:
            merged.pop(key, None)
        else:
            merged[key] = merge_patch(merged.get(key), value)
    return merged


def _lock_case(shop: Shop, case_id: UUID, version: int | None) -> Case:
    case = Case.objects.select_for_update().filter(shop=shop, pk=case_id).first()
    if case is None:
        raise NotFound()
    if version is not None and version != case.version:
        raise StaleVersion()
    return case


def _with_one_more(case: Case, member: str, data: object) -> CaseDocument:
    content = describe_content(case)
    place = len(content[member])
    content[member] = [*content[member], data]
    try:
        return read_case(content, today=today())
    except InvalidDocument as error:
        here = f"/{member}/{place}"
        own = [
            FieldError(fault.pointer[len(here) :], fault.detail)
            for fault in error.errors
            if fault.pointer == here or fault.pointer.startswith(here + "/")
        ]
        raise InvalidDocument(own or error.errors) from error


def _store_change(shop: Shop, case: Case, document: CaseDocument) -> None:
    view = share_case(document, shared_id=case.shared_id)
    fill_case(case, document, view)
    case.version += 1
    with _references_free(shop, [case]):
        case.save()
    shared = shared_row(shop, case.shared_id, view)
    # The stamp is the database's own.
    fields = [
        f.name for f in SharedCase._meta.concrete_fields if f.name not in ("id", "changed_xid")
    ]
    SharedCase.objects.bulk_create(
        [shared], update_conflicts=True, unique_fields=["id"], update_fields=fields
    )
    note_effect(INDEX)
