"""Codes, failure types and status as control units send them.

Sources: two bytes SAE J2012 / ISO 15031-6, third byte SAE J2012-DA, status ISO 14229-1 Annex D.
Marks: [doc] seen in a stored manual or articles; [run] reproduced with an independent library.
"""

from __future__ import annotations

import pytest

from casebook.vocabulary.codes import (
    FAILURE_TYPES,
    decode_bytes,
    decode_status,
    encode_code,
    name_failure_type,
    parse_code,
)

# [run], own decoder and another library's
TWO_BYTES = {
    "0133": "P0133",
    "0734": "P0734",
    "1234": "P1234",
    "2451": "P2451",
    "3500": "P3500",
    "4300": "C0300",
    "8001": "B0001",
    "C100": "U0100",
}
# 56789A, A5B6C7, FFFFFF: a diagnostics library's manual; the rest: articles [doc]; all [run]
THREE_BYTES = {
    "073400": "P0734-00",
    "C10087": "U0100-87",
    "56789A": "C1678-9A",
    "A5B6C7": "B25B6-C7",
    "403123": "C0031-23",
    "803910": "B0039-10",
    "C07304": "U0073-04",
    "900016": "B1000-16",
    "012700": "P0127-00",
    "FFFFFF": "U3FFF-FF",
}


@pytest.mark.parametrize("sent, code", [*TWO_BYTES.items(), *THREE_BYTES.items()])
def test_bytes_and_codes_turn_into_each_other(sent, code):
    data = bytes.fromhex(sent)
    assert str(decode_bytes(data)) == code
    assert encode_code(parse_code(code)) == data


def test_zero_bytes_are_padding():
    assert decode_bytes(b"\0\0") is None
    assert decode_bytes(b"\0\0\0") is None


def test_every_two_bytes_come_back_as_they_were():
    for number in range(1, 0x10000):
        data = number.to_bytes(2, "big")
        code = decode_bytes(data)
        assert code is not None
        assert encode_code(code) == data


def test_two_bytes_are_decoded_as_another_library_decodes_them():
    """[run]"""
    from obd.decoders import parse_dtc

    for number in range(1, 0x10000, 7):
        data = number.to_bytes(2, "big")
        assert str(decode_bytes(data)) == parse_dtc(data)[0].upper()


def test_other_numbers_of_bytes_are_refused():
    for data in (b"", b"\x07", b"\x07\x34\x00\x08"):
        with pytest.raises(ValueError, match="2 or 3 bytes"):
            decode_bytes(data)


def test_a_service_19_answer_reads_as_another_library_reads_it():
    """59 02 FF | 07 34 00 08 | C1 00 87 2F [run]"""
    from udsoncan import Response
    from udsoncan.services import ReadDTCInformation

    records = bytes.fromhex("07340008C100872F")
    answer = Response(ReadDTCInformation, Response.Code.PositiveResponse, b"\x02\xff" + records)
    read = ReadDTCInformation.interpret_response(
        answer, ReadDTCInformation.Subfunction.reportDTCByStatusMask
    )
    theirs = [(dtc.id.to_bytes(3, "big"), dtc.status.get_byte_as_int()) for dtc in
              read.service_data.dtcs]  # fmt: skip
    ours = [(records[i : i + 3], records[i + 3]) for i in (0, 4)]
    assert ours == theirs
    assert [str(decode_bytes(data)) for data, _ in ours] == ["P0734-00", "U0100-87"]


def test_status_bits_are_named_as_another_library_names_them():
    """[run]"""
    from udsoncan import Dtc

    for byte in range(256):
        theirs = Dtc.Status.from_byte(byte)
        ours = decode_status(byte)
        assert ours.test_failed == theirs.test_failed
        assert ours.test_failed_this_operation_cycle == theirs.test_failed_this_operation_cycle
        assert ours.pending == theirs.pending
        assert ours.confirmed == theirs.confirmed
        assert (
            ours.test_not_completed_since_last_clear == theirs.test_not_completed_since_last_clear
        )
        assert ours.test_failed_since_last_clear == theirs.test_failed_since_last_clear
        assert (
            ours.test_not_completed_this_operation_cycle
            == theirs.test_not_completed_this_operation_cycle
        )
        assert ours.warning_indicator_requested == theirs.warning_indicator_requested


@pytest.mark.parametrize(
    "byte, tested, passed, words",
    [
        (0x50, False, None, "says nothing about the repair"),  # just cleared
        (0x10, False, None, "says nothing about the repair"),
        (0x40, False, None, "says nothing about the repair"),
        (0x00, True, True, "not failing"),
        (0x2F, True, False, "Failing now, confirmed"),
        (0x09, True, False, "Failing now, confirmed"),
        (0xAF, True, False, "Failing now, confirmed"),
        (0x01, True, False, "Failing now"),
        (0x08, True, True, "confirmed earlier"),
        (0x28, True, True, "confirmed earlier"),
        (0x04, True, None, "failed in this drive"),
    ],
)
def test_what_a_status_allows_to_be_said(byte, tested, passed, words):
    """A "no codes" counts as evidence only when bits 4 and 6 are clear [doc]."""
    status = decode_status(byte)
    assert (status.tested, status.passed) == (tested, passed)
    assert words in status.summary


def test_numbers_that_are_no_byte_are_refused():
    for byte in (-1, 256):
        with pytest.raises(ValueError, match="0 to 255"):
            decode_status(byte)


# Independent stored code bases agree [doc]; 1E is left out, they contradict each other.
@pytest.mark.parametrize(
    "failure_type, words",
    [
        ("11", "short to ground"),
        ("12", "short to battery"),
        ("13", "open"),
        ("14", "short to ground or open"),
        ("15", "short to battery or open"),
        ("16", "voltage below"),
        ("17", "voltage above"),
        ("18", "current below"),
        ("19", "current above"),
        ("1a", "resistance below"),
        ("1B", "resistance above"),
        ("1C", "voltage out of range"),
        ("1D", "current out of range"),
        ("1F", "intermittent"),
        ("21", "amplitude below"),
        ("22", "amplitude above"),
        ("23", "stuck low"),
        ("24", "stuck high"),
        ("29", "invalid"),
        ("2F", "erratic"),
        ("31", "no signal"),
        ("77", "position not reached"),
        ("96", "inside the component"),
        # By the high nibble alone.
        ("1E", "electrical"),
        ("3F", "frequency"),
        ("46", "system internal"),
        ("54", "programming"),
        ("62", "algorithm"),
        ("73", "mechanical"),
        ("87", "bus or message"),
        ("92", "component"),
        ("F1", "reserved"),
    ],
)
def test_failure_types_have_names(failure_type, words):
    assert words in name_failure_type(failure_type)


def test_failure_type_1e_is_not_named_where_sources_conflict():
    assert "1E" not in FAILURE_TYPES


def test_what_is_no_failure_type_is_refused():
    for text in ("", "6", "622", "G1"):
        with pytest.raises(ValueError):
            name_failure_type(text)
