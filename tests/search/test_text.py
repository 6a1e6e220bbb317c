import pytest

from search.core.text import Normaliser, fold, letter_groups, squeeze


def words(text, table=None):
    return [token.spelt for token in Normaliser(table or {}).read(text)]


@pytest.mark.parametrize(
    "text, expected",
    [
        ("Blows WARM, in town!", ["blows", "warm", "in", "town"]),
        ("", []),
        ("  ...  ", []),
        ("Öl-Café", ["ol", "cafe"]),
        ("won't shift", ["wont", "shift"]),
        ("L/H lamp, R.H. lamp, O-ring", ["lh", "lamp", "rh", "lamp", "oring"]),
        ("w/light and/or idle.Then", ["w", "light", "and", "or", "idle", "then"]),
        ("the customer's van", ["the", "customer", "van"]),
        ("P0741-62 stored", ["p0741", "62", "stored"]),
        ("2.0 diesel", ["2.0", "diesel"]),
        ("idles at 900rpm, 12.5V", ["idles", "at", "900", "rpm", "12.5", "v"]),
        ("3rd gear", ["3rd", "gear"]),
        ("шумит на холодную", ["шумит", "на", "холодную"]),
    ],
)
def test_text_becomes_folded_words(text, expected):
    assert words(text) == expected


def test_the_longest_written_form_wins_and_is_not_replaced_again():
    table = {"tq": "torque", "tq conv": "torque converter", "converter": "catalyst"}
    assert words("tq conv, tq", table=table) == ["torque", "converter", "torque"]


def test_a_sign_with_a_joiner_is_replaced_whole():
    table = {"a/c": "air conditioning", "check-engine light": "warning lamp"}
    assert words("A/C and a c", table=table) == ["air", "conditioning", "and", "a", "c"]
    assert words("check engine light", table=table) == ["warning", "lamp"]


def test_written_forms_are_known_together_apart_and_with_other_endings():
    table = {"cam belt": "timing belt", "handbrake": "parking brake", "howl": "whine"}
    assert words("cambelt cam-belt", table=table) == ["timing", "belt"] * 2
    assert words("hand brake howls", table=table) == ["parking", "brake", "whine"]
    # A form with an ending is itself and nothing else: shocks are parts, a shock is felt.
    assert words("a shock", table={"shocks": "damper"}) == ["a", "shock"]


def test_a_sign_is_known_within_longer_forms_wherever_it_stands():
    forms = {"a/c comp": "cooling compressor", "a/c": "cooling", "no a/c": "warm"}
    for table in (forms, dict(reversed(forms.items()))):
        assert words("a/c comp, no a/c, a/c", table=table) == [
            "cooling",
            "compressor",
            "warm",
            "cooling",
        ]


def test_an_empty_replacement_drops_the_word():
    assert words("the noise", table={"the": ""}) == ["noise"]


def test_replaced_words_remember_what_was_written():
    tokens = Normaliser({"tq conv": "torque converter"}).read("Tq Conv slips")
    assert [token.said for token in tokens] == ["Tq Conv", "Tq Conv", "slips"]


def test_words_are_compared_by_their_stem_and_keep_their_spelling():
    (token,) = Normaliser({}).read("Leaking")
    assert token == ("leak", "Leaking", "leaking")


def test_folding_keeps_letters_and_drops_marks():
    assert fold("É’x") == "e'x"


def test_names_are_levelled_to_letters_and_digits():
    assert squeeze("KX-7") == squeeze("kx 7") == "kx7"


def test_letter_groups_mark_both_ends():
    assert letter_groups("leak", 3) == ["_le", "lea", "eak", "ak_"]


def test_numbers_and_short_words_have_no_letter_groups():
    assert letter_groups("141", 3) == letter_groups("ac", 3) == letter_groups("2.0", 3) == []
