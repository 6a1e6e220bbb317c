"""The files of the invented world keep to the vocabulary and to themselves."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

import casebook.ops.demo
from casebook.cases.constants import LEVEL_RANK
from casebook.ops.demo.phrases import parse_phrase
from casebook.ops.demo.world import load_world
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.codes import parse_code

WORLD, VOCABULARY = load_world(), load_vocabulary()
FILLED_IN = {"month", "day", "name", "phone", "part", "codes", "gap", "value"}
SOURCES = Path(casebook.ops.demo.__file__).parent
LOADING = {"loader.py", "access.py"}

KINDS = [kind for by_fuel in WORLD.kinds.values() for kind in by_fuel.values()]

every_kind = pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.key)


def fits(term, kind):
    return not term.unit_kinds or kind.key in term.unit_kinds


def checks_made_on(key):
    return {check for kind in WORLD.kinds[key].values() for check in kind.checks}


def readings(kind):
    for check, habit in kind.checks.items():
        yield check, habit.normal
    for fault in kind.faults:
        yield from fault.findings.items()
        yield from fault.teardown.items()


@every_kind
def test_symptoms_and_conditions_are_of_the_vocabulary_and_have_words(kind):
    assert kind.key in VOCABULARY.units
    for fault in kind.faults:
        for key, sign in fault.symptoms.items():
            assert fits(VOCABULARY.symptoms[key], kind), key
            assert set(sign.when) <= set(VOCABULARY.conditions)
            assert kind.says.get(key) or WORLD.says.get(key), key
    assert set(kind.says) <= set(VOCABULARY.symptoms)


@every_kind
def test_checks_have_results_or_units_of_the_vocabulary(kind):
    for key, reading in readings(kind):
        check = VOCABULARY.checks[key]
        assert fits(check, kind), key
        assert (reading.mean is not None) == (check.kind == "number"), key
        assert set(reading.results) <= {result.key for result in check.results}, key
        if reading.mean is None:
            for severity in (0.0, 1.0):
                weights = [weight.at(severity) for weight in reading.results.values()]
                assert sum(max(0.0, weight) for weight in weights) > 0.0, key
    families = {build.fits[kind.key] for build in WORLD.builds[kind.key]}
    for key, habit in kind.checks.items():
        assert any(map(habit.fits, families)), key
        assert habit.unit == (VOCABULARY.checks[key].unit or ""), key


@every_kind
def test_actions_belong_to_the_level_they_stand_at_and_have_words(kind):
    for fault in kind.faults:
        for level, ways in fault.actions.items():
            for way in ways:
                actions = [VOCABULARY.actions[key] for key in way]
                assert all(fits(action, kind) for action in actions), way
                ranks = [LEVEL_RANK[action.level] for action in actions]
                assert max(ranks) == LEVEL_RANK[level], (fault.key, level, way)
                assert all(kind.did.get(key) or WORLD.did.get(key) for key in way), way
                assert set(way) <= set(WORLD.bills), way
        assert {cause.part for cause in fault.causes} - {""} <= set(VOCABULARY.actions)


@every_kind
def test_faults_are_told_apart_curable_and_found_by_checks_that_are_made(kind):
    assert len({fault.key for fault in kind.faults}) == len(kind.faults)
    families = {build.fits[kind.key] for build in WORLD.builds[kind.key]}
    for fault in kind.faults:
        assert 0.0 < fault.severity < 1.0
        assert set(fault.findings) <= checks_made_on(kind.key), fault.key
        assert fault.takes in fault.cures
        assert fault.takes in fault.actions
        assert set(fault.cures) <= set(kind.levels)
        assert set(fault.families) <= families, fault.key
        assert all(parse_code(code).failure_type is None for code in fault.codes)
        for cure in fault.cures.values():
            assert all(0.0 <= cure.fixes.at(s) <= 1.0 for s in (0.0, 1.0))
            assert all(cure.back.at(s) > 0.0 for s in (0.0, 1.0))


@every_kind
def test_what_is_said_of_findings_can_be_found(kind):
    for key, by_result in kind.seen.items():
        assert key in checks_made_on(kind.key)
        known = {result.key for result in VOCABULARY.checks[key].results} or {"value"}
        assert set(by_result) <= known, key


def test_phrases_are_well_formed_and_ask_only_for_what_is_filled_in():
    for kind in KINDS:
        assert set(kind.around) <= set(WORLD.around)
    phrases = [WORLD.when, WORLD.says, WORLD.did, WORLD.around, WORLD.after]
    phrases += [{voice.name: voice.opens} for voice in WORLD.voices.values()]
    for kind in KINDS:
        phrases += [kind.when, kind.around, kind.says, kind.did, *kind.seen.values()]
        phrases += [{fault.key: fault.tells} for fault in kind.faults]
        phrases += [{f.key: [cause.text for cause in f.causes]} for f in kind.faults]
    for table in phrases:
        for ways in table.values():
            for text in ways:
                assert parse_phrase(text).names() <= FILLED_IN, text


def test_shops_are_many_unlike_each_other_and_written_for_by_known_voices():
    assert len(WORLD.shops) >= 24
    assert len({shop.name for shop in WORLD.shops}) == len(WORLD.shops)
    for shop in WORLD.shops:
        assert set(shop.likes) <= set(WORLD.kinds), shop.name
        assert set(shop.leans) <= set(LEVEL_RANK), shop.name
        assert set(shop.voices) <= set(WORLD.voices), shop.name


def test_every_kind_is_carried_by_vehicles_of_more_than_one_make():
    for key, builds in WORLD.builds.items():
        assert len({build.make for build in builds}) > 1, key


def test_axles_and_transfer_cases_are_met_only_on_vehicles_that_have_one():
    for build in WORLD.builds["transfer_case"]:
        assert set(build.drives) == {"all"}, build
    for build in WORLD.builds["differential"]:
        assert set(build.drives) <= {"all", "rear"}, build
    # Elsewhere the same model is built with the other drives too.
    assert any("front" in build.drives for build in WORLD.builds["suspension"])


def test_electric_vehicles_carry_nothing_that_burns():
    carried = {
        key
        for key, builds in WORLD.builds.items()
        if any(build.fuel == "electric" for build in builds)
    }
    assert "electric_drive" in carried
    assert not carried & {"engine", "fuel_system", "turbocharger", "manual_transmission"}


def test_what_is_of_one_fuel_is_not_met_on_the_other():
    engines = WORLD.kinds["engine"]
    assert "spark_plug_look" in engines["petrol"].checks
    assert "spark_plug_look" not in engines["diesel"].checks
    assert "ignition_misfire" not in {fault.key for fault in engines["diesel"].faults}
    said = json.dumps([[kind.says, kind.part_names] for kind in KINDS])
    assert "diesel: " not in said
    assert "petrol: " not in said
    assert "electric: " not in said
    drives = WORLD.kinds["electric_drive"]
    assert "charger" in {fault.key for fault in drives["electric"].faults}
    assert "charger" not in {fault.key for fault in drives["petrol"].faults}


def terms_met():
    """Keys of symptoms, checks and actions that the world's cases can carry."""
    faults = [fault for kind in KINDS for fault in kind.faults]
    return {
        "symptoms": {key for fault in faults for key in fault.symptoms},
        "checks": {check for kind in KINDS for check, _ in readings(kind)},
        "actions": {
            key
            for fault in faults
            for ways in fault.actions.values()
            for way in ways
            for key in way
        },
    }


@pytest.mark.parametrize("theme", ["symptoms", "checks", "actions"])
def test_nearly_all_of_the_vocabulary_is_met_in_the_demo(theme):
    known, met = set(getattr(VOCABULARY, theme)), terms_met()[theme]
    assert met <= known
    assert len(met) >= 0.9 * len(known), sorted(known - met)


def test_nine_tenths_of_the_unit_kinds_are_met_in_the_demo():
    assert set(WORLD.kinds) <= set(VOCABULARY.units)
    assert len(WORLD.kinds) >= 0.9 * len(VOCABULARY.units)


def test_bills_run_from_low_to_high():
    for action, bill in WORLD.bills.items():
        assert 0 <= bill.parts[0] <= bill.parts[1], action
        assert 0 <= bill.hours[0] <= bill.hours[1] < 60, action


def test_the_world_is_played_out_without_what_it_is_there_to_try():
    for path in SOURCES.glob("*.py"):
        imported = set()
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom):
                imported.add(node.module or "")
            elif isinstance(node, ast.Import):
                imported.update(name.name for name in node.names)
        mine = {name for name in imported if name.startswith(("casebook", "search", "api"))}
        if path.name not in LOADING:
            assert {name for name in mine if not name.startswith("casebook.ops.demo")} == set()
