"""Puts the demo into the database, once.

Each shop comes with all its cases in one transaction, under an id that follows from its place in
the demo: a shop that is there is there whole, and a start after a kill goes on with those that are
missing.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from django.db import connection, transaction

from casebook.cases.documents import CaseDocument
from casebook.cases.models import SharedCase
from casebook.cases.reading import read_case
from casebook.cases.services import create_cases
from casebook.errors import Conflict
from casebook.ops.console import progress
from casebook.ops.demo.access import Access, AccessFile, grant_access
from casebook.ops.demo.generator import DemoShop, generate
from casebook.shops.models import Shop
from casebook.shops.services import add_person
from casebook.shops.tenancy import reading_shared
from search.adapter import build_index, index_status

SEED = 20_417
SHOPS = 26
CASES = 6_000
_NAMESPACE = uuid.UUID("5d0cbb0e-6f34-4b0a-9a3c-6f5f43c5a4f1")
# Any number will do as long as nothing else in the database locks it.
_LOCK = 0x0CA5EB00C


@dataclass(frozen=True)
class LoadedShop:
    shop: Shop
    access: Access


@dataclass(frozen=True)
class LoadedDemo:
    """shops: the first is the one whose sign-ins and keys are shown. cases: in all of them."""

    shops: Sequence[LoadedShop]
    cases: int


def load_demo(*, data_dir: Path, today: date, empty_shops: int | None = None) -> LoadedDemo:
    """The demo's shops, people, keys and cases, whatever of them is missing.

    empty_shops: this many shops without cases instead. Access is granted to all of those, or to
    the first shop of the full demo. Raises Conflict where the other kind of demo is loaded.
    """
    full = empty_shops is None
    with _alone():
        _refuse_other_kind(full=full)
        if full:
            shops = _load_shops(today)
        else:
            world = generate(seed=SEED, shops=empty_shops or 1, cases=0, today=today)
            shops = [(_find_or_make("empty", i, demo), demo) for i, demo in enumerate(world.shops)]
        loaded = _grant(shops[:1] if full else shops, data_dir)
        if full:
            _build_index_where_needed()
            loaded += [LoadedShop(shop, Access()) for shop, _ in shops[1:]]
    return LoadedDemo(shops=loaded, cases=_count_cases([item.shop for item in loaded]))


def demo_shop_id(kind: str, place: int) -> uuid.UUID:
    return uuid.uuid5(_NAMESPACE, f"{kind}/{place}")


@contextmanager
def _alone() -> Iterator[None]:
    """Of two demos started on one database the second waits for the first to be loaded."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_advisory_lock(%s)", [_LOCK])
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_unlock(%s)", [_LOCK])


def _refuse_other_kind(*, full: bool) -> None:
    other = "empty" if full else "full"
    if Shop.objects.filter(pk=demo_shop_id(other, 0)).exists():
        raise Conflict(
            f"The {other} demo is loaded here already; give another --data-dir (or database).",
            code="other_demo",
        )


def _load_shops(today: date) -> list[tuple[Shop, DemoShop]]:
    world = generate(seed=SEED, shops=SHOPS, cases=CASES, today=today)
    ids = [demo_shop_id("full", place) for place in range(len(world.shops))]
    there = {shop.pk: shop for shop in Shop.objects.filter(pk__in=ids)}
    if len(there) < len(ids):
        by_shop: list[list[dict[str, Any]]] = [[] for _ in ids]
        with progress("Making up demo cases", CASES) as shown:
            for place, case in world.cases:
                by_shop[place].append(case)
                shown.step()
        with progress("Loading demo cases", CASES) as shown:
            for place, demo in enumerate(world.shops):
                if ids[place] not in there:
                    documents = [read_case(case, today=today) for case in by_shop[place]]
                    there[ids[place]] = _load_shop(place, demo, documents)
                shown.step(len(by_shop[place]))
    return [(there[pk], demo) for pk, demo in zip(ids, world.shops, strict=True)]


def _load_shop(place: int, demo: DemoShop, documents: Sequence[CaseDocument]) -> Shop:
    with transaction.atomic():
        shop = _find_or_make("full", place, demo)
        create_cases(shop=shop, documents=documents)
        for person in demo.people:
            # Without a password: only the first shop's people are meant to sign in.
            add_person(shop=shop, email=person.email, role=person.role)
        return shop


def _find_or_make(kind: str, place: int, demo: DemoShop) -> Shop:
    # Not add_shop: the id is what tells a later start that this shop is loaded.
    shop, _ = Shop.objects.get_or_create(
        pk=demo_shop_id(kind, place), defaults={"name": demo.name, "region": demo.region}
    )
    return shop


def _grant(shops: Sequence[tuple[Shop, DemoShop]], data_dir: Path) -> list[LoadedShop]:
    file = AccessFile(data_dir)
    loaded = []
    with progress("Making sign-ins and keys", len(shops)) as shown:
        for shop, demo in shops:
            access = grant_access(shop=shop, people=demo.people, known=file.get(shop))
            file.put(shop, access)
            loaded.append(LoadedShop(shop, access))
            shown.step()
    file.save()
    return loaded


def _build_index_where_needed() -> None:
    # A later start leaves that to the worker: searches read what is new in any case.
    if not index_status().present:
        with progress("Indexing cases") as shown:
            build_index(on_case=shown.step)


def _count_cases(shops: Sequence[Shop]) -> int:
    with reading_shared():
        return SharedCase.objects.filter(cluster__in=[shop.cluster for shop in shops]).count()
