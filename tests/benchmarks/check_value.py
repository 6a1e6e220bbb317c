"""What the first suggested check is worth, where it is known what every check would tell. By hand:

    .venv/bin/python -m tests.benchmarks.check_value --seeds 1 2 3 --cases 3000 --queries 300

For every query of a held-out shop, each check not yet made has a true worth: how much its result is
expected to tell, in bits, of what it will take (service, component, overhaul, replacement), given
everything visible and the facts of the world (`tests.simulator.foresight`). All checks take equally
long here, so that only what they tell counts. Compared are the first check that Casebook suggests,
the one most often made on that unit kind, one picked at random, and the best one.
"""

from __future__ import annotations

import argparse

import numpy as np
from numpy.typing import NDArray

from casebook.outcomes.case_pool import CasePool
from casebook.outcomes.check_tables import CheckedCases, learn_tables
from casebook.outcomes.checks import belief_of, likely_states, next_checks
from casebook.outcomes.outlook import Neighbours
from casebook.outcomes.panel import Panel, Readings
from casebook.vocabulary.terms import Check, Result
from search.core.evaluation import bootstrap_interval
from tests.benchmarks.outcome_worlds import Side, Split, build_index, case_pool, draw_split
from tests.simulator import world as w
from tests.simulator.foresight import Understood, understand
from tests.simulator.outcomes import REGIMES, WEAR_RESULTS, wear_check

Floats = NDArray[np.float64]
MINUTES = 15
BINS = 40  # of a value, for its true worth


def make_panel(split: Split, kind: int) -> Panel:
    """The checks of a kind as the vocabulary would state them."""
    unit = split.layer.world.kinds[kind]
    checks = [Check(wear_check(unit.name), "", "ordinal", MINUTES, results=_results(WEAR_RESULTS))]
    for check in unit.checks:
        if check.way == "number":
            bins = tuple(np.linspace(-2.5, 2.5, 8).tolist())
            checks.append(Check(check.name, "", "number", MINUTES, bins=bins))
        else:
            names = [f"r{i}" for i in range(check.chances.shape[1])]
            checks.append(Check(check.name, "", check.way, MINUTES, results=_results(names)))  # type: ignore[arg-type]
    width = max(max(len(c.results), len(c.bins)) for c in checks)
    return Panel(
        checks=tuple(checks),
        width=width,
        numbers=np.array([c.kind == "number" for c in checks], bool),
        places={c.key: place for place, c in enumerate(checks)},
        results={
            (c.key, result.key): place * width + within
            for place, c in enumerate(checks)
            for within, result in enumerate(c.results)
        },
        edges={
            c.key: tuple((a + b) / 2 for a, b in zip(c.bins, c.bins[1:], strict=False))
            for c in checks
            if c.kind == "number"
        },
    )


def _results(names: tuple[str, ...] | list[str]) -> tuple[Result, ...]:
    return tuple(Result(name, name) for name in names)


def true_bits(split: Split, kind: int, panel: Panel, seen: Understood) -> Floats:
    """What each check of the panel is expected to tell, in bits, (checks,)."""
    states = _states(seen.holds)
    unit = {check.name: check for check in split.layer.world.kinds[kind].checks}
    edges = np.linspace(-6, 6, BINS + 1)
    bits = []
    for check in panel.checks:
        if check.key == wear_check(split.layer.world.kinds[kind].name):
            shows = np.broadcast_to(
                split.layer.wear_chances(seen.severity), (w.CAUSES, len(seen.severity), 4)
            )
        elif check.kind == "number":
            middle = (edges[1:] + edges[:-1]) / 2
            density = np.exp(-0.5 * (middle - unit[check.key].chances[:, None]) ** 2)
            shows = (density / density.sum(axis=1, keepdims=True))[:, None, :]
        else:
            chances = unit[check.key].chances
            misread = w.MISREAD / chances.shape[1]
            shows = ((1 - w.MISREAD) * chances + misread)[:, None, :]
        shows = np.broadcast_to(shows, (*seen.weight.shape, shows.shape[-1]))
        joint = np.einsum("cz,czs,czr->sr", seen.weight, states, shows)
        apart = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0)
        inside = joint > 0
        bits.append(float((joint[inside] * np.log2(joint[inside] / apart[inside])).sum()))
    return np.array(bits)


def _states(holds: Floats) -> Floats:
    """What it takes: the first level that holds; levels are taken to fail independently."""
    fails = np.cumprod(1 - holds[..., :3], axis=-1)
    before = np.concatenate([np.ones((*fails.shape[:-1], 1)), fails[..., :2]], axis=-1)
    return np.concatenate([before * holds[..., :3], fails[..., 2:]], axis=-1)


