"""How good the first suggested check is, in an invented world where that can be known.

    python -m tests.benchmarks.next_checks [--seeds 3] [--cases 6000] [--queries 300]

Shops other than those that ask; all checks take the same time. The worth of a check is what it
truly tells, in bits, of the level that the cause calls for, given all that is visible of the
vehicle. Prints the mean worth of a random check not made yet, of the one that is made most often,
of the first one suggested, and of the best; and how much of the way from random to best the
suggestion closes. `--shuffled`: outcomes change places among the cases of a shop; then nothing
should be suggested, or no better than at random.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from casebook.outcomes.check_tables import CheckedCases, learn_tables
from casebook.outcomes.checks import belief_of, likely_states, next_checks
from casebook.outcomes.outlook import Neighbours, similarity_cut_off
from casebook.outcomes.panel import Panel, place_findings
from casebook.stats.information import information_gain
from casebook.vocabulary import Check
from casebook.vocabulary.terms import Result
from search.core import CaseIndex, Design, Scale
from tests.simulator import world as w
from tests.simulator.oracle import posterior
from tests.simulator.outcomes import LADDER, Outcomes, OutcomeWorld
from tests.simulator.world import Simulated, UnitKind, World

Floats = NDArray[np.float64]

CENTRES = tuple(np.linspace(-2.5, 2.5, 11).tolist())
HORIZON_DAYS = 365
NEIGHBOURS = 500


def panel_of(kind: UnitKind) -> Panel:
    """The kind's checks as a vocabulary would have them."""
    checks = []
    for check in kind.checks:
        results = ()
        if check.way != "number":
            results = tuple(Result(f"r{i}", f"r{i}") for i in range(check.chances.shape[1]))
        bins = CENTRES if check.way == "number" else ()
        checks.append(
            Check(check.name, check.name, check.way, 10, results=results, bins=bins)  # type: ignore[arg-type]
        )
    return Panel.of(tuple(checks))


def true_worth(world: World, one: Simulated) -> Floats:
    """Bits that each check of the kind tells of the level that is called for."""
    kind = world.kinds[one.kind]
    belief = posterior(world, one)
    level = np.array([LADDER.index(name) for name in kind.levels])
    worth = np.empty(len(kind.checks))
    for place, check in enumerate(kind.checks):
        if check.way == "number":
            edges = np.linspace(-6, 6, 61)
            given = np.diff(ndtr(edges - check.chances[:, None]), axis=1)
            given = given / given.sum(axis=1, keepdims=True)
        else:
            width = check.chances.shape[1]
            given = (1 - w.MISREAD) * check.chances + w.MISREAD / width
        joint = np.zeros((len(LADDER), given.shape[1]))
        np.add.at(joint, level, belief[:, None] * given)
        prior = joint.sum(axis=1)
        rows = np.divide(joint, prior[:, None], out=np.full(joint.shape, 1 / joint.shape[1]),
                         where=prior[:, None] > 0)  # fmt: skip
        worth[place] = float(information_gain(prior, rows))
    return worth


def as_neighbours(outcomes: Outcomes, places: Sequence[int], similarity: Floats) -> Neighbours:
    at = np.array(places, np.int64)
    resolved = outcomes.resolved_by[at]
    return Neighbours(
        similarity,
        np.array([outcomes.cases[i]["cluster"] for i in places], np.int64),
        outcomes.first[at] + 1,
        outcomes.event[at],
        outcomes.event_days[at],
        np.where(resolved >= 0, resolved + 1, -1),
    )


