"""What would raise the similarity: what past cases record and the query doesn't say.

For each such piece of evidence the gain is computed, not guessed: what the similarity to that case
would gain if the query said of it what the case says. With block b's likeness and credit
g_b = s_b + π_b·n_b going to g_b' by it, the query's weights ω and their sum Ω over what it has,

    gain = ω_b · (g_b' - g_b) / Ω               where the query has something in b already
    gain = ω_b · (1 - similarity) / (Ω + ω_b)   where it has nothing there yet: g_b' = 1

the other blocks staying as they are (what a learned model makes of the new evidence is not known
before it is there). Saying the same is a full match, so gains are never negative.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from search.core.reading import Addition, Bag, Block, Item, ItemBlock, View
from search.core.vectoriser import rarities

if TYPE_CHECKING:
    from search.core.index import CaseIndex


LEAST_CASES = 3


@dataclass(frozen=True)
class Missing:
    """field: of the case mapping. key: of the symptom or check; "" for the field as a whole.
    gain: of the similarity, >= 0, if the query said what the case says."""

    field: str
    key: str
    gain: float


def find_missing(
    index: CaseIndex, query: Mapping[str, Any], cases: Sequence[tuple[Mapping[str, Any], float]]
) -> list[list[Missing]]:
    """For each (case, its similarity to the query): what it records and the query lacks, largest
    gain first, then by field and key.
    """
    vectoriser, weights = index.vectoriser, index.design.weights
    asked, views = vectoriser.view(query), [vectoriser.view(case) for case, _ in cases]
    weighing = [block for block in vectoriser.blocks if weights.get(block.name, 0.0) > 0]
    present = {block.name for block in weighing if asks(block, asked)}
    total = sum(weights[name] for name in present)
    out: list[list[Missing]] = [[] for _ in cases]
    for block in weighing:
        additions = [list(block.additions(asked, view)) for view in views]
        if not any(additions):
            continue
        weight = weights[block.name]
        if isinstance(block, ItemBlock) and block.name in present:
            gains = [
                [weight * (then - before) / total for then in after]
                for before, after in _compare_items(index, block, asked, views, additions)
            ]
        else:
            # All that is said there is then what the case says: a full match.
            gains = [
                [weight * (1.0 - similarity) / (total + weight)] * len(made)
                for (_, similarity), made in zip(cases, additions, strict=True)
            ]
        for found, made, gained in zip(out, additions, gains, strict=True):
            found += [
                Missing(addition.field, addition.key, max(0.0, round(gain, 9)))
                for addition, gain in zip(made, gained, strict=True)
            ]
    return [sorted(found, key=lambda one: (-one.gain, one.field, one.key)) for found in out]


@dataclass(frozen=True)
class Common:
    """Evidence that many of the cases record. cases: how many. gain: the largest of theirs."""

    field: str
    key: str
    cases: int
    gain: float


def sum_up(missing: Sequence[Iterable[Missing]]) -> list[Common]:
    """What at least half of the cases (and three of them) record and the query lacks; first what
    would gain most over all of them, then what more of them record.
    """
    gains: dict[tuple[str, str], list[float]] = {}
    for found in missing:
        for one in found:
            gains.setdefault((one.field, one.key), []).append(one.gain)
    least = max(LEAST_CASES, len(missing) / 2)
    ranked = sorted(
        (-round(sum(those), 6), -len(those), field, key, max(those))
        for (field, key), those in gains.items()
        if len(those) >= least
    )
    return [Common(field, key, -count, gain) for _, count, field, key, gain in ranked]


def asks(block: Block, view: View) -> bool:
    """Whether a query has something that the block compares."""
    if isinstance(block, Bag):
        return bool(block.strengths(view))
    return isinstance(block, ItemBlock) and bool(block.items(view))


# Of one case: likeness and credit as the query is, and with each addition made to it.
_Likeness = tuple[float, list[float]]
_Additions = Sequence[Sequence[Addition]]


def _compare_items(
    index: CaseIndex, block: ItemBlock, asked: View, views: Sequence[View], additions: _Additions
) -> list[_Likeness]:
    """An addition is one more item, or several, beside those that are there."""
    credit = index.design.credits.get(block.name, 0.0)
    distinct = list(dict.fromkeys(addition for made in additions for addition in made))
    items = block.items(asked)
    more = [block.items(index.vectoriser.view(addition.fragment)) for addition in distinct]
    # One look-up of all document frequencies.
    every = [*items, *(item for some in more for item in some)]
    factors = iter(rarities(every, index.statistics).tolist())
    weighed = [(item, item.weight * next(factors)) for item in items]
    added = {
        addition: [(item, item.weight * next(factors)) for item in some]
        for addition, some in zip(distinct, more, strict=True)
    }
    whole = sum(weight for _, weight in weighed)
    out = []
    for view, made in zip(views, additions, strict=True):
        stored = {feature.name: feature.value for feature in block.features(view)}
        slots = set(block.slots(view))
        have = _met(weighed, stored, slots, credit)
        after = [
            (have + _met(added[addition], stored, slots, credit))
            / (whole + sum(weight for _, weight in added[addition]))
            for addition in made
        ]
        out.append((have / whole, after))
    return out


def _met(
    weighed: Iterable[tuple[Item, float]],
    stored: Mapping[str, float],
    slots: set[str],
    credit: float,
) -> float:
    """Σ ι·(s + π·n) over some items, for a case with these features and slots."""
    met = 0.0
    for item, weight in weighed:
        alike = sum(alikeness * stored.get(name, 0.0) for name, alikeness in item.probes)
        silent = (
            (item.slot and item.slot not in slots)
            or (item.recorded_by and item.recorded_by not in stored)
            or item.silent_by in stored
        )
        met += weight * (alike + (credit if silent else 0.0))
    return met
