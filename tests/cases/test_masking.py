"""The anonymiser's first rules: what leads back to somebody goes, what is technical stays."""

from __future__ import annotations

import pytest

from casebook.cases.masking import mask_text


@pytest.mark.parametrize(
    "text, kind, secret",
    [
        ("vin is 1M8GDM9AXKP042788, auto", "vin", "1M8GDM9AXKP042788"),
        ("chassis no KP042788 on the plate", "vin", "KP042788"),
        ("mail to jo.bloggs@example.org first", "email", "jo.bloggs@example.org"),
        ("see https://example.org/x?a=1", "url", "example.org"),
        ("call 0171 2345678 when done", "phone", "0171 2345678"),
        ("call +44 20 7946 0958", "phone", "7946"),
        ("ring 06 12 34 56 78", "phone", "06 12 34"),
        ("number 555-123-4567", "phone", "555-123-4567"),
        ("reg AB12 CDE, blue van", "plate", "AB12 CDE"),
        ("paid with 4111 1111 1111 1111", "card", "4111 1111 1111 1111"),
        ("IBAN DE89 3704 0044 0532 0130 00", "iban", "3704"),
        ("invoice no 48213/2", "order", "48213"),
        ("Mr Miller says it slips", "name", "Miller"),
        ("mrs varga picks it up", "name", "varga"),
        ("customer Peter Miller waits", "name", "Peter Miller"),
        ("Customer Mr Tom Baker says it slips", "name", "Baker"),
        ("mrs Ann Baker picks it up", "name", "Baker"),
        ("collect from 12 High Street", "address", "High Street"),
    ],
)
def test_what_leads_back_is_replaced_by_a_typed_mark(text, kind, secret):
    masked = mask_text(text)
    assert secret not in masked.text
    assert f"⟨{kind}⟩" in masked.text
    assert masked.counts == {kind: 1}


@pytest.mark.parametrize(
    "text",
    [
        "P0741 and P0218-62 stored, U0100 pending",
        "low side 110 kPa, high side 1450 kPa, 12.6 14.2 V",
        "comp 11.8 11.9 6.2 12.0 bar on cyl 1 2 3 4",
        "stall 2350 rpm, 131000 km, oil 5W-30",
        "2026-03-09 changed filter, 09.03.2026 again",
        "rail 350 1200 1600 bar at idle, 110 000 km",
        "customer states whine in 3rd, Driver door ajar lamp",
        "resistance 0.4 0.5 0.6 ohm",
    ],
)
def test_technical_text_stays_as_it_is(text):
    masked = mask_text(text)
    assert masked.text == text
    assert masked.counts == {}


def test_invisible_characters_do_not_hide_an_address():
    assert "⟨email⟩" in mask_text("jo\u200b.bloggs@exam\u00adple.org").text


def test_masking_again_changes_nothing():
    once = mask_text("Mr Miller, 0171 2345678, vin 1M8GDM9AXKP042788").text
    assert mask_text(once).text == once
