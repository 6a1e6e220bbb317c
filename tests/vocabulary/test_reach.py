"""No padding: every term is reached by each of its names, and the terms that a diagnosis cannot
do without are there."""

from __future__ import annotations

import pytest

from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.vocabulary import fits_kind

VOCABULARY = load_vocabulary()
FINDERS = {
    "symptoms": VOCABULARY.find_symptom,
    "checks": VOCABULARY.find_check,
    "actions": VOCABULARY.find_action,
}


@pytest.mark.parametrize("theme", FINDERS)
@pytest.mark.parametrize("kind", VOCABULARY.units)
def test_every_name_leads_to_its_term_within_a_unit_kind(theme: str, kind: str) -> None:
    """Reads each name back through the look-up; so no term is out of reach, and none is padding
    that nobody has a word for."""
    terms = [term for term in getattr(VOCABULARY, theme).values() if fits_kind(term, kind)]
    assert terms
    for term in terms:
        assert term.synonyms, term.key
        for name in (term.key, term.label, *term.synonyms):
            assert FINDERS[theme](name.upper(), kind) is term, (term.key, name)


def test_every_term_fits_a_unit_kind_that_exists() -> None:
    for theme in FINDERS:
        for term in getattr(VOCABULARY, theme).values():
            assert set(term.unit_kinds) <= set(VOCABULARY.units), term.key


@pytest.mark.parametrize("kind", VOCABULARY.units)
def test_every_unit_kind_is_found_by_each_of_its_names_and_has_subkinds(kind: str) -> None:
    unit = VOCABULARY.units[kind]
    for name in (unit.key, unit.label, *unit.synonyms):
        assert VOCABULARY.find_unit(name) is unit, name
    assert len(unit.subkinds) >= 2
    assert len(set(unit.subkinds)) == len(unit.subkinds)


@pytest.mark.parametrize(
    "key, kinds",
    [
        # What is worth doing on any unit, before anything is replaced.
        ("maker_codes_read", VOCABULARY.units),
        ("repeat_cold_and_warm", VOCABULARY.units),
        ("codes_return_after_clearing", VOCABULARY.units),
        # Filter and magnet, wherever there is an oil pan or a drain plug.
        ("pan_debris", ("automatic_transmission", "cvt", "dual_clutch_transmission")),
        (
            "drain_plug_magnet",
            ("manual_transmission", "transfer_case", "differential", "electric_drive"),
        ),
    ],
)
def test_the_checks_that_sort_repair_from_replacement_are_there(
    key: str, kinds: tuple[str, ...]
) -> None:
    for kind in kinds:
        assert VOCABULARY.checks[key] in VOCABULARY.checks_for(kind), kind


def test_a_test_repeated_cold_and_warm_tells_the_two_apart() -> None:
    results = {result.key for result in VOCABULARY.checks["repeat_cold_and_warm"].results}
    assert results == {"normal", "fails_cold_only", "fails_warm_only", "fails_both"}


def test_every_check_and_action_had_its_hazards_thought_of() -> None:
    """An empty list is an answer, but hardly ever on work under a vehicle or on high voltage."""
    lifted = [check for check in VOCABULARY.checks.values() if "lifted" in check.before]
    assert all("lifting" in check.cautions for check in lifted)
    own = [a for a in VOCABULARY.actions.values() if a.unit_kinds == ("hybrid_battery",)]
    assert own
    harmless = {action.key for action in own if "high_voltage" not in action.cautions}
    assert not harmless, harmless
