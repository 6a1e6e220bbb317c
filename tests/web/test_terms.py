"""The vocabulary page finds terms by what people call them, and says all that it knows of them."""

from __future__ import annotations

import pytest
from django.test import Client

from casebook.vocabulary import load_vocabulary
from casebook.web import terms
from casebook.web.terms import Term, find_terms

VOCABULARY = load_vocabulary()


def keys_of(words: str, theme: str, kind: str | None = None) -> list[str]:
    return [t.key for found in find_terms(words, kind) if found.name == theme for t in found.terms]


def term(words: str, theme: str, key: str) -> Term:
    parts = [part for part in find_terms(words, None) if part.name == theme]
    return next(t for part in parts for t in part.terms if t.key == key)


@pytest.mark.parametrize(
    "words, theme, key",
    [
        ("TCC shudder", "Symptoms", "shudder"),
        ("short cycling", "Symptoms", "compressor_cycles_fast"),
        ("leak-down", "Checks", "cylinder_leak_test"),
        ("Regas", "Work done", "recharge_refrigerant"),
        ("first thing in the morning", "When it shows", "cold"),
        ("slushbox", "Units", "automatic_transmission"),
        ("wet clutches", "Units", "dual_clutch_transmission"),
        ("acid", "Cautions", "battery_acid"),
        ("P0741", "Trouble codes", "P0741"),
        # A slip of the fingers that the normaliser knows.
        ("refridgerant", "Work done", "recharge_refrigerant"),
    ],
)
def test_terms_are_found_by_what_people_call_them(words: str, theme: str, key: str) -> None:
    assert key in keys_of(words, theme)


def test_every_symptom_is_found_by_each_of_its_names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terms, "search_codes", lambda words, most: [])  # slow, and not asked here
    for symptom in VOCABULARY.symptoms.values():
        for name in (symptom.label, *symptom.synonyms):
            found = keys_of(name, "Symptoms")
            assert symptom.key in found[:3], (symptom.key, name)


def test_what_is_called_so_comes_before_what_only_mentions_it() -> None:
    keys = keys_of("freeze frame", "Checks")
    assert keys[0] == "freeze_frame"


def test_a_check_says_minutes_what_comes_before_results_and_hazards() -> None:
    check = VOCABULARY.checks["clutch_slip_test"]
    shown = term("slip test", "Checks", check.key)
    said = " ".join(shown.details)
    assert f"about {check.minutes} min" in said
    assert all(VOCABULARY.preconditions[key].label in said for key in check.before)
    assert all(result.label in said for result in check.results)
    assert check.cautions
    assert list(shown.cares) == [VOCABULARY.cautions[key].text for key in check.cautions]


def test_work_says_its_hazards_and_a_number_its_range_on_24_v() -> None:
    action = VOCABULARY.actions["recharge_refrigerant"]
    shown = term("regas", "Work done", action.key)
    assert list(shown.cares) == [VOCABULARY.cautions[key].text for key in action.cautions]
    assert "on 24 V" in " ".join(term("charging voltage", "Checks", "charging_voltage").details)


def test_a_hazard_finds_the_caution_and_not_everything_that_warns_of_it() -> None:
    # Every caution defers to the maker's procedure.
    assert keys_of("licensed practice", "Checks") == []
    assert set(keys_of("licensed practice", "Cautions")) == set(VOCABULARY.cautions)


def test_a_unit_kind_alone_lists_its_own_terms() -> None:
    assert keys_of("", "Units", "cvt") == ["cvt"]
    symptoms = keys_of("", "Symptoms", "transfer_case")
    assert symptoms == [s.key for s in VOCABULARY.symptoms_for("transfer_case")]
    assert find_terms("", None) == []
    assert keys_of("…", "Symptoms") == []


def test_the_page_shows_hazards(signed_in: Client) -> None:
    page = signed_in.get("/vocabulary?q=regas").content.decode()
    assert "Take care: " in page
    assert "recharge_refrigerant" in page
