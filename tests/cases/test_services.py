"""Writing cases: whole or not at all, shared in the same transaction, constraints that hold."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from casebook.cases.models import Attempt, Case, FollowUp, Outbox, SharedCase
from casebook.cases.queries import describe_case, get_case, get_shared_case, list_due
from casebook.cases.reading import read_case
from casebook.cases.services import (
    add_attempt,
    add_follow_up,
    create_cases,
    merge_patch,
    preview_case,
    today,
    update_case,
    withdraw_case,
)
from casebook.errors import Conflict, InvalidDocument, NotFound, StaleVersion
from casebook.shops.tenancy import acting_for, reading_shared
from tests.factories import case_data, make_case


def test_what_was_posted_comes_back_as_it_was(shop):
    case = make_case(shop, shop_reference="70311")
    described = describe_case(get_case(shop=shop, case_id=case.pk))
    posted = read_case(case_data(), today=today())
    again = {key: described[key] for key in case_data()}
    assert read_case(again, today=today()) == posted
    assert described["state"] == "repaired"


def test_others_see_no_reference_no_day_no_exact_odometer_and_no_exact_cost(shop):
    case = make_case(shop)
    shared = get_shared_case(shared_id=case.shared_id)
    text = str(shared)
    for secret in ("70311", "2026-05-1", "148200", "48.5", str(shop.pk), shop.name, str(case.pk)):
        assert secret not in text
    assert shared["opened_in"] == "2026-05"
    assert shared["vehicle"]["odometer_band_km"] == [140_000, 150_000]
    assert "⟨phone⟩" in shared["notes"]
    # Hours are a number, as in the shop's own case.
    assert shared["attempts"][0]["labour_hours"] == 0.7


def test_the_owner_is_told_what_was_taken_out_but_not_the_text(shop):
    case = make_case(shop)
    assert case.masked == [{"kind": "phone", "count": 1}]


def test_a_vin_links_visits_and_is_not_kept(shop, other_shop):
    vehicle = case_data()["vehicle"] | {"vin": "1HGCR2F3XFA027534"}
    first = make_case(shop, vehicle=vehicle)
    second = make_case(other_shop, vehicle=vehicle)
    third = make_case(other_shop, vehicle=vehicle | {"vin": "1HGCM82633A004352"})
    assert bytes(first.vehicle_link) == bytes(second.vehicle_link) != bytes(third.vehicle_link)
    assert "1HGCR2F3XFA027534" not in str(vars(first))


def test_a_batch_is_stored_whole_or_not_at_all(shop):
    make_case(shop, shop_reference="A-1")
    documents = [
        read_case(case_data(shop_reference=reference), today=today())
        for reference in ("A-2", "A-1", "A-3")
    ]
    with pytest.raises(Conflict) as refused:
        create_cases(shop=shop, documents=documents)
    assert refused.value.code == "reference_taken"
    with acting_for(shop.pk):
        assert list(Case.objects.values_list("shop_reference", flat=True)) == ["A-1"]
        assert SharedCase.objects.count() == 1


def test_only_a_taken_reference_is_called_one(shop):
    """What breaks another constraint is our mistake, and must not read as the shop's."""
    document = read_case(case_data(), today=today())
    nameless = document.model_copy(
        update={"vehicle": document.vehicle.model_copy(update={"make": ""})}
    )
    with pytest.raises(IntegrityError), transaction.atomic():
        create_cases(shop=shop, documents=[nameless])


def test_names_that_grow_while_they_are_anonymised_are_stored(shop):
    """U+FDFA is one character as posted and 18 once it is normalised; ß becomes SS."""
    vehicle = case_data()["vehicle"] | {"make": "\ufdfa" * 60, "model": "½" * 70 + " a@b.de"}
    case = make_case(shop, vehicle=vehicle, unit={"kind": "ac_system", "family": "ß" * 60})
    assert case.make == vehicle["make"]
    shared = get_shared_case(shared_id=case.shared_id)
    assert len(shared["vehicle"]["make"]) == 18 * 60
    with reading_shared():
        row = SharedCase.objects.values("make", "model", "unit_family").get(pk=case.shared_id)
    assert {name: len(text) for name, text in row.items()} == {
        "make": 60,
        "model": 80,
        "unit_family": 60,
    }
    assert "a@b.de" not in shared["vehicle"]["model"]


