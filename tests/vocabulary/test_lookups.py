"""Asking the vocabulary: by unit kind, by level, by the words people use."""

from __future__ import annotations

import dataclasses
import itertools

import pytest

from casebook.vocabulary import Symptom, load_vocabulary
from casebook.vocabulary.wording import fold_text, plain_words

VOCABULARY = load_vocabulary()


def test_terms_of_a_kind_are_its_own_and_those_that_fit_any():
    for kind in VOCABULARY.units:
        for symptom in VOCABULARY.symptoms.values():
            fits = symptom.unit_kinds == () or kind in symptom.unit_kinds
            assert (symptom in VOCABULARY.symptoms_for(kind)) == fits
    assert VOCABULARY.symptoms_for(None) == list(VOCABULARY.symptoms.values())
    assert VOCABULARY.checks_for(None) == list(VOCABULARY.checks.values())


def test_actions_of_a_kind_are_shared_out_among_the_levels():
    for kind in VOCABULARY.units:
        by_level = [VOCABULARY.actions_for(kind, level) for level in VOCABULARY.levels]
        together = list(itertools.chain(*by_level))
        assert len(together) == len(VOCABULARY.actions_for(kind))
        for level, actions in zip(VOCABULARY.levels, by_level, strict=True):
            assert all(action.levels == (level,) for action in actions)


@pytest.mark.parametrize(
    "words, kind, key",
    [
        ("TCC shudder", "automatic_transmission", "shudder"),
        ("flares between gears", "automatic_transmission", None),
        ("Regas", "ac_system", None),
        ("short cycling", "ac_system", "compressor_cycles_fast"),
        ("Won't hold", "brake_system", None),
        ("DPF light", "exhaust_aftertreatment", "filter_lamp"),
        ("dpf LIGHT", "exhaust_aftertreatment", "filter_lamp"),
        ("parasitic draw", "body_electrical", "battery_flat_overnight"),
        ("no drive", "cvt", "no_movement"),
        ("CNS", "engine", "no_start_cranks"),
    ],
)
def test_symptoms_are_found_by_what_they_are_called(words, kind, key):
    found = VOCABULARY.find_symptom(words, kind)
    assert (found.key if found else None) == key


def test_checks_actions_and_units_are_found_by_what_they_are_called():
    assert VOCABULARY.find_check("leak-down test", "engine").key == "cylinder_leak_test"
    assert VOCABULARY.find_check("UV lamp").key == "dye_inspection"
    assert VOCABULARY.find_action("regas", "ac_system").key == "recharge_refrigerant"
    assert VOCABULARY.find_unit("DCT").key == "dual_clutch_transmission"
    assert VOCABULARY.find_unit("air-con").key == "ac_system"
    assert VOCABULARY.find_unit("flux capacitor") is None


def test_every_name_of_a_symptom_finds_it_within_its_kinds():
    """Each synonym is read back through the look-up."""
    for kind in VOCABULARY.units:
        for symptom in VOCABULARY.symptoms_for(kind):
            for name in (symptom.key, symptom.label, *symptom.synonyms):
                assert VOCABULARY.find_symptom(name.upper(), kind) is symptom, (kind, name)


def test_words_that_name_two_things_find_neither():
    vocabulary = dataclasses.replace(
        VOCABULARY,
        symptoms={
            "hums": Symptom("hums", "Hums", ("engine",), ("sings",), "A low note."),
            "whistles": Symptom(
                "whistles", "Whistles", ("turbocharger",), ("Sings",), "A high note."
            ),
        },
        _matchers={},
    )
    assert vocabulary.find_symptom("sings") is None
    assert vocabulary.find_symptom("sings", "engine").key == "hums"
    assert vocabulary.find_symptom("sings", "turbocharger").key == "whistles"
    assert vocabulary.find_symptom("hums").key == "hums"


@pytest.mark.parametrize(
    "text, plain",
    [
        ("Won't go into D/R", "wont go into d r"),
        ("  Öl-Leck  ", "ol leck"),
        ("A/C — not cold!", "a c not cold"),
        ("won’t start", "wont start"),
        ("", ""),
        ("…", ""),
    ],
)
def test_plain_words(text, plain):
    assert plain_words(text) == plain


def test_folding_keeps_punctuation():
    assert fold_text("A/C Öl") == "a/c ol"
