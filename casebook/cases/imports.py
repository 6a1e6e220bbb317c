"""Storing a whole file of cases: batch by batch, each line on its own, resumable.

How far a file has come is written in the transaction that stores its cases, so that a run that
was killed goes on without losing or doubling one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from itertools import islice

from django.db import transaction
from django.utils import timezone

from casebook.cases.documents import CaseDocument
from casebook.cases.models import ImportRun
from casebook.cases.reading import read_case
from casebook.cases.services import create_case, create_cases
from casebook.errors import CasebookError, Conflict, FieldError, InvalidDocument
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for

BATCH = 250

Refuse = Callable[[int, CasebookError], None]


@dataclass(frozen=True)
class ImportCounts:
    lines: int
    stored: int
    refused: int


def start_import(*, shop: Shop, file_hash: str) -> ImportRun:
    """The run of this file: a new one, or the one that was interrupted or is done."""
    with acting_for(shop.pk):
        run, _ = ImportRun.objects.get_or_create(shop=shop, file_hash=file_hash)
        return run


def import_lines(
    *,
    shop: Shop,
    run: ImportRun,
    lines: Iterable[tuple[int, object]],
    today: date,
    refuse: Refuse,
    step: Callable[[int], None] = lambda count: None,
) -> ImportCounts:
    """Stores what it can. `refuse(line, error)` is told of each line that can't be stored; after
    a crash it may be told again of lines after the last stored batch.

    Raises Conflict where the same file is being imported elsewhere."""
    waiting = iter((number, raw) for number, raw in lines if number > run.lines)
    while batch := list(islice(waiting, BATCH)):
        with acting_for(shop.pk):
            _claim(shop, run)
            accepted = list(_readable(batch, today, run, refuse))
            run.stored += _store(shop, accepted, run, refuse)
            run.lines = batch[-1][0]
            run.save(update_fields=["lines", "stored", "refused"])
        step(len(batch))
    with acting_for(shop.pk):
        run.state, run.finished_at = "finished", timezone.now()
        run.save(update_fields=["state", "finished_at"])
    return ImportCounts(run.lines, run.stored, run.refused)


def _claim(shop: Shop, run: ImportRun) -> None:
    """Until commit. Two imports of one file would store every case twice."""
    stored = ImportRun.objects.select_for_update().get(shop=shop, pk=run.pk)
    if stored.lines != run.lines:
        raise Conflict("This file is being imported already; wait for that to end.")


def _readable(
    batch: list[tuple[int, object]], today: date, run: ImportRun, refuse: Refuse
) -> Iterator[tuple[int, CaseDocument]]:
    for number, raw in batch:
        try:
            if isinstance(raw, InvalidDocument):
                raise raw
            yield number, read_case(raw, today=today)
        except InvalidDocument as error:
            run.refused += 1
            refuse(number, error)


def _store(
    shop: Shop, accepted: list[tuple[int, CaseDocument]], run: ImportRun, refuse: Refuse
) -> int:
    if not accepted:
        return 0
    try:
        with transaction.atomic():
            return len(create_cases(shop=shop, documents=[case for _, case in accepted]))
    except Conflict:
        # One of them is in the way: find out which, line by line.
        return sum(_store_alone(shop, number, case, run, refuse) for number, case in accepted)


def _store_alone(
    shop: Shop, number: int, case: CaseDocument, run: ImportRun, refuse: Refuse
) -> bool:
    try:
        with transaction.atomic():
            create_case(shop=shop, document=case)
    except Conflict as error:
        run.refused += 1
        refuse(number, InvalidDocument([FieldError("/shop_reference", error.detail)]))
        return False
    return True
