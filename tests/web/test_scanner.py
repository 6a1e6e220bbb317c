"""Codes out of scanner text: what is read, what is asked about, what is never made up."""

from __future__ import annotations

import pytest

from casebook.web.scanner import read_scanner_text, write_scanner_text


def codes_in(text: str) -> list[str]:
    return [
        " ".join(part for part in (c["code"], c.get("status"), c.get("module")) if part)
        for c in read_scanner_text(text).codes
    ]


@pytest.mark.parametrize(
    "text, expected",
    [
        ("P0741 P0218-62 pending", ["P0741", "P0218-62 pending"]),
        ("p0741,p0218", ["P0741", "P0218"]),
        ("PO741", ["P0741"]),
        ("Pending: P0741, P0300", ["P0741 pending", "P0300 pending"]),
        ("Pending codes:\nP0741\nP0300\nPermanent codes:\nP0562", None),
        ("P0741 - torque converter clutch circuit, stuck off (stored)", ["P0741 stored"]),
        ("P0753 shift solenoid A, high current", ["P0753"]),
        ("U0100: lost communication\nP0741 permanent", ["U0100", "P0741 permanent"]),
        ("[HVAC] P0534 pending\n[TCM] P0741", ["P0534 pending HVAC", "P0741 TCM"]),
        ("P0741 P0741 P0741", ["P0741"]),
        ("P0A80", ["P0A80"]),
        ("no codes in here at all, 4 wheels", []),
        ("", []),
    ],
)
def test_codes_are_read_as_a_scanner_prints_and_a_person_types_them(
    text: str, expected: list[str] | None
) -> None:
    if expected is None:
        expected = ["P0741 pending", "P0300 pending", "P0562 permanent"]
    assert codes_in(text) == expected


def test_a_status_belongs_to_the_code_before_it_and_not_to_the_next() -> None:
    assert codes_in("P0741 pending P0218") == ["P0741 pending", "P0218"]


@pytest.mark.parametrize("doubt", ["P07411", "P074", "P0741-6", "P0G41"])
def test_what_was_meant_as_a_code_is_asked_about_and_not_dropped(doubt: str) -> None:
    found = read_scanner_text(f"P0300 {doubt}")
    assert found.doubts == [doubt]
    assert [code["code"] for code in found.codes] == ["P0300"]


@pytest.mark.parametrize(
    "text",
    [
        "P0741 P0218-62 pending",
        "[HVAC] P0534 permanent\n[TCM] P0741",
        "P0741 unknown",
        "U0100 active",
    ],
)
def test_codes_written_as_text_read_back_alike(text: str) -> None:
    codes = read_scanner_text(text).codes
    assert read_scanner_text(write_scanner_text(codes)).codes == codes