@pytest.mark.parametrize(
    "add, data",
    [
        (add_attempt, {"on": "2026-07-01", "level": "component"}),
        (add_follow_up, {"on": "2026-07-01", "state": "holding"}),
    ],
)
def test_an_addition_that_names_a_version_is_refused_by_a_later_one(shop, add, data):
    case = make_case(shop)
    update_case(shop=shop, case_id=case.pk, changes={"notes": "Called back"}, version=1)
    with pytest.raises(StaleVersion):
        add(shop=shop, case_id=case.pk, data=data, version=1)
    assert add(shop=shop, case_id=case.pk, data=data, version=2).version == 3
    assert add(shop=shop, case_id=case.pk, data=data).version == 4


def test_one_reference_may_have_two_complaints_and_two_shops_the_same_reference(shop, other_shop):
    make_case(shop, shop_reference="A-1", complaint_no=1)
    make_case(shop, shop_reference="A-1", complaint_no=2)
    make_case(other_shop, shop_reference="A-1", complaint_no=1)


def test_every_change_leaves_a_note_in_the_outbox(shop):
    before = Outbox.objects.count()
    case = make_case(shop)
    add_follow_up(shop=shop, case_id=case.pk, data={"on": "2026-09-01", "state": "holding"})
    withdraw_case(shop=shop, case_id=case.pk)
    assert Outbox.objects.count() == before + 3


def test_an_attempt_after_a_comeback_opens_the_question_again(shop):
    case = make_case(shop)
    case = add_follow_up(
        shop=shop, case_id=case.pk, data={"on": "2026-07-01", "state": "came_back"}
    )
    assert case.state == "followed"
    case = add_attempt(
        shop=shop,
        case_id=case.pk,
        data={"on": "2026-07-02", "level": "component", "result": "fixed"},
    )
    assert case.state == "repaired"
    shared = get_shared_case(shared_id=case.shared_id)
    assert [attempt["level"] for attempt in shared["attempts"]] == ["service", "component"]
    with reading_shared():
        row = SharedCase.objects.values("first_level", "event", "event_days", "resolved_by").get(
            pk=case.shared_id
        )
    assert row == {
        "first_level": "service",
        "event": "came_back",
        "event_days": 50.0,
        "resolved_by": "component",
    }


def test_faults_of_an_added_attempt_point_into_the_attempt(shop):
    case = make_case(shop)
    with pytest.raises(InvalidDocument) as refused:
        add_attempt(shop=shop, case_id=case.pk, data={"on": "2026-01-02", "level": "polish"})
    assert {error.pointer for error in refused.value.errors} == {"/level", "/on"}
    assert get_case(shop=shop, case_id=case.pk).version == 1


def test_a_change_needs_the_version_last_seen(shop):
    case = make_case(shop)
    update_case(shop=shop, case_id=case.pk, changes={"complaint": "hisses"}, version=1)
    with pytest.raises(StaleVersion):
        update_case(shop=shop, case_id=case.pk, changes={"complaint": "lost"}, version=1)
    assert get_case(shop=shop, case_id=case.pk).complaint == "hisses"


def test_a_patch_merges_objects_replaces_lists_and_clears_with_null(shop):
    case = make_case(shop)
    changed = update_case(
        shop=shop,
        case_id=case.pk,
        changes={"vehicle": {"model": "Cargo 3", "drive": None}, "symptoms": [], "notes": None},
        version=1,
    )
    described = describe_case(changed)
    assert described["vehicle"]["model"] == "Cargo 3"
    assert described["vehicle"]["make"] == "Talvera"
    assert (described["vehicle"]["drive"], described["symptoms"], described["notes"]) == (
        "",
        [],
        "",
    )