def checked_cases(pool: CasePool, places: NDArray[np.int64], weights: Floats, panel: Panel,
                  horizon_days: float) -> CheckedCases:  # fmt: skip
    resolved = np.array([pool.cases[place].resolved_by for place in places.tolist()], np.int64)
    cases = Neighbours(
        weights,
        pool.tried.cluster[places],
        pool.tried.level[places],
        pool.tried.event[places],
        pool.tried.event_days[places],
        resolved,
    )
    rows, shown = [], []
    for row, place in enumerate(places.tolist()):
        for finding in pool.cases[place].case["findings"]:
            at = panel.place_of(finding["check"], finding.get("result"), finding.get("value"))
            if at is not None:
                rows.append(row)
                shown.append(at)
    readings = Readings(np.array(rows, np.int64), np.array(shown, np.int64))
    return CheckedCases(
        weights, cases.cluster, likely_states(cases, horizon_days=horizon_days), readings
    )


def usual_checks(past: Side, panel: Panel) -> list[str]:
    """The kind's checks, the most often made first."""
    made = {check.key: 0 for check in panel.checks}
    for case in past.cases:
        for finding in case["findings"]:
            if finding["check"] in made:
                made[finding["check"]] += 1
    return sorted(made, key=lambda key: (-made[key], key))


def run_seed(seed: int, options: argparse.Namespace) -> list[tuple[float, ...]]:
    """Per query: bits of the suggested, the usual, a random and the best check; whether there was
    a suggestion; the shop."""
    split = draw_split(seed, REGIMES[options.regime], cases=options.cases, queries=options.queries)
    index, pool = build_index(split, learned=True), case_pool(split.past)
    panels = [make_panel(split, kind) for kind in range(w.KINDS)]
    usual = [usual_checks(split.past, panel) for panel in panels]
    rows = []
    for one, case in zip(split.asking.ones, split.asking.cases, strict=True):
        panel = panels[one.kind]
        done = {finding["check"] for finding in case["findings"]}
        left = [place for place, check in enumerate(panel.checks) if check.key not in done]
        if len(left) < 2:
            continue
        asked = pool.ask(index, case, horizon_days=options.horizon_days)
        near = checked_cases(pool, asked.places, asked.near.similarity, panel, options.horizon_days)
        of_kind = np.flatnonzero(pool.kind == pool.kind_names.index(case["unit_kind"]))
        others = np.setdiff1d(of_kind, asked.places)
        around = checked_cases(pool, others, np.ones(len(others)), panel, options.horizon_days)
        belief = belief_of(near, around)
        listed = []
        if belief is not None:
            tables = learn_tables(panel, near, around)
            listed, _ = next_checks(panel, tables, belief, done=done)
        seen = understand(split.layer, one, case, options.horizon_days)
        bits = true_bits(split, one.kind, panel, seen)
        common = next(key for key in usual[one.kind] if key not in done)
        # Where nothing is suggested people do what they always do.
        first = listed[0]["check"] if listed else common
        rows.append(
            (
                bits[panel.places[first]],
                bits[panel.places[common]],
                bits[left].mean(),
                bits[left].max(),
                float(bool(listed)),
                case["cluster"] + 1_000 * seed,
            )
        )
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=3_000, help="per world")
    parser.add_argument("--queries", type=int, default=300, help="per world, at most")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3])
    parser.add_argument("--regime", choices=list(REGIMES), default="first")
    parser.add_argument("--horizon-days", type=float, default=365.0)
    options = parser.parse_args()
    table = np.array([row for seed in options.seeds for row in run_seed(seed, options)])
    first, usual, chance, best, suggested, shop = table.T
    room = best.mean() - chance.mean()
    print(
        f"{len(options.seeds)} worlds '{options.regime}' of {options.cases:,} cases; "
        f"{len(table):,} queries; a check is suggested in {suggested.mean():.1%}"
    )
    print(f"bits: best {best.mean():.4f}, random {chance.mean():.4f}")
    for name, bits in (("suggested first", first), ("most usual", usual)):
        low, high = bootstrap_interval((bits - chance) / room, shop, seed=1)
        share = (bits.mean() - chance.mean()) / room
        print(f"{name:18}{bits.mean():.4f} bits; of the way from random to best {share:.3f} "
              f"({low:.3f}, {high:.3f})")  # fmt: skip


if __name__ == "__main__":
    main()
