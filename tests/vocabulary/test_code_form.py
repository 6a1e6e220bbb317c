"""How codes are written, by people and scan tools. Form: SAE J2012 / ISO 15031-6."""

from __future__ import annotations

import random
import string

import pytest

from casebook.vocabulary.codes import Code, CodeError, parse_code


@pytest.mark.parametrize(
    "text, code, failure_type",
    [
        ("P0741", "P0741", None),
        ("p0741", "P0741", None),
        ("  P0741\n", "P0741", None),
        ("P 0741", "P0741", None),
        ("DTC P0741", "P0741", None),
        ("P0741-62", "P0741", "62"),
        ("P0741 62", "P0741", "62"),
        ("P0741:62", "P0741", "62"),
        ("P0741 - 62", "P0741", "62"),
        ("P0741–62", "P0741", "62"),
        ("P0741 (62)", "P0741", "62"),
        ("P074162", "P0741", "62"),
        ("c003a", "C003A", None),
        ("P0a80-1f", "P0A80", "1F"),
        ("U3FFF-FF", "U3FFF", "FF"),
        ("Ｐ０７４１", "P0741", None),  # full width
        ("Р0741", "P0741", None),  # a Cyrillic letter
        ("С0031", "C0031", None),
        ("В0001", "B0001", None),
    ],
)
def test_a_code_is_read_as_it_is_written(text, code, failure_type):
    assert parse_code(text) == Code(code, failure_type)


@pytest.mark.parametrize(
    "text, meant",
    [
        ("0741", "P0741"),
        ("0741-62", "P0741-62"),
        ("074162", "P0741-62"),
        ("0x0741", "P0741"),
        ("PO741", "P0741"),
        ("P0741O", "P0741"),
        ("РО741", "P0741"),  # both letters Cyrillic
        ("P07I1", "P0711"),
        ("P07411", "P0741"),
        ("P741", "P0741"),
        ("P-0741", "P0741"),
        ("P0741--62", "P0741-62"),
        ("C1OO", "C0100"),
    ],
)
def test_what_is_nearly_a_code_is_refused_with_the_code_that_was_meant(text, meant):
    with pytest.raises(CodeError) as refusal:
        parse_code(text)
    assert f"Did you mean {meant}?" in str(refusal.value)


@pytest.mark.parametrize(
    "text, rule",
    [
        ("", "Give a trouble code"),
        ("X0741", "begins with P (powertrain), C (chassis), B (body) or U (network)"),
        ("P4123", "after P comes 0, 1, 2 or 3"),
        ("P07", "after P come four digits"),
        ("P0741-6", "a failure type is two digits"),
        ("P07G1X2", "its digits are 0 to 9 and A to F"),
        ("P0741623", "a letter and four digits"),
    ],
)
def test_what_is_no_code_is_refused_with_the_rule_it_breaks(text, rule):
    with pytest.raises(CodeError) as refusal:
        parse_code(text)
    assert rule in str(refusal.value)


def test_any_text_is_read_or_refused_in_a_short_sentence():
    random.seed(3)
    read, said = 0, set()
    for _ in range(5_000):
        text = "".join(
            random.choices("PCBU0123" + string.printable + "РОЗ漢", k=random.randint(0, 9))
        )
        try:
            again = parse_code(text)
        except CodeError as refusal:
            said.add(str(refusal))
            continue
        assert parse_code(str(again)) == again
        read += 1
    assert read > 0
    assert max(map(len, said)) < 220


def test_a_malformed_code_can_not_exist():
    for code, failure_type in (("P4741", None), ("0741", None), ("P0741", "6"), ("P0741", "GG")):
        with pytest.raises(ValueError, match="is not a"):
            Code(code, failure_type)
