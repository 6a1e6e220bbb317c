"""The data files as they are shipped: complete, unambiguous, careful."""

from __future__ import annotations

import itertools
import json

import pytest

from casebook.vocabulary import Vocabulary, load_vocabulary
from casebook.vocabulary.terms import Action, Check, Symptom
from casebook.vocabulary.vocabulary import fits_kind, names_of
from casebook.vocabulary.wording import plain_words

UNIT_KINDS = (
    "automatic_transmission manual_transmission cvt dual_clutch_transmission transfer_case "
    "differential engine turbocharger fuel_system cooling_system charging_system starting_system "
    "ac_system brake_system steering_system suspension hybrid_battery electric_drive "
    "exhaust_aftertreatment body_electrical"
).split()
CONDITIONS = (
    "cold warm hot idle load accelerating coasting braking turning uphill after_sitting wet "
    "intermittent always gear_1 gear_2 gear_3 gear_4 gear_5 gear_6 gear_7 gear_8 gear_9 gear_10 "
    "reverse"
).split()


@pytest.fixture(scope="module")
def vocabulary() -> Vocabulary:
    return load_vocabulary()


def all_terms(vocabulary: Vocabulary) -> list[Symptom | Check | Action]:
    return [
        *vocabulary.symptoms.values(),
        *vocabulary.checks.values(),
        *vocabulary.actions.values(),
    ]


def test_unit_kinds_conditions_and_levels_are_those_that_others_rely_on(vocabulary):
    assert list(vocabulary.units) == UNIT_KINDS
    assert list(vocabulary.conditions) == CONDITIONS
    assert vocabulary.levels == ("none", "service", "component", "overhaul", "replacement")
    assert vocabulary.follow_up_states == (
        "holding",
        "came_back",
        "other_fault",
        "gone",
        "no_contact",
    )


def test_there_are_words_enough(vocabulary):
    assert len(vocabulary.symptoms) >= 250
    assert len(vocabulary.checks) >= 180
    assert len(vocabulary.actions) >= 150


@pytest.mark.parametrize("kind", UNIT_KINDS)
def test_every_unit_kind_has_terms_of_its_own(vocabulary, kind):
    """Not only those that fit anything."""

    def own(terms):
        return [term for term in terms.values() if kind in term.unit_kinds]

    assert len(own(vocabulary.symptoms)) >= 10
    assert len(own(vocabulary.checks)) >= 10
    assert len(own(vocabulary.actions)) >= 10
    for level in ("service", "component", "overhaul", "replacement"):
        assert [action for action in own(vocabulary.actions) if action.level == level], level


@pytest.mark.parametrize("kind", UNIT_KINDS)
@pytest.mark.parametrize("theme", ["symptoms", "checks", "actions"])
def test_no_name_means_two_things_within_a_unit_kind(vocabulary, kind, theme):
    terms = [term for term in getattr(vocabulary, theme).values() if fits_kind(term, kind)]
    shared = [
        (one.key, other.key, sorted(names_of(one) & names_of(other)))
        for one, other in itertools.combinations(terms, 2)
        if names_of(one) & names_of(other)
    ]
    assert shared == []


def test_no_two_unit_kinds_share_a_name(vocabulary):
    names = [
        {plain_words(name) for name in (unit.key, unit.label, *unit.synonyms)}
        for unit in vocabulary.units.values()
    ]
    assert all(not one & other for one, other in itertools.combinations(names, 2))


def test_every_term_reads_well(vocabulary):
    described = [
        *vocabulary.units.values(),
        *vocabulary.conditions.values(),
        *vocabulary.symptoms.values(),
        *vocabulary.checks.values(),
    ]
    for term in described:
        assert term.meaning.endswith("."), term.key
        assert "\n" not in term.meaning, term.key
    for term in all_terms(vocabulary):
        assert len(term.label) <= 75, term.key
        assert not term.label.endswith("."), term.key
        # Not islower(): "1st gear" begins with a digit.
        assert term.label[:1] == term.label[:1].upper(), term.key


def test_every_symptom_has_other_names(vocabulary):
    assert [symptom.key for symptom in vocabulary.symptoms.values() if not symptom.synonyms] == []


def test_every_check_has_minutes_that_a_shop_would_book(vocabulary):
    assert all(2 <= check.minutes <= 120 for check in vocabulary.checks.values())


