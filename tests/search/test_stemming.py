"""Endings are taken off, and no more than that."""

import pytest

from search.core.stemming import is_base, stem


@pytest.mark.parametrize(
    "forms",
    [
        "leak leaks leaking leaked leaky",
        "slip slips slipping slipped",
        "stall stalls stalling stalled",
        "hiss hissing hissed",
        "switch switches switching",
        "noise noises noisy",
        "brake brakes braking braked",
        "battery batteries",
        "bearing bearings",
        "slow slowly",
    ],
)
def test_forms_of_a_word_meet(forms):
    assert len({stem(word) for word in forms.split()}) == 1


@pytest.mark.parametrize(
    "words",
    [
        "start starter",
        "heat heater",
        "leak leakage",
        "bear bearing",
        "time timing",
        "not note",
        "spring spr",
        "speed spe",
        "loss lose",
        "gas ga",
    ],
)
def test_other_words_stay_apart(words):
    first, second = words.split()
    assert stem(first) != stem(second)


@pytest.mark.parametrize("word", ["abs", "p0741", "12.5", "шумит", "stepless", "ring", "bleed"])
def test_words_without_an_ending_stay_as_they_are(word):
    assert stem(word) == word


def test_base_forms_are_told_from_others():
    assert all(map(is_base, ["leak", "noise", "stall", "battery", "hiss"]))
    assert not any(map(is_base, ["leaks", "leaking", "shocks", "slipped"]))
