"""Codes out of a text field: what is read, what is asked about, what reads back alike."""

from __future__ import annotations

import pytest

from casebook.web.scanner import read_scanner_text, write_scanner_text


def codes_in(text: str) -> list[str]:
    return [
        " ".join(part for part in (c["code"], c["status"], c.get("module")) if part)
        for c in read_scanner_text(text).codes
    ]


@pytest.mark.parametrize(
    "text, expected",
    [
        ("P0741 P0218-62 pending", ["P0741 stored", "P0218-62 pending"]),
        ("Pending codes:\nP0741\nPermanent codes:\nP0562", ["P0741 pending", "P0562 permanent"]),
        ("[HVAC] P0534 pending\n[TCM] P0741", ["P0534 pending HVAC", "P0741 stored TCM"]),
        ("P0741 unknown", ["P0741 unknown"]),
        ("no codes in here at all, 4 wheels", []),
        ("", []),
    ],
)
def test_codes_are_read_with_their_status_and_module(text: str, expected: list[str]) -> None:
    found = read_scanner_text(text)
    assert codes_in(text) == expected
    assert found.doubts == []


@pytest.mark.parametrize("doubt", ["P07411", "P074", "P0741-6", "P0G41", "P9741"])
def test_what_was_meant_as_a_code_is_asked_about_and_not_dropped(doubt: str) -> None:
    found = read_scanner_text(f"P0300 {doubt}")
    assert len(found.doubts) == 1
    assert doubt in found.doubts[0]
    assert found.codes[0]["code"] == "P0300"


@pytest.mark.parametrize("text", ["B12 bolts replaced", "P0741 - part 06-C1", "U-joint, P-range"])
def test_other_words_of_a_workshop_are_no_doubts(text: str) -> None:
    assert read_scanner_text(text).doubts == []


@pytest.mark.parametrize(
    "codes",
    [
        [("P0741", "stored", ""), ("P0218-62", "pending", "")],
        [("P0534", "permanent", "HVAC"), ("P0741", "stored", "TCM")],
        [("P0741", "unknown", ""), ("U0100", "active", "Gateway 2")],
        [("P0741", "history", "")],
    ],
)
def test_codes_written_as_text_read_back_alike(codes: list[tuple[str, str, str]]) -> None:
    stored = [{"code": c, "status": s, "module": m} for c, s, m in codes]
    back = read_scanner_text(write_scanner_text(stored)).codes
    assert [(c["code"], c["status"], c.get("module", "")) for c in back] == codes
