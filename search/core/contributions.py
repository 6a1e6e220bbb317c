"""What each thing a query says adds to a similarity, and what the similarity were without it.

Only what is entered one by one: codes, symptoms, findings, age and odometer. Leaving one out is
exactly what a search without it would give (up to the rounding of similarities): the rest of its
block takes over the block's weight, and where nothing of the block is left, the other blocks do.
A block that reads several kinds of evidence together stays as it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from search.core.explain import stored_values
from search.core.reading import SLOT_BITS
from search.core.vectoriser import QueryVector

if TYPE_CHECKING:
    from search.core.index import CaseIndex
    from search.core.postings import Segment

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# Blocks taken apart, and the slot that says whether a case records anything there ("": checks
# are recorded one by one).
SLOT_OF: Final[Mapping[str, str]] = {
    "codes": "codes",
    "symptoms": "symptoms",
    "findings": "",
    "age": "age",
    "odometer": "odometer",
}
BAGS: Final = frozenset({"codes"})


@dataclass(frozen=True)
class Contributions:
    """items: (block, key): a code, a symptom, a check; the block's own name for an amount.
    ids: of the cases, as asked for. own: what each item adds to each case's similarity, credit for
    what the case does not record included; (items, cases). met: of that, what the case has in
    common; (items, cases). without: the similarity if the item had not been said, in [0, 1];
    (items, cases). Cases that aren't in the index have NaN."""

    items: tuple[tuple[str, str], ...]
    ids: tuple[str, ...]
    own: FloatArray
    met: FloatArray
    without: FloatArray


@dataclass(frozen=True)
class _Block:
    """One block of a query. places: of its terms in the query. owner: the item of each term, -1
    where several codes share it. weight: what the block counts. rates: of an item block, the most
    each item can add; of a bag, all items' terms squared."""

    name: str
    keys: list[str]
    places: IntArray
    owner: IntArray
    weight: float
    rates: FloatArray
    credit: float


def contributions(
    index: CaseIndex, query: Mapping[str, Any], hits: Sequence[tuple[str, float]]
) -> Contributions:
    """hits: (id, similarity) of an answer to the query, any of them, any order."""
    vector = index.vectoriser.read_query(query, index.statistics)
    blocks = _take_apart(vector, query, index.design.credits)
    items = tuple((block.name, key) for block in blocks for key in block.keys)
    ids = tuple(id_ for id_, _ in hits)
    total = np.array([similarity for _, similarity in hits], np.float64)
    own = np.full((len(items), len(ids)), np.nan)
    met, without = own.copy(), own.copy()
    row_of = {id_: row for row, id_ in enumerate(ids)}
    for layer in index.layers:
        docs = layer.segment.find_ids(ids)
        if layer.alive is not None:
            docs = docs[layer.alive[docs]]
        if not len(docs):
            continue
        docs = np.sort(docs)
        rows = np.array([row_of[layer.segment.id(int(doc))] for doc in docs], np.int64)
        first = 0
        for block in blocks:
            span = slice(first, first + len(block.keys))
            in_common, added, left = _leave_out(block, vector, layer.segment, docs, total[rows])
            met[span, rows], own[span, rows], without[span, rows] = in_common, added, left
            first = span.stop
    return Contributions(items, ids, own, met, without.clip(0.0, 1.0))


def _take_apart(
    vector: QueryVector, query: Mapping[str, Any], credits: Mapping[str, float]
) -> list[_Block]:
    """The blocks with something in them, in their order."""
    places: dict[str, list[int]] = {name: [] for name in SLOT_OF}
    for place, feature in enumerate(vector.features):
        name = feature.partition(":")[0]
        if name in places:
            places[name].append(place)
    code_features = _features_of_codes(query)
    blocks = []
    for name, mine in places.items():
        if not mine:
            continue
        features = [vector.features[place] for place in mine]
        if name in BAGS:
            keys, owner = _owners_of_codes(features, code_features)
        else:
            keys, owner = _owners(name, features)
        at = np.array(mine, np.int64)
        coefficients = vector.coefficients[at]
        if name in BAGS:
            weight = float(np.sqrt(np.square(coefficients).sum()))
            rates = np.square(coefficients)
        else:
            sayings = np.unique(vector.saying_of[at], return_index=True)
            most = np.array([vector.sayings[number].possible for number in sayings[0]])
            rates = np.bincount(owner[sayings[1]], most, len(keys))
            weight = float(rates.sum())
        blocks.append(_Block(name, keys, at, owner, weight, rates, credits.get(name, 0.0)))
    return blocks