def test_merge_patch_follows_the_examples_of_rfc_7396_appendix_a():
    # Source: RFC 7396, appendix A (from memory, not seen for this test).
    for target, patch, result in [
        ({"a": "b"}, {"a": "c"}, {"a": "c"}),
        ({"a": "b"}, {"b": "c"}, {"a": "b", "b": "c"}),
        ({"a": "b"}, {"a": None}, {}),
        ({"a": ["b"]}, {"a": "c"}, {"a": "c"}),
        ({"a": {"b": "c"}}, {"a": {"b": "d", "c": None}}, {"a": {"b": "d"}}),
        (["a", "b"], ["c", "d"], ["c", "d"]),
        ({}, {"a": {"bb": {"ccc": None}}}, {"a": {"bb": {}}}),
    ]:
        assert merge_patch(target, patch) == result


def test_what_is_not_ours_is_not_there(shop, other_shop):
    case = make_case(other_shop)
    for attempt in (
        lambda: get_case(shop=shop, case_id=case.pk),
        lambda: update_case(shop=shop, case_id=case.pk, changes={}, version=1),
        lambda: add_attempt(shop=shop, case_id=case.pk, data={}),
        lambda: add_follow_up(shop=shop, case_id=case.pk, data={}),
        lambda: withdraw_case(shop=shop, case_id=case.pk),
    ):
        with pytest.raises(NotFound):
            attempt()


def test_withdrawal_takes_the_case_its_children_and_what_others_saw(shop):
    case = make_case(shop)
    withdraw_case(shop=shop, case_id=case.pk)
    with acting_for(shop.pk):
        counts = [model.objects.count() for model in (Case, Attempt, FollowUp, SharedCase)]
    assert counts == [0, 0, 0, 0]
    with pytest.raises(NotFound):
        get_shared_case(shared_id=case.shared_id)


def test_the_longest_owed_follow_up_comes_first_and_answered_ones_leave(shop):
    newer = make_case(shop, follow_ups=[])
    older = make_case(
        shop,
        opened_on="2026-02-01",
        attempts=[{"on": "2026-02-02", "level": "service", "result": "fixed"}],
        follow_ups=[],
    )
    day = date(2026, 6, 30)
    assert [case.pk for case in list_due(shop=shop, today=day)] == [older.pk, newer.pk]
    add_follow_up(shop=shop, case_id=newer.pk, data={"on": "2026-06-20", "state": "gone"})
    assert [case.pk for case in list_due(shop=shop, today=day)] == [older.pk]


def test_a_preview_stores_nothing(shop):
    shown = preview_case(document=read_case(case_data(), today=today()))
    assert shown["masked"] == [{"kind": "phone", "count": 1}]
    with acting_for(shop.pk):
        assert Case.objects.count() == 0


@pytest.mark.parametrize(
    "model, change",
    [
        (Case, {"state": "lost"}),
        (Case, {"year": 1700}),
        (Case, {"make": ""}),
        (Case, {"odometer_value": -1}),
        (Case, {"odometer_unit": ""}),
        (Case, {"odometer_value": None}),
        (Case, {"complaint": "", "codes": [], "symptoms": [], "findings": []}),
        (Case, {"codes": {"not": "a list"}}),
        (Case, {"complaint_no": 0}),
        (Attempt, {"level": "polish"}),
        (Attempt, {"result": "perhaps"}),
        (Attempt, {"unit_source": "new"}),
        (Attempt, {"currency": ""}),
        (Attempt, {"parts_cost": Decimal("-1")}),
        (FollowUp, {"state": "who_knows"}),
        (SharedCase, {"told": None, "event": None}),
        (SharedCase, {"told": None, "event_days": -1}),
        (SharedCase, {"opened_month": date(2026, 5, 2)}),
    ],
)
def test_the_database_refuses_what_the_code_should_never_write(shop, model, change):
    make_case(shop)
    with pytest.raises(IntegrityError), transaction.atomic(), acting_for(shop.pk):
        model.objects.update(**change)
