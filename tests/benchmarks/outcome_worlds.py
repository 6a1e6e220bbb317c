"""Worlds with known outcomes, and what Casebook foretells in them for shops it has not seen.

Index, cut-off, cohorts around and outlook are the product's own (`casebook.outcomes.case_pool`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from casebook.cases.constants import LEVELS
from casebook.outcomes.case_pool import CasePool, TriedCase, fit_to_cases
from casebook.outcomes.outlook import REPAIR_LEVELS, estimate_level
from search.core import CaseIndex, Design, Scale
from search.core.profile_fitting import fit_model
from search.core.resolved import Cure, Followed
from tests.simulator.outcomes import LADDER, WEAR_RESULTS, Outcomes, OutcomeWorld, Regime
from tests.simulator.world import Simulated, World

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

FIRST_PLACE = LEVELS.index(LADDER[0])  # the simulator's ladder starts at the first repair


@dataclass(frozen=True)
class Side:
    """Cases of a world with their outcomes, one side of the split."""

    ones: list[Simulated]
    outcomes: Outcomes

    def __len__(self) -> int:
        return len(self.ones)

    @property
    def cases(self) -> list[dict[str, Any]]:
        return self.outcomes.cases

    @property
    def shops(self) -> Ints:
        return np.array([case["cluster"] for case in self.cases], np.int64)


@dataclass(frozen=True)
class Split:
    """No shop is on both sides. Ids of `past` are the places there."""

    layer: OutcomeWorld
    past: Side
    asking: Side


def draw_split(
    seed: int, regime: Regime, *, cases: int, queries: int, shops: int = 50, shuffled: bool = False
) -> Split:
    """A fifth of the shops asks. shuffled: outcomes change places within each shop."""
    world = World(seed, shops=shops)
    ones = world.cases(cases)
    layer = OutcomeWorld(world, seed, regime)
    outcomes = layer.tell(ones)
    rng = np.random.default_rng([seed, 5])
    shop = np.array([one.case["cluster"] for one in ones])
    if shuffled:
        outcomes = shuffle_within(outcomes, shop, rng)
    names = np.unique(shop)
    held_out = rng.permutation(names)[: max(1, len(names) // 5)]
    asks = np.isin(shop, held_out)
    asking = np.sort(rng.permutation(np.flatnonzero(asks))[:queries])
    return Split(
        layer,
        _side(ones, outcomes, np.flatnonzero(~asks)),
        _side(ones, outcomes, asking),
    )


def _side(ones: Sequence[Simulated], outcomes: Outcomes, places: Ints) -> Side:
    taken = take(outcomes, places)
    numbered = [case | {"id": f"{place:08x}"} for place, case in enumerate(taken.cases)]
    return Side([ones[place] for place in places], _with_cases(taken, numbered))


def take(outcomes: Outcomes, places: Ints) -> Outcomes:
    return Outcomes(
        **{
            name: [values[place] for place in places]
            if isinstance(values, list)
            else values[places]
            for name, values in vars(outcomes).items()
        }
    )


def _with_cases(outcomes: Outcomes, cases: list[dict[str, Any]]) -> Outcomes:
    return Outcomes(**(vars(outcomes) | {"cases": cases}))


def shuffle_within(outcomes: Outcomes, shop: Ints, rng: np.random.Generator) -> Outcomes:
    """Everything that became of a case goes to another of the same shop; the evidence stays."""
    order = np.arange(len(outcomes))
    for name in np.unique(shop):
        own = np.flatnonzero(shop == name)
        order[own] = rng.permutation(own)
    return _with_cases(take(outcomes, order), outcomes.cases)


# --- The search -------------------------------------------------------------------------------


def build_index(split: Split, *, learned: bool) -> CaseIndex:
    """learned: with the model of what would probably cure a case, fitted to the past cases."""
    design = _design(split)
    if learned:
        design = Design(scales=design.scales, cures=fit_model(_followed(split.past), design).model)
    return CaseIndex.build(split.past.cases, design=design)


def _design(split: Split) -> Design:
    """Scales as a vocabulary would state them: results in order, the usual range in eight steps."""
    scales: dict[str, Scale] = {}
    for kind in split.layer.world.kinds:
        scales[f"{kind.name}-wear"] = Scale(results=WEAR_RESULTS)
        for check in kind.checks:
            if check.way == "ordinal":
                names = tuple(f"r{i}" for i in range(check.chances.shape[1]))
                scales[check.name] = Scale(results=names)
            elif check.way == "number":
                found = [
                    finding["value"]
                    for case in split.past.cases
                    for finding in case["findings"]
                    if finding["check"] == check.name
                ]
                low, high = np.quantile(found, [0.05, 0.95])
                scales[check.name] = Scale(centres=tuple(np.linspace(low, high, 8).tolist()))
    return Design(scales=scales)


def _followed(past: Side) -> list[Followed]:
    """What was done follows from the cause where its own level cured it."""
    found = []
    for place, one in enumerate(past.ones):
        level = int(past.outcomes.resolved_by[place])
        if level >= 0:
            name = LADDER[level]
            action = one.action if name == one.level else f"{one.case['unit_kind']}-{name}"
            found.append(Followed(past.cases[place], Cure(name, (action,))))
    return found


def case_pool(past: Side) -> CasePool:
    outcomes = past.outcomes
    return CasePool(
        [
            TriedCase(
                case=case,
                first_level=int(outcomes.first[place]) + FIRST_PLACE,
                event=int(outcomes.event[place]),
                event_days=float(outcomes.event_days[place]),
                resolved_by=int(outcomes.resolved_by[place]) + FIRST_PLACE
                if outcomes.resolved_by[place] >= 0
                else -1,
            )
            for place, case in enumerate(past.cases)
        ]
    )


# --- What Casebook says -----------------------------------------------------------------------


@dataclass(frozen=True)
class Said:
    """Of queries and levels, (n, 4), NaN where nothing is said.

    holds, low, high: as shown. raw: rate among the similar cases alone. n_eff, shops: of the
    similar cases in which that level was tried first. cohort: their true chance, weighted as they
    are, in a shop drawn anew; in_own_shops: in the shops where they were; all_treated: that of all
    similar cases, whatever was tried on them.
    """

    holds: Floats
    low: Floats
    high: Floats
    raw: Floats
    n_eff: Floats
    shops: Floats
    cohort: Floats
    in_own_shops: Floats
    all_treated: Floats


def ask_casebook(
    split: Split, index: CaseIndex, horizon_days: float, *, foretells: bool = True
) -> Said:
    """foretells: with a model of the evidence, where the past cases suffice for one."""
    past = split.past
    pool = case_pool(past)
    forecast = None
    if foretells:
        forecast = fit_to_cases(pool.cases, index.design, horizon_days=horizon_days).model
    chance, chance_own = (
        split.layer.chances(past.ones, past.outcomes, horizon_days, own_shop=own)
        for own in (False, True)
    )
    said = Said(*(np.full((len(split.asking), 4), np.nan) for _ in range(9)))
    for row, query in enumerate(split.asking.cases):
        asked = pool.ask(index, query, horizon_days=horizon_days, forecast=forecast)
        near, places, similarity = asked.near, asked.places, asked.near.similarity
        assert asked.outlook is not None
        for level, entry in enumerate(asked.outlook["levels"]):
            assert entry["level"] == REPAIR_LEVELS[level] == LADDER[level]
            first = near.first_level == level + FIRST_PLACE
            if entry["holds"] is not None:
                said.holds[row, level] = entry["holds"]
                said.low[row, level], said.high[row, level] = entry["interval"]
            if not first.any():
                continue
            rho = float(asked.cohorts.rho[level + FIRST_PLACE])
            estimate = estimate_level(near.take(first), rho=rho, horizon_days=horizon_days)
            if estimate.trials > 0:
                said.raw[row, level] = estimate.held / estimate.trials
            said.n_eff[row, level] = estimate.n_eff
            said.shops[row, level] = len(np.unique(near.cluster[first]))
            weight = similarity[first] / similarity[first].sum()
            said.cohort[row, level] = weight @ chance[places[first], level]
            said.in_own_shops[row, level] = weight @ chance_own[places[first], level]
            said.all_treated[row, level] = (similarity / similarity.sum()) @ chance[places, level]
    return said