@pytest.mark.parametrize(
    "before, caution",
    [("lifted", "lifting"), ("isolated", "high_voltage")],
)
def test_what_must_be_true_before_a_check_brings_its_caution(vocabulary, before, caution):
    concerned = [check for check in vocabulary.checks.values() if before in check.before]
    assert concerned
    assert [check.key for check in concerned if caution not in check.cautions] == []


def test_every_caution_is_used_and_defers(vocabulary):
    used = {
        caution
        for term in (*vocabulary.checks.values(), *vocabulary.actions.values())
        for caution in term.cautions
    }
    assert used == set(vocabulary.cautions)
    for caution in vocabulary.cautions.values():
        assert "maker's procedure, local codes and licensed practice" in caution.text


def test_every_precondition_is_used(vocabulary):
    used = {key for check in vocabulary.checks.values() for key in check.before}
    assert used == set(vocabulary.preconditions)


def test_every_check_with_named_results_says_what_is_normal(vocabulary):
    for check in vocabulary.checks.values():
        if check.kind == "number":
            assert check.normal is None, check.key
            continue
        assert check.normal is not None, check.key
        normal = check.result(check.normal).severity
        known = [result.severity for result in check.results if result.severity is not None]
        # A clean pan beside usual paste: the normal result need not be the very least.
        assert normal is None or normal <= min(known) + 0.1, check.key


def test_every_result_of_an_ordered_check_has_a_severity(vocabulary):
    for check in vocabulary.checks.values():
        if check.kind == "ordinal":
            assert all(result.severity is not None for result in check.results), check.key


def test_severity_rises_away_from_the_normal_result(vocabulary):
    """An ordered check runs from good to bad, or from one bad end over normal to the other."""
    for check in vocabulary.checks.values():
        if check.kind != "ordinal":
            continue
        severities = [result.severity for result in check.results]
        at = severities.index(min(severities))
        assert severities[: at + 1] == sorted(severities[: at + 1], reverse=True), check.key
        assert severities[at:] == sorted(severities[at:]), check.key


def test_not_done_is_no_result(vocabulary):
    keys = {result.key for check in vocabulary.checks.values() for result in check.results}
    assert not keys & {"not_done", "not_checked", "unknown", "none_done", "skipped"}


def test_bins_of_a_number_cover_what_is_usual_and_what_is_not(vocabulary):
    for check in vocabulary.checks.values():
        if check.kind != "number":
            continue
        (low, high), bins = check.soft, check.bins
        assert all(check.hard[0] <= centre <= check.hard[1] for centre in bins), check.key
        assert any(low <= centre <= high for centre in bins), check.key
        assert any(not low <= centre <= high for centre in bins) or check.hard == check.soft


def test_the_document_is_plain_and_complete(vocabulary):
    document = json.loads(json.dumps(vocabulary.as_document()))
    assert document["version"] == vocabulary.version
    assert {"key", "label"} <= document["units"][0].keys()
    assert {"key", "label", "unit_kinds", "synonyms"} <= document["symptoms"][0].keys()
    assert {"key", "label"} <= document["conditions"][0].keys()
    assert {"key", "label", "levels", "unit_kinds"} <= document["actions"][0].keys()
    assert {"key", "text"} <= document["cautions"][0].keys()
    for check in document["checks"]:
        wanted = "key label kind minutes unit_kinds results unit range cautions".split()
        assert set(wanted) <= check.keys()
        if check["kind"] == "number":
            assert check["results"] == []
            assert len(check["range"]) == 2
        else:
            assert len(check["results"]) >= 2
            assert check["unit"] is None
            assert check["range"] is None


@pytest.mark.parametrize(
    "theme, key",
    [
        ("symptoms", "warm_air"),
        ("symptoms", "compressor_cycles_fast"),
        ("checks", "dye_inspection"),
        ("checks", "low_side_pressure"),
        ("checks", "compressor_clutch_gap"),
        ("checks", "leak_test_nitrogen"),
        ("actions", "recharge_refrigerant"),
    ],
)
def test_keys_of_the_published_example_fit_air_conditioning(vocabulary, theme, key):
    assert fits_kind(getattr(vocabulary, theme)[key], "ac_system")


def test_results_of_the_published_example_exist(vocabulary):
    checks = vocabulary.checks
    assert checks["dye_inspection"].result("seepage")
    assert checks["compressor_clutch_gap"].result("worn")
    assert checks["leak_test_nitrogen"].result("evaporator_leak")
    assert "compressed_gas" in checks["leak_test_nitrogen"].cautions
    assert checks["low_side_pressure"].unit == "kPa"
    assert vocabulary.actions["recharge_refrigerant"].level == "service"
