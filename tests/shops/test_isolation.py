"""Shops are kept apart by PostgreSQL itself, also when the code forgets to filter."""

from __future__ import annotations

from datetime import date

import pytest
from django.db import DatabaseError, connection, transaction

from casebook.cases.models import Attempt, Case, FollowUp, SharedCase
from casebook.cases.services import withdraw_case
from casebook.shops.models import IdempotencyKey
from casebook.shops.tenancy import acting_for, reading_shared
from tests.factories import make_case

TENANT_MODELS = [Case, Attempt, FollowUp, SharedCase, IdempotencyKey]


def test_tests_run_as_a_role_that_owns_nothing_and_passes_no_policy_by(database):
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT rolsuper, rolbypassrls, rolcreaterole FROM pg_roles WHERE rolname=current_user"
        )
        assert cursor.fetchone() == (False, False, False)
        cursor.execute("SELECT count(*) FROM pg_tables WHERE tableowner = current_user")
        assert cursor.fetchone() == (0,)


def test_every_table_that_says_whose_a_row_is_keeps_shops_apart(database):
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT c.relname, c.relrowsecurity AND c.relforcerowsecurity FROM pg_class c"
            " JOIN pg_attribute a ON a.attrelid = c.oid AND a.attname = 'shop_id'"
            " WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace"
        )
        apart = dict(cursor.fetchall())
    # Whoever signs in, or shows a key, is looked up before the shop is known.
    assert {table for table, kept in apart.items() if not kept} == {"shops_person", "shops_apikey"}
    assert {"cases_importrun", "outcomes_exportjob"} <= apart.keys()


def test_without_a_shop_set_there_are_no_rows_at_all(shop):
    make_case(shop)
    assert [model.objects.count() for model in TENANT_MODELS] == [0] * len(TENANT_MODELS)


def test_an_unfiltered_query_sees_the_acting_shops_rows_only(shop, other_shop):
    own, foreign = make_case(shop), make_case(other_shop)
    with acting_for(shop.pk):
        assert [case.pk for case in Case.objects.all()] == [own.pk]
        assert not Case.objects.filter(pk=foreign.pk).exists()
        assert {row.case_id for row in Attempt.objects.all()} == {own.pk}
        assert Case.objects.filter(pk=foreign.pk).update(notes="mine now") == 0
        assert FollowUp.objects.filter(case_id=foreign.pk).delete()[0] == 0


def test_a_row_for_another_shop_is_refused(shop, other_shop):
    with (
        pytest.raises(DatabaseError, match="row-level security"),
        acting_for(shop.pk),
        transaction.atomic(),
    ):
        Case.objects.create(
            shop=other_shop,
            opened_on=date(2026, 3, 1),
            year=2020,
            make="Corvane",
            unit_kind="engine",
            complaint="smuggled",
        )


def test_a_child_can_not_point_at_another_shops_case(shop, other_shop):
    foreign = make_case(other_shop)
    with acting_for(shop.pk), connection.cursor() as cursor:
        FollowUp.objects.create(shop=shop, case=foreign, on=date(2026, 6, 1), state="gone")
        with pytest.raises(DatabaseError, match="case_of_same_shop"), transaction.atomic():
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
        FollowUp.objects.all().delete()


def test_the_reader_sees_shared_rows_of_all_shops_but_not_whose_they_are(shop, other_shop):
    make_case(shop), make_case(other_shop)
    with reading_shared():
        assert SharedCase.objects.values_list("cluster", flat=True).distinct().count() == 2
    for column in ("shop_id",):
        with (
            pytest.raises(DatabaseError, match="permission denied"),
            transaction.atomic(),
            reading_shared(),
        ):
            list(SharedCase.objects.values_list(column))


@pytest.mark.parametrize("model", [Case, Attempt, FollowUp, IdempotencyKey])
def test_the_reader_can_read_nothing_else(shop, model):
    with (
        pytest.raises(DatabaseError, match="permission denied"),
        transaction.atomic(),
        reading_shared(),
    ):
        model.objects.count()


def test_acting_for_inside_acting_for_goes_back_to_the_outer_shop(shop, other_shop):
    make_case(shop)
    with acting_for(shop.pk):
        with acting_for(other_shop.pk):
            assert Case.objects.count() == 0
        assert Case.objects.count() == 1


def test_the_database_notes_every_removal_by_itself(shop):
    case = make_case(shop)
    withdraw_case(shop=shop, case_id=case.pk)
    with reading_shared(), connection.cursor() as cursor:
        cursor.execute("SELECT shared_id FROM cases_sharedremoval")
        assert cursor.fetchall() == [(case.shared_id,)]


def test_every_change_of_a_shared_row_is_stamped_with_its_transaction(shop):
    make_case(shop)
    with acting_for(shop.pk):
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_current_xact_id()::text::bigint")
            (now,) = cursor.fetchone()
        SharedCase.objects.update(changed_xid=3)
        assert set(SharedCase.objects.values_list("changed_xid", flat=True)) == {now}
