"""Later visits of one vehicle, at whichever shop, count in what became of an earlier repair."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import date, timedelta
from importlib import import_module
from threading import Event

import pytest
from django.db import connection

from casebook.cases.models import Case, SharedCase
from casebook.cases.queries import get_shared_case
from casebook.cases.reading import read_case
from casebook.cases.services import add_follow_up, create_cases, today, update_case, withdraw_case
from casebook.shops.tenancy import acting_for, reading_shared
from tests.databases import owner_connection
from tests.factories import case_data, make_case, make_shop

VIN = "1HGCR2F3XFA027534"
OTHER_VIN = "1HGCM82633A004352"
REPAIRED = date(2024, 2, 1)
COLUMNS = ("event", "event_days", "resolved_by", "other_fault_days", "watched_days")


def on(days):
    return (REPAIRED + timedelta(days=days)).isoformat()


def vehicle(vin=VIN):
    return case_data()["vehicle"] | {"vin": vin}


def repaired(shop, *, follow_ups=(), attempts=(0,), **changes):
    """A service on day 0 that was fixed, and a bigger repair on each further day."""
    levels = ("service", "component", "overhaul")
    changes = {"vehicle": vehicle()} | changes
    return make_case(
        shop,
        opened_on=on(0),
        attempts=[
            {"on": on(day), "level": level, "actions": [], "result": "fixed"}
            for day, level in zip(attempts, levels, strict=False)
        ],
        follow_ups=[{"on": on(day), "state": state} for day, state in follow_ups],
        findings=[],
        **changes,
    )


def visit(shop, days, **changes):
    changes = {"vehicle": vehicle()} | changes
    return make_case(shop, opened_on=on(days), attempts=[], follow_ups=[], findings=[], **changes)


def outcome(case):
    with reading_shared():
        row = SharedCase.objects.values(*COLUMNS).get(pk=case.shared_id)
    return tuple(row[name] for name in COLUMNS)


def test_a_comeback_at_another_shop_counts(shop, other_shop):
    first = repaired(shop, follow_ups=[(30, "holding")])
    assert outcome(first) == ("none", 30, "service", None, 30)
    visit(other_shop, 100)
    assert outcome(first) == ("came_back", 100, None, None, 100)
    shown = get_shared_case(shared_id=first.shared_id)["outcome"]
    assert shown == {"resolved_by": None, "held_days": 100, "state": "came_back"}


def test_the_order_in_which_the_shops_write_does_not_matter(shop, other_shop):
    visit(other_shop, 100)
    first = repaired(shop)
    assert outcome(first)[:3] == ("came_back", 100, None)


def test_both_in_one_import_count_as_well(shop):
    documents = [
        read_case(
            case_data(
                shop_reference=f"J-{day}", opened_on=on(day), vehicle=vehicle(), follow_ups=[],
                findings=[], attempts=[{"on": on(day), "level": "service", "result": "fixed"}],
            ),
            today=today(),
        )
        for day in (0, 60)
    ]  # fmt: skip
    first, second = create_cases(shop=shop, documents=documents)
    assert outcome(first)[:2] == ("came_back", 60)
    assert outcome(second)[:2] == ("none", 0)


def test_a_visit_that_is_withdrawn_leaves_no_trace(shop, other_shop):
    first = repaired(shop, follow_ups=[(30, "holding")])
    before = outcome(first), get_shared_case(shared_id=first.shared_id)
    again = visit(other_shop, 100)
    withdraw_case(shop=other_shop, case_id=again.pk)
    assert (outcome(first), get_shared_case(shared_id=first.shared_id)) == before


def test_what_the_first_shop_adds_later_does_not_hide_the_comeback(shop, other_shop):
    first = repaired(shop)
    visit(other_shop, 100)
    add_follow_up(shop=shop, case_id=first.pk, data={"on": on(300), "state": "holding"})
    assert outcome(first) == ("came_back", 100, None, None, 300)


def test_an_earlier_event_of_its_own_stays(shop, other_shop):
    first = repaired(shop, attempts=(0, 40))
    visit(other_shop, 100)
    # The second repair is the one that did not last.
    assert outcome(first)[:3] == ("came_back", 40, None)
    sold = repaired(shop, vehicle=vehicle(OTHER_VIN), follow_ups=[(20, "gone")])
    visit(other_shop, 100, vehicle=vehicle(OTHER_VIN))
    assert outcome(sold)[:2] == ("gone", 20)


def test_trouble_with_another_unit_is_another_fault_and_no_comeback(shop, other_shop):
    first = repaired(shop, follow_ups=[(30, "holding")])
    visit(other_shop, 80, unit={"kind": "engine", "family": "Q"}, symptoms=[], codes=[])
    assert outcome(first) == ("none", 30, "service", 80, 80)


@pytest.mark.parametrize("days", [-5, 0, 731])
def test_visits_before_on_the_day_and_long_after_are_no_comebacks(shop, other_shop, days):
    first = repaired(shop)
    before = outcome(first)
    visit(other_shop, days)
    assert outcome(first) == before


def test_several_complaints_of_one_job_are_one_visit(shop):
    first = repaired(shop, shop_reference="J-1", complaint_no=1)
    visit(shop, 1, shop_reference="J-1", complaint_no=2)
    assert outcome(first)[0] == "none"
    visit(shop, 9, shop_reference="J-2", complaint_no=1)
    assert outcome(first)[:2] == ("came_back", 9)


def test_other_vehicles_and_vehicles_without_vin_are_not_linked(shop, other_shop):
    first, unknown = repaired(shop), repaired(shop, vehicle=vehicle(None))
    visit(other_shop, 50, vehicle=vehicle(OTHER_VIN))
    visit(other_shop, 50, vehicle=vehicle(None))
    assert outcome(first)[0] == outcome(unknown)[0] == "none"


def test_a_corrected_day_or_vin_moves_the_comeback(shop, other_shop):
    first, second = repaired(shop), repaired(shop, vehicle=vehicle(OTHER_VIN))
    again = visit(other_shop, 100)
    update_case(shop=other_shop, case_id=again.pk, changes={"opened_on": on(50)}, version=None)
    assert outcome(first)[:2] == ("came_back", 50)
    update_case(
        shop=other_shop, case_id=again.pk, changes={"vehicle": {"vin": OTHER_VIN}}, version=None
    )
    assert outcome(first)[:2] == ("none", 0)
    assert outcome(second)[:2] == ("came_back", 50)


def test_only_rows_whose_vehicle_was_seen_again_are_stamped_anew(committed_db):
    shop, other_shop = make_shop(), make_shop()
    first, bystander = repaired(shop), repaired(shop, vehicle=vehicle(OTHER_VIN))

    def stamps():
        with reading_shared():
            return dict(SharedCase.objects.values_list("id", "changed_xid"))

    before = stamps()
    visit(other_shop, 10)
    after = stamps()
    assert after[bystander.shared_id] == before[bystander.shared_id]
    assert after[first.shared_id] > before[first.shared_id]


def test_cases_stored_before_are_read_as_new_ones_are(committed_db):
    migration = import_module("casebook.cases.migrations.0003_later_visits")
    shop = make_shop()
    intake = {"value": 100_000, "unit": "mi"}
    with_km = [
        {"on": on(30), "state": "holding", "odometer": {"value": 101_000, "unit": "mi"}},
        {"on": on(90), "state": "other_fault", "odometer": {"value": 103_000, "unit": "mi"}},
        {"on": on(200), "state": "came_back", "odometer": {"value": 107_000, "unit": "mi"}},
        {"on": on(300), "state": "no_contact"},
    ]
    attempts = [
        {"on": on(0), "level": "none", "result": "unknown"},
        {"on": on(2), "level": "service", "result": "fixed"},
        {"on": on(400), "level": "overhaul", "result": "fixed"},
    ]
    for follow_ups in (with_km, with_km[:2], with_km[3:], []):
        for tried in (attempts, attempts[:2], attempts[:1], []):
            make_case(
                shop,
                opened_on=on(-3),
                vehicle=vehicle(None) | {"odometer": intake},
                attempts=tried,
                follow_ups=follow_ups if tried else [],
                findings=[],
            )
    repaired(shop, follow_ups=[(50, "gone")], attempts=(0,))
    with owner_connection() as connection:

        def rows():
            return connection.execute(
                "SELECT id, changed_xid::text, path, event_km, other_fault_days, gone_days,"
                " watched_days, told FROM cases_sharedcase ORDER BY id"
            ).fetchall()

        fresh = rows()
        connection.execute("ALTER TABLE cases_sharedcase DISABLE TRIGGER stamp_change")
        connection.execute(
            "UPDATE cases_sharedcase SET path = '{}', event_km = NULL, other_fault_days = NULL,"
            " gone_days = NULL, watched_days = NULL, told = NULL"
        )
        connection.execute("ALTER TABLE cases_sharedcase ENABLE TRIGGER stamp_change")
        assert rows() != fresh
        connection.execute(migration.FILL)
        assert rows() == fresh


def test_a_statement_about_very_many_vehicles_takes_one_lock_for_all(committed_db):
    shop = make_shop()
    with acting_for(shop.pk), connection.cursor() as cursor:
        case = repaired(shop, vehicle=vehicle(None))

        def locks():
            cursor.execute("SELECT mode FROM pg_locks WHERE locktype = 'advisory'")
            return [mode for (mode,) in cursor.fetchall()]

        copies = [clone_of(case, link=bytes([i // 256, i % 256]) * 16) for i in range(600)]
        Case.objects.bulk_create(copies[:3])
        assert sorted(locks()) == ["ExclusiveLock"] * 3 + ["ShareLock"]
        Case.objects.bulk_create(copies[3:])
        assert sorted(locks()) == ["ExclusiveLock"] * 4 + ["ShareLock"]


def clone_of(case, *, link):
    values = {field.name: getattr(case, field.name) for field in Case._meta.concrete_fields}
    for own in ("id", "shared_id", "changed_xid", "shop_reference"):
        del values[own]
    return Case(**values | {"vehicle_link": link})


def test_two_visits_written_at_the_same_moment_see_each_other(committed_db):
    shop, other_shop = make_shop(), make_shop()
    written = Event()

    def write_later_visit():
        try:
            written.set()
            visit(other_shop, 100)
        finally:
            connection.close()

    with ThreadPoolExecutor(1) as pool:
        with acting_for(shop.pk):
            first = repaired(shop)
            later = pool.submit(write_later_visit)
            written.wait(10)
            # It can't be done before this transaction is: both are about one vehicle.
            with pytest.raises(TimeoutError):
                later.result(timeout=0.5)
        later.result(timeout=10)
    assert outcome(first)[:2] == ("came_back", 100)
