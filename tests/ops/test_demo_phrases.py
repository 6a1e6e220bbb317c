"""Phrases with choices, and the hands that type them."""

from __future__ import annotations

import pytest

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.phrases import parse_phrase, say
from casebook.ops.demo.voices import Lexicon, Voice

LEXICON = Lexicon.of(
    short={"customer": ["cust"], "engine light": ["EML"], "engine": ["eng"]},
    slips={"gearbox": ["gear box"]},
)


def voice(**changes):
    habits = {
        "name": "test",
        "case": "sentence",
        "shortens": 0.0,
        "drops": 0.0,
        "slips": 0.0,
        "words": 1.0,
        "joins": (". ",),
        "ends": ".",
        "speed": "km/h",
        "degrees": "°C",
        "opens": ("",),
    }
    return Voice(**{**habits, **changes})


def ways(text, rolls=400, **fill):
    return {say(text, Dice(i), fill) for i in range(rolls)}


def test_all_choices_come_up_and_nothing_else():
    assert ways("[blows|blowing] warm[ air|]") == {
        "blows warm",
        "blows warm air",
        "blowing warm",
        "blowing warm air",
    }


def test_choices_may_nest():
    assert ways("a[b[c|d]|e]f") == {"abcf", "abdf", "aef"}


def test_numbers_keep_to_their_range_and_step():
    assert ways("{3-5} km") == {"3 km", "4 km", "5 km"}
    assert ways("{100-200/50}") == {"100", "150", "200"}


def test_words_are_filled_in_and_an_unknown_one_is_an_error():
    assert ways("since {month}", month="May") == {"since May"}
    with pytest.raises(KeyError):
        say("since {month}", Dice(1), {})
    assert parse_phrase("{day} [at {place}|]").names() == {"day", "place"}


@pytest.mark.parametrize("text", ["[open", "{open", "close]", "a|b", "close}", "{9-3}"])
def test_a_malformed_phrase_is_refused(text):
    with pytest.raises(ValueError):
        parse_phrase(text)


def test_the_longest_abbreviation_wins():
    writer = voice(shortens=1.0)
    assert writer.write(["engine light on, engine dies"], Dice(1), LEXICON) == "EML on, eng dies."


def test_statements_are_joined_in_the_writer_s_manner():
    told = ["customer says no drive", "codes P0741"]
    assert voice().write(told, Dice(1), LEXICON) == "Customer says no drive. Codes P0741."
    lower = voice(case="lower", joins=(" / ",), ends="")
    assert lower.write(told, Dice(1), LEXICON) == "customer says no drive / codes P0741"
    assert voice(case="upper").write(told[:1], Dice(1), LEXICON) == "CUSTOMER SAYS NO DRIVE."


def test_units_are_written_the_writer_s_way_and_marks_never_double():
    text = voice(speed="kph", degrees="C", ends=".").write(
        ["over 90 km/h?", "at 80 °C."], Dice(1), LEXICON
    )
    assert text in {
        "Over 90 kph? At 80 C.",
        "Over 90kph? At 80 C.",
        "Over 90 kph? At 80C.",
        "Over 90kph? At 80C.",
    }


def test_slips_spare_codes_and_short_words():
    written = {voice(slips=1.0).write(["gearbox at P0741"], Dice(i), LEXICON) for i in range(50)}
    assert written == {"Gear box at P0741."}


def test_free_slips_change_one_place_of_a_long_word():
    written = {voice(slips=1.0).write(["transfer"], Dice(i), LEXICON) for i in range(300)}
    lengths = {len(text) for text in written}
    assert "Transfer." in written
    assert len(written) > 10
    assert lengths <= {8, 9, 10}
