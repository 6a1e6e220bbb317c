"""What of a query the index has never met, and the nearest spellings that it has."""

from __future__ import annotations

import weakref
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from search.core.blocks.vehicle import Names
from search.core.missing import asks
from search.core.reading import View
from search.core.text import squeeze

if TYPE_CHECKING:
    from search.core.index import CaseIndex
    from search.core.postings import Segment, TermTable

# Names of which a near spelling is looked for, and how near it must be (of 1, see difflib).
SPELT = frozenset({"make", "model", "unit_family"})
NEAR_ENOUGH = 0.7
MOST_NEAREST = 3
# Among more names than these only those with the same first letter are compared.
MOST_COMPARED = 2_000


@dataclass(frozen=True)
class Unknown:
    """field: of the case mapping. said: the name as written, the code, or the key of the symptom
    or check. nearest: ids of cases that have the nearest known names, nearest first."""

    field: str
    said: str
    nearest: tuple[str, ...] = ()


def says_anything(index: CaseIndex, query: Mapping[str, Any]) -> bool:
    """Whether anything of the query can be compared at all."""
    weights, view = index.design.weights, index.vectoriser.view(query)
    return any(
        weights.get(block.name, 0.0) > 0 and asks(block, view) for block in index.vectoriser.blocks
    )


def find_unknown(index: CaseIndex, query: Mapping[str, Any]) -> list[Unknown]:
    """Names, codes (where no other code of the circuit is known either), symptoms and checks that
    no case has ever recorded, in the order of the blocks. Words: see `CaseIndex.unknown_words`.
    """
    view = index.vectoriser.view(query)
    asked = [*_names(index, view), *_keys(view)]
    every = list(dict.fromkeys(feature for _, _, features in asked for feature in features))
    known: set[str] = set()
    for layer in index.layers:
        found = layer.segment.terms.find(every) >= 0
        known.update(feature for feature, is_here in zip(every, found, strict=True) if is_here)
    return [
        Unknown(field, said, _nearest(index, features[0]) if field in SPELT else ())
        for field, said, features in asked
        if not known.intersection(features)
    ]


_Asked = tuple[str, str, tuple[str, ...]]


def _names(index: CaseIndex, view: View) -> Iterator[_Asked]:
    """(field, as written, features of which one is enough)"""
    for block in index.vectoriser.blocks:
        if isinstance(block, Names):
            for field in block.SHARES:
                written = view.text(field)
                if field not in block.WORDED and squeeze(written):
                    yield field, written, (block.key(field, squeeze(written)),)


def _keys(view: View) -> Iterator[_Asked]:
    for code in view.listed("codes"):
        near = [f"codes:family|{code['family']}"] if code.get("family") else []
        yield "codes", code["code"], (f"codes:code|{code['code']}", *near)
    for symptom in view.listed("symptoms"):
        yield "symptoms", symptom["key"], (f"symptoms:{symptom['key']}",)
    for finding in view.listed("findings"):
        yield "findings", finding["check"], (f"findings:{finding['check']}",)


def _nearest(index: CaseIndex, feature: str) -> tuple[str, ...]:
    """Ids of cases with the names that are spelt most like this one, a case per name."""
    prefix, _, wanted = feature.rpartition("|")
    known: dict[str, tuple[int, int]] = {}
    for number, layer in enumerate(index.layers):
        for term, name in _terms_with(layer.segment, f"{prefix}|"):
            known.setdefault(name, (number, term))
    names = sorted(known)
    if len(names) > MOST_COMPARED:
        names = [name for name in names if name[:1] == wanted[:1]][:MOST_COMPARED]
    # "parcel" is short for "parcel300", however much longer that is.
    longer = [name for name in names if len(wanted) > 1 and name.startswith(wanted)]
    close = get_close_matches(wanted, names, n=MOST_NEAREST, cutoff=NEAR_ENOUGH)
    ids = (_case_with(index, *known[name]) for name in dict.fromkeys([*longer, *close]))
    return tuple(id_ for id_ in ids if id_)[:MOST_NEAREST]


_Found = list[tuple[int, str]]
# Of tables that are still in use: reading millions of names takes a tenth of a second.
_read: dict[tuple[int, str], tuple[weakref.ref[NDArray[np.uint8]], _Found]] = {}


def _terms_with(segment: Segment, prefix: str) -> _Found:
    """(number, rest of the name) of each term that begins so."""
    names = segment.terms.names
    kept = _read.get((id(names), prefix))
    if kept is None or kept[0]() is not names:
        for key in [key for key, (table, _) in list(_read.items()) if table() is None]:
            _read.pop(key, None)
        kept = _read[id(names), prefix] = weakref.ref(names), _read_terms(segment.terms, prefix)
    return kept[1]


def _read_terms(table: TermTable, prefix: str) -> _Found:
    sought = prefix.encode()
    text = table.names.tobytes()
    starts = np.concatenate([[0], table.name_ends[:-1]])
    found, at = [], text.find(sought)
    while at >= 0:
        term = int(np.searchsorted(starts, at))
        if term < len(starts) and starts[term] == at:
            found.append((term, table.name(term)[len(sought) :].decode()))
        at = text.find(sought, at + 1)
    return found


def _case_with(index: CaseIndex, number: int, term: int) -> str:
    """A case that has the term and is still there; an empty string where none is."""
    layer = index.layers[number]
    docs = layer.segment.docs[layer.segment.starts[term] : layer.segment.starts[term + 1]]
    if layer.alive is not None:
        docs = docs[layer.alive[docs]]
    return layer.segment.id(int(docs[0])) if len(docs) else ""
