"""Trouble codes, failure types and status as control units send them: bytes in and out. Pure.

Sources: two-byte form SAE J2012 / ISO 15031-6; third byte SAE J2012-DA; status byte ISO 14229-1
Annex D. Checked against independent public implementations; the standards' text was not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from casebook.vocabulary.code_form import Code

_LETTERS: Final = "PCBU"

# The high nibble of a failure type byte.
FAILURE_TYPE_GROUPS: Final = {
    0: "general",
    1: "electrical",
    2: "signal",
    3: "frequency or pulse width",
    4: "system internal",
    5: "programming",
    6: "algorithm",
    7: "mechanical",
    8: "bus or message",
    9: "component",
}
# Those on which independent sources agree. 1E is left out: they contradict each other.
FAILURE_TYPES: Final = {
    "00": "no further detail",
    "11": "short to ground",
    "12": "short to battery",
    "13": "open circuit",
    "14": "short to ground or open circuit",
    "15": "short to battery or open circuit",
    "16": "voltage below its limit",
    "17": "voltage above its limit",
    "18": "current below its limit",
    "19": "current above its limit",
    "1A": "resistance below its limit",
    "1B": "resistance above its limit",
    "1C": "voltage out of range",
    "1D": "current out of range",
    "1F": "intermittent",
    "21": "amplitude below its limit",
    "22": "amplitude above its limit",
    "23": "stuck low",
    "24": "stuck high",
    "29": "signal invalid",
    "2F": "signal erratic",
    "31": "no signal",
    "77": "commanded position not reached",
    "96": "fault inside the component",
}


def name_failure_type(failure_type: str) -> str:
    """What a failure type byte ("62") says: its name, else its group.

    Raises ValueError unless it is two hex digits.
    """
    if len(failure_type) != 2:
        raise ValueError("A failure type is two hex digits, for example 62.")
    value = int(failure_type, 16)
    known = FAILURE_TYPES.get(failure_type.upper())
    if known is not None:
        return known
    group = FAILURE_TYPE_GROUPS.get(value >> 4)
    return f"{group} fault" if group else "reserved"


def decode_bytes(data: bytes) -> Code | None:
    """Two bytes, or three with the failure type, as a code. None for padding (two zero bytes).

    Raises ValueError for another number of bytes.
    """
    if len(data) not in (2, 3):
        raise ValueError(f"A code is sent as 2 or 3 bytes, not {len(data)}.")
    high, low = data[0], data[1]
    if high == low == 0:
        return None
    code = f"{_LETTERS[high >> 6]}{high >> 4 & 0b11}{high & 0xF:X}{low:02X}"
    return Code(code, f"{data[2]:02X}" if len(data) == 3 else None)


def encode_code(code: Code) -> bytes:
    """The two bytes of a code, three where it has a failure type."""
    number = _LETTERS.index(code.code[0]) << 14 | int(code.code[1:], 16)
    return number.to_bytes(2, "big") + bytes.fromhex(code.failure_type or "")


# Bit 0 first.
STATUS_BITS: Final = (
    "test_failed",
    "test_failed_this_operation_cycle",
    "pending",
    "confirmed",
    "test_not_completed_since_last_clear",
    "test_failed_since_last_clear",
    "test_not_completed_this_operation_cycle",
    "warning_indicator_requested",
)


@dataclass(frozen=True, slots=True)
class Status:
    """The eight bits of a status byte by name, and what they allow to be said."""

    byte: int
    test_failed: bool
    test_failed_this_operation_cycle: bool
    pending: bool
    confirmed: bool
    test_not_completed_since_last_clear: bool
    test_failed_since_last_clear: bool
    test_not_completed_this_operation_cycle: bool
    warning_indicator_requested: bool

    @property
    def tested(self) -> bool:
        """Whether the control unit has looked since the clearing and in this operation cycle.

        Only then does "no fault" count as evidence: 0x50, right after clearing, says nothing
        about the repair.
        """
        return not (
            self.test_not_completed_since_last_clear or self.test_not_completed_this_operation_cycle
        )

    @property
    def passed(self) -> bool | None:
        """True: tested and free of the fault. False: it fails. None: nothing is sure yet."""
        if self.test_failed:
            return False
        return True if self.tested and not self.pending else None

    @property
    def summary(self) -> str:
        if self.test_failed:
            return "Failing now, confirmed." if self.confirmed else "Failing now."
        if not self.tested:
            return "Not tested yet since clearing or in this drive: says nothing about the repair."
        if self.pending:
            return "Not failing now; failed in this drive or the one before."
        if self.confirmed:
            return "Not failing now; confirmed earlier."
        return "Tested, not failing."


def decode_status(byte: int) -> Status:
    """A status byte of ISO 14229-1. Raises ValueError outside 0 to 255."""
    if not 0 <= byte <= 0xFF:
        raise ValueError("A status byte is a number from 0 to 255.")
    return Status(byte, *(bool(byte >> bit & 1) for bit in range(8)))
