"""Workshop shorthand: every entry has a reason, means one thing, and is stable."""

from __future__ import annotations

from pathlib import Path

import pytest

from casebook.vocabulary.normaliser import (
    THEMES,
    NormaliserError,
    load_entries,
    load_replacements,
    read_entries,
)
from search.core.text import Normaliser


def words(text: str) -> list[str]:
    return [token.spelt for token in Normaliser(load_replacements()).read(text)]


def test_every_entry_has_its_reason_and_a_theme():
    assert len(load_entries()) >= 500
    for entry in load_entries():
        assert entry.theme in THEMES
        assert len(entry.reason) >= 5, entry


def test_every_theme_has_entries():
    assert {entry.theme for entry in load_entries()} == set(THEMES)


def test_the_table_is_a_copy():
    load_replacements()["a/c"] = "spoilt"
    assert load_replacements()["a/c"] == "air conditioning"


def test_reading_twice_changes_nothing():
    """What an entry means reads as itself, so that query and case meet whichever was written."""
    table = Normaliser(load_replacements())
    for entry in load_entries():
        once = [token.spelt for token in table.read(entry.written)]
        meant = [token.spelt for token in table.read(entry.meant)]
        again = [token.spelt for token in table.read(" ".join(once))]
        assert once == meant == again, entry


@pytest.mark.parametrize(
    "one, other",
    [
        ("Cust states A/C blows warm", "air conditioning blowing warm"),
        ("TCC shudder on hwy", "converter lock-up judders on the motorway"),
        ("tranny slipping in 3rd gear", "transmision slips in 3rd gear"),
        ("check engine light on, no start", "MIL on, no start"),
        ("alt not charging", "generator not charging"),
        ("DPF regen", "particulate filter regeneration"),
        ("cat rattles", "catalytic converter rattling"),
        ("handbrake stuck", "parking brake stuck"),
    ],
)
def test_two_ways_of_saying_it_meet(one, other):
    assert words(one) == words(other)


@pytest.mark.parametrize(
    "text, kept",
    [
        ("lights throttle", "throttle"),
        ("not cold", "not"),
        ("no reverse", "no"),
        ("lamp on", "on"),
        ("light throttle", "light"),
        ("shift shock", "shock"),
    ],
)
def test_words_that_carry_the_sense_are_kept(text, kept):
    assert kept in words(text)


def test_stop_words_are_dropped():
    assert words("Customer states that the car is leaking, please check and advise") == ["leak"]


@pytest.mark.parametrize(
    "text, said",
    [
        ('[abbreviations]\n"abc" = ["thing"]\n', "abc: write"),
        ('[abbreviations]\n"abc" = "thing"\n', "abc: needs a reason"),
        ('[abbreviations]\n"abc" = ["abc", "silly"]\n', "means itself"),
        ('[abbreviations]\n"Abc" = ["thing", "why"]\n', "lower case"),
        ('[abbreviations]\n"a" = ["b", "why"]\n"b" = ["c", "why"]\n', "which is rewritten too"),
        ('[abbreviations]\n"a" = ["b", "x"]\n[synonyms]\n"a" = ["c", "x"]\n', "already in"),
        ("[jokes]\n", "jokes: unknown"),
        ("[abbreviations\n", "bad.toml"),
    ],
)
def test_faults_are_named(tmp_path: Path, text, said):
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(NormaliserError) as caught:
        read_entries(path)
    assert any(said in fault for fault in caught.value.faults)
