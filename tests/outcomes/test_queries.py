"""The outlook of a search over stored cases."""

from __future__ import annotations

from uuid import UUID, uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from casebook.cases.reading import read_search
from casebook.cases.services import today, withdraw_case
from casebook.outcomes import queries
from casebook.outcomes.queries import last_of_sample, outlook_for
from tests.factories import make_case, make_shop

YEAR = 365


def attempt(level="service", result="fixed", on="2025-02-01"):
    return {"on": on, "level": level, "actions": [], "result": result}


def store(shop, *, level="service", result="fixed", held=True, **changes):
    """A case of which nothing more is known, or which held for more than a year."""
    follow_ups = [{"on": "2026-03-01", "state": "holding"}] if held and result == "fixed" else []
    return make_case(
        shop,
        opened_on="2025-01-30",
        attempts=[attempt(level, result)],
        follow_ups=follow_ups,
        findings=[],
        **changes,
    )


def hits(cases, similarity=0.8):
    return [(case.shared_id, similarity) for case in cases]


def level_of(answer, level):
    return next(entry for entry in answer.document["levels"] if entry["level"] == level)


@pytest.fixture
def shops(database):
    return [make_shop() for _ in range(3)]


def test_what_became_of_the_similar_cases_is_counted_level_by_level(shops):
    held = [store(shop) for shop in shops for _ in range(4)]
    failed = [store(shop, result="not_fixed") for shop in shops]
    unknown = [store(shop, held=False) for shop in shops[:2]]
    overhauled = [store(shops[0], level="overhaul")]
    answer = outlook_for(hits(held + failed + unknown + overhauled), horizon_days=YEAR)
    service = level_of(answer, "service")
    counts = {key: service[key] for key in ("tried", "held", "came_back", "gone", "not_known")}
    assert counts == {"tried": 17, "held": 12, "came_back": 3, "gone": 0, "not_known": 2}
    assert level_of(answer, "overhaul")["tried"] == 1
    assert (answer.document["cases"], answer.document["shops"]) == (18, 3)
    assert 0.6 < service["holds"] < 0.9
    assert answer.caveats == []


def test_a_pool_of_two_shops_has_no_outlook_and_says_why(shops):
    cases = [store(shop) for shop in shops[:2] for _ in range(5)]
    answer = outlook_for(hits(cases), horizon_days=YEAR)
    assert (answer.document, answer.caveats) == (None, ["pool_too_small"])


def test_similar_cases_of_two_shops_do_when_the_pool_has_three(shops):
    cases = [store(shop) for shop in shops[:2] for _ in range(5)]
    store(shops[2])
    answer = outlook_for(hits(cases), horizon_days=YEAR)
    assert answer.document["shops"] is None
    assert "few_shops" in answer.document["caveats"]


def test_a_case_withdrawn_since_the_search_is_left_out(shops):
    cases = [store(shop) for shop in shops for _ in range(2)]
    withdraw_case(shop=shops[0], case_id=cases[0].pk)
    found = [*hits(cases), (uuid4(), 0.9)]
    assert outlook_for(found, horizon_days=YEAR).document["cases"] == 5


def test_no_hits_at_all_still_give_an_outlook(shops):
    for shop in shops:
        store(shop)
    document = outlook_for([], horizon_days=YEAR).document
    assert document["cases"] == 0
    assert "no_similar_cases" in document["caveats"]


def search(**changes):
    data = {
        "vehicle": {"make": "talvera", "model": "cargo  2"},
        "unit": {"kind": "ac_system", "family": "hv 3"},
        "complaint": "warm",
    }
    return read_search(data | changes, today=today())


def test_relatives_of_the_case_stand_in_where_nothing_similar_was_tried(shops):
    for shop in shops:
        for _ in range(12):
            store(shop, level="component", result="not_fixed")
            store(shop, level="component", unit={"kind": "engine", "family": "Q"})
    similar = [store(shop) for shop in shops]
    component = level_of(
        outlook_for(hits(similar), horizon_days=YEAR, document=search()), "component"
    )
    # The unit asked for fails; that engines hold must not hide it.
    assert component["tried"] == 0
    assert component["prior_share"] == 1.0
    assert component["holds"] < 0.4
    engine = search(unit={"kind": "engine", "family": "Q"})
    other = level_of(outlook_for(hits(similar), horizon_days=YEAR, document=engine), "component")
    assert other["holds"] > 0.6


def test_what_the_search_does_not_say_the_similar_cases_do(shops):
    for shop in shops:
        for _ in range(12):
            store(shop, level="component", result="not_fixed")
            store(shop, level="component", unit={"kind": "engine", "family": "Q"})
    similar = [store(shop) for shop in shops]
    told = outlook_for(hits(similar), horizon_days=YEAR, document=search())
    vague = search(vehicle={}, unit={})
    guessed = outlook_for(hits(similar), horizon_days=YEAR, document=vague)
    bare = outlook_for(hits(similar), horizon_days=YEAR)
    for answer in (guessed, bare):
        assert level_of(answer, "component")["holds"] < 0.4
    assert level_of(told, "component")["holds"] < 0.4


def test_one_outlook_takes_a_handful_of_statements_however_many_cases(shops):
    cases = [store(shop) for shop in shops for _ in range(2)]
    with CaptureQueriesContext(
        connection,
    ) as few:
        outlook_for(hits(cases), horizon_days=YEAR)
    cases += [store(shop) for shop in shops for _ in range(10)]
    with CaptureQueriesContext(connection) as many:
        outlook_for(hits(cases), horizon_days=YEAR)
    assert len(few) == len(many) <= 8


def test_the_outlook_is_read_as_the_reader_role(shops):
    cases = [store(shop) for shop in shops]
    with CaptureQueriesContext(connection) as seen:
        outlook_for(hits(cases), horizon_days=YEAR)
    statements = [query["sql"] for query in seen]
    reader = next(i for i, sql in enumerate(statements) if "casebook_reader" in sql)
    reading = [i for i, sql in enumerate(statements) if "FROM" in sql and "sharedcase" in sql]
    assert reading
    assert min(reading) > reader


def test_large_pools_are_kept_for_a_minute_and_small_ones_read_anew(monkeypatch):
    monkeypatch.setattr(queries, "_keeping", {})
    now = [1000.0]
    monkeypatch.setattr(queries.time, "monotonic", lambda: now[0])
    reads = []

    def read():
        reads.append(now[0])
        return reads[-1]

    def kept(size):
        return queries.kept(("key", size), read, lambda _: size)

    assert kept(10) == kept(10) == 1000.0
    assert len(reads) == 2
    assert kept(5000) == 1000.0
    now[0] += 59
    assert kept(5000) == 1000.0
    now[0] += 2
    assert kept(5000) == 1061.0


@pytest.mark.parametrize("rows, share", [(-1, 1.0), (0, 1.0), (39_000, 1.0), (400_000, 0.1)])
def test_a_sample_takes_its_share_of_random_ids(rows, share):
    mark = last_of_sample(rows)
    assert mark.int / 2**128 == pytest.approx(share)
    assert (UUID("ffffffff-ffff-4fff-bfff-ffffffffffff") <= mark) == (share == 1.0)
