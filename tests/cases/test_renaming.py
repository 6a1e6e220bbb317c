"""Stored cases after terms were renamed or merged: nothing lost, nothing done twice."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest
from django.core.management import CommandError, call_command

from casebook.cases import documents, reading, renaming
from casebook.cases.models import Attempt, Case, SharedCase
from casebook.cases.queries import get_case
from casebook.cases.renaming import changes_for, rename_terms
from casebook.ops.management.commands import rename_terms as command
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.terms import Rename
from tests.factories import make_case, make_shop

RENAMES = [
    ("symptoms", "lukewarm_air", "warm_air"),
    ("conditions", "heated", "hot"),
    ("checks", "dye_lamp", "dye_inspection"),
    ("actions", "regas", "recharge_refrigerant"),
]


def vocabulary_with(renames: list[tuple[str, str, str]]) -> Any:
    made = tuple(Rename(*rename, since="2026.2", reason="plainer") for rename in renames)
    return dataclasses.replace(load_vocabulary(), renames=made)


@pytest.fixture
def renamed(monkeypatch: pytest.MonkeyPatch) -> None:
    vocabulary = vocabulary_with(RENAMES)
    for room in (documents, reading, renaming, command):
        monkeypatch.setattr(room, "load_vocabulary", lambda: vocabulary)


def age(case: Case, **kept: Any) -> None:
    """As an earlier edition would have stored it; `kept` stands for other columns."""
    with acting_for(case.shop_id):
        Case.objects.filter(pk=case.pk).update(
            symptoms=[
                {"symptom": "lukewarm_air", "when": [], "stage": "intake"},
                {
                    "symptom": "compressor_cycles_fast",
                    "when": ["heated", "idle"],
                    "stage": "intake",
                },
            ],
            findings=[{"check": "dye_lamp", "result": "seepage", "stage": "intake"}],
            **kept,
        )
        Attempt.objects.filter(case=case).update(actions=["regas"])
        shared = SharedCase.objects.get(pk=case.shared_id)
        shared.actions = ["regas"]
        shared.document["findings"] = [{"check": "dye_lamp", "result": "seepage"}]
        shared.save()


@pytest.mark.usefixtures("renamed")
def test_case_and_shared_copy_get_the_names_of_today(shop: Shop) -> None:
    case = make_case(shop)
    before = get_case(shop=shop, case_id=case.pk)
    age(case)
    assert rename_terms(shop=shop).changed == 1
    after = get_case(shop=shop, case_id=case.pk)
    assert [s["symptom"] for s in after.symptoms] == ["warm_air", "compressor_cycles_fast"]
    assert after.symptoms[1]["when"] == ["hot", "idle"]
    assert [f["check"] for f in after.findings] == ["dye_inspection"]
    assert [a.actions for a in after.attempts.all()] == [["recharge_refrigerant"]]
    # Whoever still holds the earlier state must notice.
    assert after.version == before.version + 1
    assert [f.on for f in after.follow_ups.all()] == [f.on for f in before.follow_ups.all()]
    assert (after.complaint, after.notes) == (before.complaint, before.notes)
    with acting_for(shop.pk):
        shared = SharedCase.objects.get(pk=case.shared_id)
    assert shared.actions == ["recharge_refrigerant"]
    assert [f["check"] for f in shared.document["findings"]] == ["dye_inspection"]
    assert "lukewarm_air" not in str(shared.document)


@pytest.mark.usefixtures("renamed")
def test_a_second_run_changes_nothing(shop: Shop) -> None:
    case = make_case(shop)
    age(case)
    rename_terms(shop=shop)
    version = get_case(shop=shop, case_id=case.pk).version
    assert rename_terms(shop=shop).changed == 0
    assert get_case(shop=shop, case_id=case.pk).version == version


@pytest.mark.usefixtures("renamed")
def test_cases_without_old_names_are_left_alone(shop: Shop) -> None:
    untouched = make_case(shop)
    age(make_case(shop))
    assert rename_terms(shop=shop).changed == 1
    assert get_case(shop=shop, case_id=untouched.pk).version == untouched.version


@pytest.mark.usefixtures("renamed")
def test_more_cases_than_one_transaction_takes(shop: Shop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(renaming, "_AT_ONCE", 2)
    cases = [make_case(shop) for _ in range(5)]
    for case in cases:
        age(case)
    seen: list[int] = []
    assert rename_terms(shop=shop, on_case=lambda: seen.append(1)).changed == 5
    assert len(seen) == 5


@pytest.mark.usefixtures("renamed")
def test_a_shop_renames_its_own_cases_alone(shop: Shop) -> None:
    other = make_shop()
    foreign = make_case(other)
    age(foreign)
    assert rename_terms(shop=shop).changed == 0
    assert get_case(shop=other, case_id=foreign.pk).symptoms[0]["symptom"] == "lukewarm_air"


@pytest.mark.usefixtures("renamed")
def test_a_case_that_todays_rules_refuse_is_named_and_kept(
    shop: Shop, capsys: pytest.CaptureFixture[str]
) -> None:
    good, refused = make_case(shop), make_case(shop)
    age(good)
    age(refused, unit_kind="steam_engine")
    with pytest.raises(CommandError, match="1 cases keep their old terms"):
        call_command("rename_terms", "--shop", str(shop.pk))
    said = capsys.readouterr()
    assert "1 cases of 1 shops" in said.out
    assert str(refused.pk) in said.err
    assert "steam_engine" in said.err
    with acting_for(shop.pk):
        assert Case.objects.get(pk=refused.pk).symptoms[0]["symptom"] == "lukewarm_air"
        assert Case.objects.get(pk=good.pk).symptoms[0]["symptom"] == "warm_air"


@pytest.mark.usefixtures("renamed")
def test_the_command_goes_through_all_shops(shop: Shop, capsys: pytest.CaptureFixture[str]) -> None:
    for owner in (shop, make_shop()):
        age(make_case(owner))
    call_command("rename_terms")
    assert "2 cases of" in capsys.readouterr().out


def test_without_renames_there_is_nothing_to_do(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    vocabulary = vocabulary_with([])
    for room in (renaming, command):
        monkeypatch.setattr(room, "load_vocabulary", lambda: vocabulary)
    assert rename_terms(shop=shop).changed == 0
    call_command("rename_terms")
    assert "No term" in capsys.readouterr().out


def test_two_terms_that_became_one_are_one_entry_with_the_conditions_of_both() -> None:
    content = {
        "symptoms": [
            {"symptom": "lukewarm_air", "when": ["hot"], "stage": "intake"},
            {"symptom": "compressor_noise", "when": [], "stage": "intake"},
            {"symptom": "warm_air", "when": ["idle", "hot"], "stage": "intake"},
            {"symptom": "warm_air", "when": [], "stage": "repair"},
        ],
        "findings": [],
        "attempts": [{"actions": ["regas", "recharge_refrigerant", "add_dye"]}],
    }
    assert changes_for(content, vocabulary_with(RENAMES)) == {
        "symptoms": [
            {"symptom": "warm_air", "when": ["hot", "idle"], "stage": "intake"},
            {"symptom": "compressor_noise", "when": [], "stage": "intake"},
            {"symptom": "warm_air", "when": [], "stage": "repair"},
        ],
        "attempts": [{"actions": ["recharge_refrigerant", "add_dye"]}],
    }
    assert changes_for(content, vocabulary_with([])) == {}
