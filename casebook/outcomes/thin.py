"""Why a search finds little: what of it no case has, what can't be compared, what to say instead.

Warnings in the form of all others: a JSON pointer into the request and a sentence with a remedy.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any
from uuid import UUID

from casebook.cases.documents import SearchDocument
from casebook.cases.queries import get_shared_documents
from casebook.vocabulary import load_vocabulary
from search.adapter import SearchResult
from search.adapter.documents import complete_vehicle
from search.core.recognition import Unknown, find_unknown, says_anything

Warned = dict[str, str]

_NAMES = {"make": "make", "model": "model", "drive": "drive", "unit_family": "unit type"}
_POINTERS = {
    "make": "/vehicle/make",
    "model": "/vehicle/model",
    "drive": "/vehicle/drive",
    "unit_family": "/unit/family",
}
_LISTS = {"codes": "code", "symptoms": "symptom", "findings": "check"}


def explain_little(document: SearchDocument, result: SearchResult) -> list[Warned]:
    """Where there are no cases at all, nothing is at fault with the search."""
    if not result.cases:
        return []
    warned = [*_of_later_stages(document), *_of_vehicle(document, result)]
    warned += _of_unknown(document, result)
    if not says_anything(result.index, result.query):
        if document.complaint:
            warned.append(
                _warn("/complaint", "No word of this can be compared. Say what it does, and when.")
            )
        elif not warned:
            warned.append(_warn("", f"Nothing of this can be compared. {_ADD_FAULT}"))
    elif not result.hits:
        warned += _of_nothing_found(document, result, explained=bool(warned))
    elif not _is_of_a_fault(document):
        warned.append(
            _warn("", f"Nothing is said of the fault, so any fault is among these. {_ADD_FAULT}")
        )
    return warned


_ADD_FAULT = "Add the complaint, a code, a symptom or what a check showed."


def _warn(pointer: str, detail: str) -> Warned:
    return {"pointer": pointer, "detail": detail}


def _is_of_a_fault(document: SearchDocument) -> bool:
    listed: tuple[Any, ...] = (*document.codes, *document.symptoms, *document.findings)
    return bool(document.complaint) or any(item.stage == "intake" for item in listed)


def _of_later_stages(document: SearchDocument) -> Iterator[Warned]:
    for name in _LISTS:
        for place, item in enumerate(getattr(document, name)):
            if item.stage != "intake":
                yield _warn(
                    f"/{name}/{place}/stage",
                    "Only what was known at intake is compared; leave stage out if this was.",
                )


def _of_vehicle(document: SearchDocument, result: SearchResult) -> Iterator[Warned]:
    vehicle = document.vehicle
    if vehicle.vin:
        read = complete_vehicle(vehicle, today=result.as_of.date())
        told = [
            str(getattr(read, name))
            for name in ("year", "make", "model")
            if getattr(read, name) and not getattr(vehicle, name)
        ]
        if told:
            yield _warn("/vehicle/vin", f"Read from the VIN: {' '.join(told)}.")
        if not (read.make or read.model):
            yield _warn(
                "/vehicle/vin",
                "Cases keep no VIN, so it finds none by itself. Say make and model.",
            )
    if vehicle.odometer is not None and vehicle.odometer.unit == "h":
        yield _warn(
            "/vehicle/odometer/unit",
            "Cases are compared by distance; hours find none. Say km or mi where known.",
        )


def _of_unknown(document: SearchDocument, result: SearchResult) -> Iterator[Warned]:
    unknown = find_unknown(result.index, result.query)
    spelt = _spellings(unknown)
    for one in unknown:
        if one.field in _LISTS:
            yield _of_unknown_item(document, one)
        elif one.field == "unit_kind":
            label = load_vocabulary().units[one.said].label
            yield _warn("/unit/kind", f"No case is about this unit: {label}.")
        else:
            yield _of_unknown_name(_POINTERS[one.field], one, spelt[one.field])
    if document.complaint and _knows_no_word(result):
        yield _warn(
            "/complaint",
            "No case has any of these words. Say it in other words, or choose symptoms.",
        )


def _of_unknown_name(pointer: str, one: Unknown, nearest: list[str]) -> Warned:
    detail = f"No case has the {_NAMES[one.field]} “{one.said}”."
    if nearest:
        *others, last = nearest
        detail += f" Did you mean {' or '.join([', '.join(others), last] if others else [last])}?"
    return _warn(pointer, detail)


def _of_unknown_item(document: SearchDocument, one: Unknown) -> Warned:
    name = _LISTS[one.field]
    written = [str(getattr(item, name)) for item in getattr(document, one.field)]
    place = next(i for i, text in enumerate(written) if text.partition("-")[0] == one.said)
    pointer = f"/{one.field}/{place}"
    if one.field == "codes":
        return _warn(pointer, f"No case has {one.said} or another code of its circuit.")
    vocabulary = load_vocabulary()
    if one.field == "symptoms":
        return _warn(pointer, f"No case has the symptom “{vocabulary.symptoms[one.said].label}”.")
    return _warn(pointer, f"In no case was this done: “{vocabulary.checks[one.said].label}”.")


def _spellings(unknown: list[Unknown]) -> dict[str, list[str]]:
    """Field -> the nearest known names as their cases write them."""
    ids = {UUID(id_) for one in unknown for id_ in one.nearest}
    documents = get_shared_documents(ids) if ids else {}
    return {
        one.field: list(
            dict.fromkeys(
                name
                for id_ in one.nearest
                if (found := documents.get(UUID(id_))) and (name := _name_in(found, one.field))
            )
        )
        for one in unknown
    }


def _name_in(document: Mapping[str, Any], field: str) -> str:
    if field == "unit_family":
        return str(document["unit"]["family"])
    return str(document["vehicle"][field])


def _knows_no_word(result: SearchResult) -> bool:
    if not result.unknown_terms:
        return False
    tokens = result.index.vectoriser.view(result.query).tokens
    return {token.said for token in tokens} <= set(result.unknown_terms)


def _of_nothing_found(
    document: SearchDocument, result: SearchResult, *, explained: bool
) -> Iterator[Warned]:
    filters = document.filters.model_dump(exclude_defaults=True)
    unknown = find_unknown(result.index, {"make": document.filters.make or ""})
    if unknown:
        nearest = _spellings(unknown)["make"]
        yield _of_unknown_name("/filters/make", unknown[0], nearest)
    elif filters and result.index.search(result.query, limit=1, explained=0):
        yield _warn(
            "/filters",
            f"Similar cases exist, but none passes the filters ({', '.join(filters)}).",
        )
    elif not explained:
        yield _warn("", "No case has anything in common with this. Say it in other words.")
