"""How far the outlook can be trusted, in worlds where the truth is known. Run by hand:

    .venv/bin/python -m tests.benchmarks.calibration --seeds 1 2 3 4 5 --cases 3000 --queries 500

One world per seed (see `tests.simulator.outcomes`; `--regime` says what kind). A fifth of the shops
is held out and asks; its cases are neither searched nor learned from. All ways to foretell see the
same past cases.

Two truths. The *cohort's*: the mean true chance of the similar cases in which a level was tried
first, weighted as the outlook weighs them, in a shop drawn anew. That is what an interval is for.
The *single vehicle's*: its own chance, with all that nobody sees. An interval of a cohort need not
reach it, the less the larger the cohort is.

Forecasts are judged by what really came of each level on each vehicle: of the level that was tried
(`tried`), and of all four (`all levels`), where the choice of those who tried a level misleads all
who learn from them.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from casebook.stats.calibration import (
    brier_score,
    calibration_error,
    log_loss,
    reliability_table,
)
from search.core.evaluation import bootstrap_interval
from tests.benchmarks.forecasters import by_base_rate, by_boosting, by_code, by_level_rate
from tests.benchmarks.outcome_worlds import Said, Split, ask_casebook, build_index, draw_split
from tests.simulator.foresight import foretell
from tests.simulator.outcomes import LADDER, REGIMES

Floats = NDArray[np.float64]

LEVEL = "rate of the level"
OURS, RAW = "Casebook", "raw rate of the neighbours"
BASE, BOOSTED = "base rate of kind and level", "gradient boosting"
CODES = "code look-up"
BEST = "best possible on what is visible"
TRUE = "true chance"
BREAK_EVENS = np.arange(1, 9) / 10
SIZE_BANDS = ((0, 3), (3, 10), (10, 20), (20, 40), (40, np.inf))
SHOP_BANDS = ((1, 5), (5, 10), (10, 20), (20, np.inf))


@dataclass
class Found:
    """Over all seeds; arrays (queries, 4) joined from lists. forecasts: by way."""

    said: list[Said] = field(default_factory=list)
    forecasts: dict[str, list[Floats]] = field(default_factory=dict)
    own: list[Floats] = field(default_factory=list)
    held: list[Floats] = field(default_factory=list)
    first: list[NDArray[np.int64]] = field(default_factory=list)
    shop: list[NDArray[np.int64]] = field(default_factory=list)

    def of(self, name: str) -> Floats:
        return np.concatenate([getattr(said, name) for said in self.said])

    def forecast(self, way: str) -> Floats:
        return np.concatenate(self.forecasts[way])

    def ways(self) -> list[str]:
        return list(self.forecasts)


def run_seed(
    found: Found, seed: int, options: argparse.Namespace, *, shuffled: bool = False
) -> Split:
    split = draw_split(
        seed,
        REGIMES[options.regime],
        cases=options.cases,
        queries=options.queries,
        shops=options.shops,
        shuffled=shuffled,
    )
    horizon, asking = options.horizon_days, split.asking
    past = (split.past.cases, split.past.outcomes, asking.cases, horizon)
    index = build_index(split, learned=not options.untuned)
    said = ask_casebook(split, index, horizon, foretells=not options.no_forecast)
    base = by_base_rate(*past)
    forecasts = {
        # Where the outlook says nothing, whoever asks has the base rate.
        OURS: np.where(np.isnan(said.holds), base, said.holds),
        RAW: np.where(np.isnan(said.raw), base, said.raw),
        BOOSTED: by_boosting(*past, ordered=ordered_checks(split)),
        CODES: by_code(*past),
        BASE: base,
    }
    true = split.layer.chances(asking.ones, asking.outcomes, horizon, own_shop=True)
    if shuffled:
        forecasts[LEVEL] = by_level_rate(*past)
    else:
        forecasts[BEST] = foretell(
            split.layer, asking.ones, asking.outcomes, horizon, given_choice=True
        )
        forecasts[TRUE] = true
    found.said.append(said)
    for way, values in forecasts.items():
        found.forecasts.setdefault(way, []).append(values)
    found.own.append(true)
    found.held.append(asking.outcomes.held(horizon).astype(np.float64))
    found.first.append(asking.outcomes.first)
    found.shop.append(asking.shops + 1_000 * seed)
    return split


def ordered_checks(split: Split) -> list[str]:
    names = [f"{kind.name}-wear" for kind in split.layer.world.kinds]
    return names + [
        check.name
        for kind in split.layer.world.kinds
        for check in kind.checks
        if check.way == "ordinal"
    ]


# --- Coverage ---------------------------------------------------------------------------------


def print_coverage(found: Found) -> None:
    n_eff, shops = found.of("n_eff"), found.of("shops")
    level = np.broadcast_to(np.arange(4), n_eff.shape)
    stated = ~np.isnan(found.of("low")) & ~np.isnan(found.of("cohort"))
    print("\nCoverage of intervals stated at 0.9, of levels with similar cases")
    print(
        f"{'':26}{'n':>7}{'cohort':>8}{'below':>7}{'above':>7}{'width':>7}{'bias':>8}"
        f"{'own shops':>11}{'all treated':>13}{'vehicle':>9}"
    )
    _print_covered(found, "all", stated)
    for place, name in enumerate(LADDER):
        _print_covered(found, name, stated & (level == place))
    for values, label, bands in (
        (n_eff, "effective cases", SIZE_BANDS),
        (shops, "shops", SHOP_BANDS),
    ):
        for low, high in bands:
            name = f"{label} {low} to {high}" if np.isfinite(high) else f"{label} {low} or more"
            _print_covered(found, name, stated & (values >= low) & (values < high))


def _print_covered(found: Found, name: str, which: NDArray[np.bool_]) -> None:
    if not which.any():
        return
    low, high = found.of("low")[which], found.of("high")[which]
    cohort = found.of("cohort")[which]

    def covered(truth: Floats) -> float:
        return float(((low <= truth) & (truth <= high)).mean())

    own = np.concatenate(found.own)[which]
    print(
        f"{name:26}{which.sum():7,}{covered(cohort):8.3f}{(high < cohort).mean():7.3f}"
        f"{(low > cohort).mean():7.3f}{(high - low).mean():7.3f}"
        f"{(found.of('holds')[which] - cohort).mean():+8.3f}"
        f"{covered(found.of('in_own_shops')[which]):11.3f}"
        f"{covered(found.of('all_treated')[which]):13.3f}{covered(own):9.3f}"
    )


# --- Forecasts --------------------------------------------------------------------------------


def print_forecasts(found: Found) -> None:
    held, first = np.concatenate(found.held), np.concatenate(found.first)
    shop = np.concatenate(found.shop)
    rows = np.arange(len(first))
    chosen = {
        "tried": (rows, first),
        "all levels": (np.repeat(rows, 4), np.tile(np.arange(4), len(rows))),
    }
    for name, at in chosen.items():
        y = held[at]
        print(f"\nForecasts of `holds`, {name}: {len(y):,}, of which {y.mean():.3f} held")
        print(f"{'':36}{'Brier':>8}{'log loss':>10}{'ECE':>7}{'spread':>8}   Brier less Casebook's")
        ours = np.square(found.forecast(OURS)[at] - y)
        for way in found.ways():
            p = found.forecast(way)[at]
            behind = np.square(p - y) - ours
            low, high = bootstrap_interval(behind, shop[at[0]], seed=1)
            print(
                f"{way:36}{brier_score(p, y):8.4f}{log_loss(p, y):10.4f}"
                f"{calibration_error(p, y):7.3f}{p.std():8.3f}"
                f"   {behind.mean():+.4f} ({low:+.4f}, {high:+.4f})"
            )
    table = reliability_table(found.forecast(OURS)[rows, first], held[rows, first])
    print("\nWhat came of Casebook's forecasts, tried")
    for low, share, stated, came in zip(
        table.edges, table.share, table.stated, table.found, strict=False
    ):
        if share > 0:
            print(f"  from {low:.1f}: share {share:.3f}, stated {stated:.3f}, held {came:.3f}")


# --- Decisions --------------------------------------------------------------------------------


def regret_ratio(forecast: Floats, truth: Floats) -> float:
    """What deciding between service and replacement by the forecast loses against knowing the true
    chance, as a share of what the better of always one or always the other loses; sums over
    break-evens. At break-even b service gains truth - b over replacement. Shapes (n,)."""
    lost = least = 0.0
    for b in BREAK_EVENS:
        gain = truth - b
        lost += float(np.abs(gain)[(forecast >= b) != (gain >= 0)].sum())
        least += float(min(gain.clip(0).sum(), (-gain).clip(0).sum()))
    return lost / least


def print_decisions(found: Found) -> None:
    truth, first = np.concatenate(found.own)[:, 0], np.concatenate(found.first)
    print("\nDecision regret, service or replacement (0: knowing the true chance; 1: the better of")
    print("always service and always replacement)")
    print(f"{'':36}{'all vehicles':>14}{'those serviced first':>23}")
    for way in found.ways():
        p = found.forecast(way)[:, 0]
        serviced = first == 0
        print(
            f"{way:36}{regret_ratio(p, truth):14.3f}"
            f"{regret_ratio(p[serviced], truth[serviced]):23.3f}"
        )


def print_placebo(found: Found) -> None:
    held, first = np.concatenate(found.held), np.concatenate(found.first)
    at = (np.arange(len(first)), first)
    print("\nPlacebo, outcomes shuffled within shops: nothing to find but the rate of the level")
    for way in (OURS, RAW, BOOSTED, BASE):
        skill = np.square(found.forecast(LEVEL)[at] - held[at]) - np.square(
            found.forecast(way)[at] - held[at]
        )
        low, high = bootstrap_interval(skill, np.concatenate(found.shop), seed=1)
        print(f"{way:36} gain on that rate {skill.mean():+.4f} ({low:+.4f}, {high:+.4f})")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=3_000, help="per world")
    parser.add_argument("--queries", type=int, default=500, help="per world, at most")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1, 2, 3, 4, 5])
    parser.add_argument("--shops", type=int, default=50)
    parser.add_argument("--regime", choices=list(REGIMES), default="first")
    parser.add_argument("--horizon-days", type=float, default=365.0)
    parser.add_argument("--untuned", action="store_true", help="without a model of cures")
    parser.add_argument("--no-forecast", action="store_true", help="drawn to cohorts alone")
    parser.add_argument("--placebo", action="store_true", help="shuffled outcomes instead")
    options = parser.parse_args()
    found = Found()
    for seed in options.seeds:
        run_seed(found, seed, options, shuffled=options.placebo)
    print(
        f"{len(options.seeds)} worlds '{options.regime}' of {options.cases:,} cases of "
        f"{options.shops} shops; {sum(map(len, found.first)):,} queries of held-out shops; "
        f"horizon {options.horizon_days:g} days"
    )
    if options.placebo:
        print_placebo(found)
        return
    print_coverage(found)
    print_forecasts(found)
    print_decisions(found)


if __name__ == "__main__":
    main()