def _owners(name: str, features: Sequence[str]) -> tuple[list[str], IntArray]:
    """By what stands first in a feature's name; an amount is one item."""
    amount = name in ("age", "odometer")
    said = [name if amount else feature.partition(":")[2].partition("|")[0] for feature in features]
    keys = list(dict.fromkeys(said))
    number = {key: place for place, key in enumerate(keys)}
    return keys, np.array([number[key] for key in said], np.int64)


def _features_of_codes(query: Mapping[str, Any]) -> dict[str, set[str]]:
    """Code -> the features it brings."""
    found: dict[str, set[str]] = {}
    for code in query.get("codes") or ():
        mine = found.setdefault(code["code"], set())
        mine.add(f"codes:code|{code['code']}")
        if code.get("failure_type"):
            mine.add(f"codes:failure_type|{code['code']}-{code['failure_type']}")
        mine.update(
            f"codes:{kind}|{code[kind]}" for kind in ("family", "subsystem") if code.get(kind)
        )
    return found


def _owners_of_codes(
    features: Sequence[str], by_code: Mapping[str, set[str]]
) -> tuple[list[str], IntArray]:
    keys = list(by_code)
    owner = []
    for feature in features:
        owners = [number for number, key in enumerate(keys) if feature in by_code[key]]
        # What two codes share stays when one of them is left out.
        owner.append(owners[0] if len(owners) == 1 else -1)
    return keys, np.array(owner, np.int64)


def _leave_out(
    block: _Block, vector: QueryVector, segment: Segment, docs: IntArray, total: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What each item of the block has in common and adds, and the similarity without it;
    (items, docs)."""
    terms = segment.terms.find([vector.features[place] for place in block.places])
    met = vector.coefficients[block.places][:, None] * stored_values(segment, terms, docs)
    items = len(block.keys)
    # Row `items` gathers what is shared.
    of_item = np.zeros((items + 1, len(docs)))
    np.add.at(of_item, np.where(block.owner < 0, items, block.owner), met)
    silent = _silence(block, segment, docs)
    if block.name in BAGS:
        credit = block.credit * block.weight * silent[0]
        return (of_item[:items], *_leave_out_of_bag(block, of_item, credit, total))
    added = of_item[:items] + block.credit * block.rates[:, None] * silent
    added += _credit_without_conditions(block, vector, segment, docs)
    whole = added.sum(axis=0)
    if items == 1:
        return of_item[:items], added, _without_block(whole, block.weight, total)[None]
    scale = (block.weight / (block.weight - block.rates))[:, None]
    return of_item[:items], added, total - whole + (whole - added) * scale


def _credit_without_conditions(
    block: _Block, vector: QueryVector, segment: Segment, docs: IntArray
) -> FloatArray:
    """Credit where a case notes a symptom, but not when it shows; (items, docs)."""
    credit = dict(zip(vector.credit_features, vector.credit_coefficients.tolist(), strict=True))
    names = [f"{block.name}:{key}|?" for key in block.keys]
    coefficients = np.array([credit.get(name, 0.0) for name in names])
    if not coefficients.any():
        return np.zeros((len(names), len(docs)))
    values = stored_values(segment, segment.terms.find(names), docs)
    return np.asarray(coefficients[:, None] * values, np.float64)


def _leave_out_of_bag(
    block: _Block, of_item: FloatArray, credit: FloatArray, total: FloatArray
) -> tuple[FloatArray, FloatArray]:
    items = len(block.keys)
    likeness = of_item.sum(axis=0)
    if items == 1:
        added = likeness + credit
        return added[None], _without_block(added, block.weight, total)[None]
    own_square = np.bincount(np.where(block.owner < 0, items, block.owner), block.rates, items + 1)[
        :items
    ]
    left = np.sqrt(np.maximum(block.weight**2 - own_square, 0.0))
    scale = np.divide(block.weight, left, out=np.zeros(items), where=left > 1e-12)[:, None]
    rest = (likeness - of_item[:items]) * scale
    return of_item[:items], total - likeness + rest


def _without_block(added: FloatArray, weight: float, total: FloatArray) -> FloatArray:
    """The other blocks share its weight; 0 where there is no other."""
    if weight > 1 - 1e-9:
        return np.zeros(len(total))
    return np.asarray((total - added) / (1 - weight), np.float64)


def _silence(block: _Block, segment: Segment, docs: IntArray) -> FloatArray:
    """1 where a case records nothing of the item, else 0; (items, docs)."""
    slot = SLOT_OF[block.name]
    if slot:
        silent = (segment.slots[docs] & np.uint32(SLOT_BITS[slot])) == 0
        return np.tile(silent.astype(np.float64), (len(block.keys), 1))
    done = segment.terms.find([f"{block.name}:{key}" for key in block.keys])
    return np.asarray(stored_values(segment, done, docs) <= 0, np.float64)
