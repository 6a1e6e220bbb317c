"""Make and model with the optional package, in its shape (ultravin 3.0.2) and, where it is
installed, with itself; and that nothing changes without it."""

from __future__ import annotations

import importlib.util
import logging
import sys
from collections.abc import Iterator
from types import ModuleType
from typing import Any

import pytest

from casebook.vocabulary import makes
from casebook.vocabulary.makes import Maker, look_up_make

VIN = "1HGCM82633A004352"


@pytest.fixture(autouse=True)
def _look_anew() -> Iterator[None]:
    makes._load.cache_clear()
    yield
    makes._load.cache_clear()


class PanicException(BaseException):
    """Named as the one that compiled packages raise when they panic."""


def install(monkeypatch: pytest.MonkeyPatch, answer: Any) -> list[str]:
    """A package that answers so, or raises it; the VINs that it was asked for."""
    asked: list[str] = []

    def decode(vin: str) -> Any:
        asked.append(vin)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    package = ModuleType("ultravin")
    package.decode = decode  # type: ignore[attr-defined]
    package.provenance = lambda: {  # type: ignore[attr-defined]
        "data_month": "2026_10",
        "artifact_blake3": "66",
        "decoder_version": "3.0.2",
    }
    package.__version__ = "3.0.2"  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "ultravin", package)
    return asked


def decoded(**attributes: Any) -> dict[str, Any]:
    return {
        "vin": VIN,
        "wmi": VIN[:3],
        "descriptor": "1HGCM826*3A",
        "model_year": 2003,
        "error_codes": [0],
        "check_digit_valid": True,
        "corrected_vin": "",
        "attributes": {"Error Code": "0", "Vehicle Type": "PASSENGER CAR"} | attributes,
    }


@pytest.mark.parametrize(
    "attributes, make, model",
    [
        ({"Make": "CORVANE", "Model": "Parcel 300"}, "CORVANE", "Parcel 300"),
        ({"Make": " CORVANE  WORKS "}, "CORVANE WORKS", None),
        ({"Make": "CORVANE", "Model": ""}, "CORVANE", None),
        ({"Make": "CORVANE", "Model": ["Parcel", "Parcel 300"]}, "CORVANE", None),
        ({"Make": "CORVANE", "Model": "P" * 61}, "CORVANE", None),
    ],
)
def test_make_and_model_are_named_with_their_source(monkeypatch, attributes, make, model):
    asked = install(monkeypatch, decoded(**attributes))
    assert look_up_make(VIN) == Maker(make, model, "NHTSA vPIC 2026-10 (ultravin 3.0.2)")
    assert asked == [VIN]


@pytest.mark.parametrize("attributes", [{}, {"Make": ""}, {"Make": None}, {"Model": "Parcel 300"}])
def test_without_a_make_nothing_is_named(monkeypatch, attributes):
    install(monkeypatch, decoded(**attributes))
    assert look_up_make(VIN) is None


@pytest.mark.parametrize(
    "answer",
    [
        ValueError(f"can't read {VIN}"),
        PanicException(f"at {VIN}"),
        None,
        {},
        {"attributes": None},
        "a later form",
    ],
)
def test_a_failing_package_is_logged_without_the_vin_and_fails_nothing(monkeypatch, caplog, answer):
    install(monkeypatch, answer)
    assert look_up_make(VIN) is None
    assert [record.levelno for record in caplog.records] == [logging.WARNING]
    assert VIN not in caplog.text


def test_an_interrupt_is_not_taken_for_a_failure_of_the_package(monkeypatch):
    install(monkeypatch, KeyboardInterrupt())
    with pytest.raises(KeyboardInterrupt):
        look_up_make(VIN)


def test_a_missing_package_is_silence_and_looked_for_once(monkeypatch, caplog):
    looked = []

    def import_nothing(name: str) -> ModuleType:
        looked.append(name)
        raise ModuleNotFoundError(f"No module named {name!r}", name=name)

    monkeypatch.setattr(makes.importlib, "import_module", import_nothing)
    assert look_up_make(VIN) is None
    assert look_up_make(VIN) is None
    assert looked == ["ultravin"]
    assert caplog.records == []


@pytest.mark.parametrize(
    "error",
    [
        ImportError("wrong ELF class"),
        ModuleNotFoundError("No module named 'typer'", name="typer"),
    ],
)
def test_a_package_that_does_not_load_is_said_in_the_log(monkeypatch, caplog, error):
    def fail(name: str) -> ModuleType:
        raise error

    monkeypatch.setattr(makes.importlib, "import_module", fail)
    assert look_up_make(VIN) is None
    assert str(error) in caplog.text


# From the package's own README, but for the bus, which is what it answered [run, 3.0.2].
@pytest.mark.skipif(
    importlib.util.find_spec("ultravin") is None,
    reason="needs the optional package: pip install 'ultravin>=3,<4'",
)
@pytest.mark.parametrize(
    "vin, make, model",
    [
        ("1HGCM82633A004352", "HONDA", "Accord"),
        ("1M8GDM9AXKP042788", "MOTOR COACH INDUSTRIES", "102C3 Intercity"),
    ],
)
def test_the_package_itself_answers_in_this_shape(vin, make, model):
    maker = look_up_make(vin)
    assert maker is not None
    assert (maker.make, maker.model) == (make, model)
    assert maker.source.startswith("NHTSA vPIC 20")
    assert look_up_make("11111111111111111") is None
