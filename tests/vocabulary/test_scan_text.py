"""Codes out of pasted scan-tool text."""

from __future__ import annotations

import random

import pytest

from casebook.vocabulary.code_table import load_codes
from casebook.vocabulary.codes import ScannedCode, parse_scanner_text


def read(text: str) -> list[str]:
    return [
        f"{found.code}{'-' + found.failure_type if found.failure_type else ''} {found.status}"
        for found in parse_scanner_text(text)
    ]


@pytest.mark.parametrize(
    "text, found",
    [
        ("P0741 P0218-62 pending", ["P0741 stored", "P0218-62 pending"]),
        ("Pending: P0741, P0300", ["P0741 pending", "P0300 pending"]),
        ("Permanent codes\nP0420\nP0171", ["P0420 permanent", "P0171 permanent"]),
        ("P0420 Catalyst, bank 1: works below its limit - Permanent", ["P0420 permanent"]),
        ("[HVAC] P0534 (62) history", ["P0534-62 history"]),
        (
            "p0741,p0218;U0100|c003a",
            ["P0741 stored", "P0218 stored", "U0100 stored", "C003A stored"],
        ),
        ("P0562:16 active", ["P0562-16 active"]),
        ("1) P0741\n2) P0743   confirmed\n", ["P0741 stored", "P0743 stored"]),
        ("PO741 and РО743", ["P0741 stored", "P0743 stored"]),
        ("P074162", ["P0741-62 stored"]),
    ],
)
def test_codes_are_found_with_their_status(text, found):
    assert read(text) == found


@pytest.mark.parametrize(
    "text",
    [
        "",
        "No codes stored.",
        "not coded, 2 modules; serial P0741X9, part C0031234, VIN 1M8GDM9AXKP042788",
        "P4741 P07 0741",
        "cocoa, booed, faced",
    ],
)
def test_noise_is_no_code(text):
    assert read(text) == []


def test_words_of_a_description_are_no_status():
    """A fault of current, or one that comes and goes, is not a status."""
    text = "P0118 current too high in the circuit\nP0744 Torque Converter Clutch Intermittent"
    assert read(text) == ["P0118 stored", "P0744 stored"]


def test_a_description_as_casebook_prints_it_is_no_status():
    for entry in load_codes().values():
        assert read(f"{entry.code} {entry.description}") == [f"{entry.code} stored"]


@pytest.mark.parametrize(
    "text",
    [
        "P0744 intermittent",
        "P0744 converter clutch - intermittent",
        "P0744 converter clutch  status: sporadic",
        "P0744 (history)",
        "P0744 | converter clutch | past |",
    ],
)
def test_a_word_of_two_meanings_is_a_status_where_it_stands_alone(text):
    assert read(text) == ["P0744 history"]


def test_a_heading_that_says_there_are_none_ends_the_one_before():
    text = "Pending codes:\nP0300\nNo permanent codes\nP0420"
    assert read(text) == ["P0300 pending", "P0420 stored"]


def test_a_status_byte_behind_the_failure_type_is_read():
    """ISO 14229-1: bit 0 failing, bit 2 pending, bit 3 confirmed."""
    text = "U0100:00-28\nP0A06-11-2F\nP0741-62-04\nP0218-00-50"
    assert read(text) == [
        "U0100-00 stored",
        "P0A06-11 active",
        "P0741-62 pending",
        "P0218-00 history",
    ]


def test_a_code_listed_under_several_headings_keeps_the_status_that_says_most():
    text = "Stored\nP0300\nPending\nP0300\nP0171\nPermanent\nP0300"
    assert read(text) == ["P0300 permanent", "P0171 pending"]


def test_the_same_code_with_another_failure_type_is_another_finding():
    assert parse_scanner_text("P0741-62 P0741-11 P0741") == [
        ScannedCode("P0741", "62", "stored"),
        ScannedCode("P0741", "11", "stored"),
        ScannedCode("P0741", None, "stored"),
    ]


def test_signs_that_grow_do_not_shift_what_belongs_to_a_code():
    assert read("ßßßß ﬃﬃ P0741 pending, P0300 permanent") == ["P0741 pending", "P0300 permanent"]


def test_codes_among_prose_are_all_found_in_order():
    chosen = random.Random(4).sample(sorted(load_codes()), 200)
    prose = " ".join(f"then {code.lower()} came up, see page {i};" for i, code in enumerate(chosen))
    assert [found.code for found in parse_scanner_text(prose)] == chosen