class Suggester:
    """What Casebook suggests, from past cases of other shops."""

    def __init__(self, world: World, ones: Sequence[Simulated], outcomes: Outcomes) -> None:
        self.ones, self.outcomes = ones, outcomes
        scales = {
            check.name: Scale(
                results=tuple(f"r{i}" for i in range(check.chances.shape[1]))
                if check.way == "ordinal"
                else (),
                centres=CENTRES if check.way == "number" else (),
            )
            for kind in world.kinds
            for check in kind.checks
            if check.way != "category"
        }
        # Compared is what the index reads; ids are places.
        cases = [case | {"id": f"{i:08x}"} for i, case in enumerate(outcomes.cases)]
        self.index = CaseIndex.build(cases, design=Design(scales=scales))
        self.panels = [panel_of(kind) for kind in world.kinds]
        self.of_kind = [
            [i for i, one in enumerate(ones) if one.kind == kind] for kind in range(w.KINDS)
        ]

    def first_check(self, one: Simulated, query: dict[str, Any]) -> str | None:
        hits = self.index.search(query, limit=NEIGHBOURS, explained=0)
        similarity = np.array([hit.similarity for hit in hits])
        counted = similarity >= similarity_cut_off(similarity)
        near = [int(hit.id, 16) for hit, kept in zip(hits, counted, strict=True) if kept]
        panel, inside = self.panels[one.kind], set(near)
        around = [i for i in self.of_kind[one.kind] if i not in inside]
        similar = self._checked(near, similarity[counted], panel)
        of_kind = self._checked(around, np.ones(len(around)), panel)
        belief = belief_of(similar, of_kind)
        assert belief is not None
        done = {finding["check"] for finding in query["findings"]}
        listed, _ = next_checks(panel, learn_tables(panel, similar, of_kind), belief, done=done)
        return listed[0]["check"] if listed else None

    def _checked(self, places: Sequence[int], weights: Floats, panel: Panel) -> CheckedCases:
        cases = as_neighbours(self.outcomes, places, weights)
        states = likely_states(cases, horizon_days=HORIZON_DAYS)
        findings = [self.outcomes.cases[i]["findings"] for i in places]
        return CheckedCases(weights, cases.cluster, states, place_findings(findings, panel))


def shuffle_within_shops(outcomes: Outcomes, random: np.random.Generator) -> Outcomes:
    shop = np.array([case["cluster"] for case in outcomes.cases])
    order = np.arange(len(shop))
    for name in np.unique(shop):
        own = np.flatnonzero(shop == name)
        order[own] = random.permutation(own)
    moved = {
        name: [values[i] for i in order] if isinstance(values, list) else values[order]
        for name, values in vars(outcomes).items()
    }
    return Outcomes(**moved | {"cases": outcomes.cases})


def measure(seed: int, cases: int, queries: int, *, shuffled: bool) -> list[Floats]:
    """Worth of a random, the most usual, the suggested and the best check, per query."""
    random = np.random.default_rng([seed, 9])
    world = World(seed)
    ones = world.cases(cases)
    outcomes = OutcomeWorld(world, seed).tell(ones)
    if shuffled:
        outcomes = shuffle_within_shops(outcomes, random)
    shops = np.array([one.case["cluster"] for one in ones])
    asking = set(random.permutation(np.unique(shops))[:10].tolist())
    past = [i for i in range(cases) if int(shops[i]) not in asking]
    moved = {
        name: [values[i] for i in past] if isinstance(values, list) else values[past]
        for name, values in vars(outcomes).items()
    }
    suggester = Suggester(world, [ones[i] for i in past], Outcomes(**moved))
    made = [np.zeros(w.CHECKS) for _ in range(w.KINDS)]
    for i in past:
        for finding in ones[i].case["findings"]:
            name = finding["check"]
            made[ones[i].kind][int(name.rsplit("check", 1)[1])] += 1
    found = []
    for i in [i for i in range(cases) if int(shops[i]) in asking][:queries]:
        one, query = ones[i], outcomes.cases[i]
        checks = world.kinds[one.kind].checks
        done = {finding["check"] for finding in query["findings"]}
        open_ = np.array([check.name not in done for check in checks])
        if not open_.any():
            continue
        worth = true_worth(world, one)
        usual = int(np.where(open_, made[one.kind], -1).argmax())
        named = suggester.first_check(one, query)
        names = [check.name for check in checks]
        first = worth[names.index(named)] if named else worth[open_].mean()
        found.append(
            np.array([worth[open_].mean(), worth[usual], first, worth[open_].max(), named is None])
        )
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--cases", type=int, default=6_000)
    parser.add_argument("--queries", type=int, default=300)
    parser.add_argument("--shuffled", action="store_true")
    options = parser.parse_args()
    print(
        f"{'seed':>5} {'random':>8} {'usual':>8} {'first':>8} {'best':>8} {'closed':>8} {'none':>6}"
    )
    every: list[Floats] = []
    for seed in range(options.seeds):
        found = measure(seed, options.cases, options.queries, shuffled=options.shuffled)
        every += found
        _print_row(str(seed), found)
    _print_row("all", every)


def _print_row(name: str, found: Sequence[Floats]) -> None:
    random, usual, first, best, none = np.mean(found, axis=0)
    closed = (first - random) / (best - random)
    print(
        f"{name:>5} {random:8.4f} {usual:8.4f} {first:8.4f} {best:8.4f} {closed:8.2f} {none:6.2f}"
    )


if __name__ == "__main__":
    main()
