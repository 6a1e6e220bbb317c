"""What becomes of the cases of a world: what was tried, how long it held, what is known of it.

A layer on `tests.simulator.world` with a random stream of its own: the world's facts and cases stay
as they are. It shares no constants and no code with `casebook` or `search`.

How an outcome comes about
--------------------------
severity     hidden, higher in old vehicles; a check that shops make or not shows it roughly, and is
             added to the findings
first try    the level that the cause calls for, as it is perceived: with errors, pushed up by
             severity and by the habit of the shop, pulled down by thrift
holding      the log odds of holding for a year at a level: by cause and level, model, severity,
             age and shop; some of the failures are there at delivery, the rest come with a Weibull
             hazard
gone         the vehicle is sold or scrapped, at a constant rate that grows with age
other fault  likewise; it ends nothing
next try     what comes back is tried at a higher level, or given up
knowledge    shops call after a while or never; a customer whose vehicle fails later comes back by
             himself (`brings_back`: failures are seen more) or goes elsewhere and says that all was
             well when last asked (`goes_elsewhere`: failures are seen less)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from tests.simulator import world as w
from tests.simulator.world import Simulated, World

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LADDER = ("service", "component", "overhaul", "replacement")
NOTHING, BACK, LEFT = 0, 1, 2
YEAR = 365.25
OFTEN = 9_999.0 * YEAR  # beyond all that is ever looked at
WEAR_RESULTS = ("w0", "w1", "w2", "w3")
_WEAR_EDGES = np.array([-0.6, 0.4, 1.4])
_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(24)


@dataclass(frozen=True)
class Regime:
    """What one world of outcomes has otherwise than another.

    too_little, enough: log odds of holding a year below, and from, the level that is called for;
    per_step: what every further missing step costs. spread: of the log odds by cause and level.
    by_severity, by_age: what a unit of severity, five years of age cost at each level. shop_spread,
    shop_level_spread: of the effect of a shop, on all levels and on each. at_delivery: mean share
    of failures that show at once. shape: range of Weibull shapes. gone_rate: per year at 8 years,
    and its growth per year of age. misjudged: spread of the perceived level, habit: of shops.
    never_called: mean share of cases never followed up; called_after: median, in years.
    """

    too_little: float = -0.7
    per_step: float = -0.7
    enough: float = 1.5
    spread: float = 0.6
    by_severity: tuple[float, ...] = (0.9, 0.6, 0.4, 0.15)
    by_age: tuple[float, ...] = (0.25, 0.2, 0.15, 0.1)
    by_model: float = 0.25
    shop_spread: float = 0.5
    shop_level_spread: float = 0.3
    at_delivery: float = 0.3
    shape: tuple[float, float] = (0.5, 0.9)
    gone_rate: float = 0.08
    gone_growth: float = 0.12
    misjudged: float = 0.8
    habit: float = 0.4
    thrift: float = 0.5
    never_called: float = 0.2
    called_after: float = 1.2
    brings_back: float = 0.1
    goes_elsewhere: float = 0.05


# Estimators are chosen by looking at the first; the second is only reported on.
REGIMES = {
    "first": Regime(),
    "second": Regime(
        too_little=-1.3,
        per_step=-0.4,
        enough=2.0,
        spread=0.9,
        by_severity=(0.5, 0.8, 0.8, 0.3),
        by_age=(0.5, 0.1, 0.3, 0.2),
        by_model=0.5,
        shop_spread=0.3,
        shop_level_spread=0.5,
        at_delivery=0.5,
        shape=(0.8, 1.6),
        gone_rate=0.15,
        gone_growth=0.06,
        misjudged=1.2,
        habit=0.8,
        thrift=0.9,
        never_called=0.35,
        called_after=0.9,
        brings_back=0.05,
        goes_elsewhere=0.1,
    ),
}
REGIMES["seen_more"] = replace(REGIMES["first"], brings_back=0.5, goes_elsewhere=0.0)
REGIMES["seen_less"] = replace(REGIMES["first"], brings_back=0.0, goes_elsewhere=0.3)


@dataclass(frozen=True)
class Outcomes:
    """Of cases, arrays of one length (n,); levels are places in LADDER.

    first: tried first. event: NOTHING, BACK or LEFT, event_days: of it or of the last contact, as
    the shop knows them. resolved_by: -1 unknown. paths: levels tried, in order. other_fault_days,
    gone_days: as known, NaN where not seen.
    Hidden: severity; age_years; would_fail, day on which a repair at each level, tried first, would
    come back, (n, 4); would_go: day on which the vehicle is gone.
    """

    cases: list[dict[str, Any]]
    first: Ints
    event: Ints
    event_days: Floats
    resolved_by: Ints
    paths: list[tuple[int, ...]]
    other_fault_days: Floats
    gone_days: Floats
    severity: Floats
    would_fail: Floats
    would_go: Floats

    def __len__(self) -> int:
        return len(self.first)

    def held(self, horizon_days: float) -> NDArray[np.bool_]:
        """What really would have come of a first try at each level, (n, 4)."""
        back = (self.would_fail <= horizon_days) & (self.would_fail <= self.would_go[:, None])
        return np.asarray(~back)


class OutcomeWorld:
    """Everything follows from the world, the seed and the regime."""

    def __init__(self, world: World, seed: int, regime: Regime | None = None) -> None:
        self.world, self.regime = world, regime or Regime()
        self._rng = np.random.default_rng([seed, 77_001])
        self._draw_facts()

    def _draw_facts(self) -> None:
        rng, regime, shops = self._rng, self.regime, len(self.world.shops)
        called_for = np.array(
            [[LADDER.index(level) for level in kind.levels] for kind in self.world.kinds]
        )
        missing = (called_for[:, :, None] - np.arange(4)).clip(0)
        typical = np.where(
            missing > 0, regime.too_little + regime.per_step * (missing - 1), regime.enough
        )
        self.called_for = called_for
        self.ladder = typical + rng.normal(0, regime.spread, size=typical.shape)
        self.by_model = rng.normal(0, regime.by_model, size=(w.KINDS, w.MODELS))
        self.at_delivery = rng.beta(
            6 * regime.at_delivery, 6 * (1 - regime.at_delivery), size=(w.KINDS, w.CAUSES)
        )
        self.shape = rng.uniform(*regime.shape, size=w.KINDS)
        self.of_shop = rng.normal(0, regime.shop_spread, size=(shops, 1)) + rng.normal(
            0, regime.shop_level_spread, size=(shops, 4)
        )
        self.habit = rng.normal(0, regime.habit, size=shops)
        self.looks_at_wear = rng.beta(3, 2, size=shops)
        self.never_called = rng.beta(4 * regime.never_called, 4 * (1 - regime.never_called), shops)

    # --- Truths -------------------------------------------------------------------------------

    @property
    def shop_sd(self) -> float:
        return float(np.hypot(self.regime.shop_spread, self.regime.shop_level_spread))

    def log_odds(
        self, kind: Ints, cause: Ints, model: Ints, severity: Floats, age: Floats
    ) -> Floats:
        """Of holding a year at each level in a shop of no effect, (..., 4)."""
        regime = self.regime
        return np.asarray(
            self.ladder[kind, cause]
            + self.by_model[kind, model][..., None]
            - severity[..., None] * np.array(regime.by_severity)
            - (age[..., None] - 8) / 5 * np.array(regime.by_age)
        )

    def chances(
        self, ones: Sequence[Simulated], outcomes: Outcomes, horizon_days: float, *, own_shop: bool
    ) -> Floats:
        """True probability of holding at each level, tried first, (n, 4): in its own shop, or in
        one drawn anew."""
        kind, cause, model, age, shop = _columns(ones)
        eta = self.log_odds(kind, cause, model, outcomes.severity, age)
        if own_shop:
            return self._hold(eta + self.of_shop[shop], kind, cause, age, horizon_days)
        nodes, weights = _normal_nodes(7)
        return sum(
            weight * self._hold(eta + self.shop_sd * node, kind, cause, age, horizon_days)
            for node, weight in zip(nodes, weights, strict=True)
        )

    def _hold(self, eta: Floats, kind: Ints, cause: Ints, age: Floats, days: float) -> Floats:
        """One less the chance of coming back by then, with leaving in competition."""
        at_once, rate, shape = self._failure(eta, kind, cause)
        gone = self._gone_rate(age)[..., None, None]
        most = rate * (days / YEAR) ** shape
        # Over the cumulative hazard u of failing: the integrand is smooth whatever the shape.
        u = most[..., None] * (_NODES + 1) / 2
        when = (u / rate[..., None]) ** (1 / shape[..., None])
        inner = (np.exp(-u - gone * when) @ _NODE_WEIGHTS) * most / 2
        return np.asarray(1 - at_once - (1 - at_once) * inner)

    def _failure(self, eta: Floats, kind: Ints, cause: Ints) -> tuple[Floats, Floats, Floats]:
        """Chance of not being fixed at all, rate and shape of the later failures, (..., 4)."""
        holds = expit(eta).clip(1e-9, 1 - 1e-9)
        at_once = self.at_delivery[kind, cause][..., None] * (1 - holds)
        rate = -np.log(holds / (1 - at_once))
        return at_once, rate, np.broadcast_to(self.shape[kind][..., None], rate.shape)

    def _gone_rate(self, age: Floats) -> Floats:
        return np.asarray(self.regime.gone_rate * np.exp(self.regime.gone_growth * (age - 8)))

    def level_chances(self, called_for: Ints, severity: Floats) -> Floats:
        """Of being tried first, in a shop drawn anew, (..., 4)."""
        centre = self._perceived(called_for, severity)
        spread = np.hypot(self.regime.misjudged, self.regime.habit)
        below = ndtr((np.array([0.5, 1.5, 2.5]) - centre[..., None]) / spread)
        ends = np.zeros((*below.shape[:-1], 1))
        return np.diff(np.concatenate([ends, below, ends + 1], axis=-1), axis=-1)

    def _perceived(self, called_for: Ints, severity: Floats) -> Floats:
        return np.asarray(called_for + 0.5 * severity - self.regime.thrift)

    def wear_chances(self, severity: Floats) -> Floats:
        """Of each result of the check that shows severity, (..., 4)."""
        below = ndtr((_WEAR_EDGES - severity[..., None]) / 0.7)
        ends = np.zeros((*below.shape[:-1], 1))
        return np.diff(np.concatenate([ends, below, ends + 1], axis=-1), axis=-1)

    @staticmethod
    def usual_severity(age: Floats) -> Floats:
        return np.asarray((age - 8) / 10)

    # --- Histories ----------------------------------------------------------------------------

    def tell(self, ones: Sequence[Simulated]) -> Outcomes:
        """What became of these cases, and their evidence with what was seen of the wear."""
        rng = self._rng
        kind, cause, model, age, shop = _columns(ones)
        severity = self.usual_severity(age) + rng.normal(size=len(ones))
        perceived = self._perceived(self.called_for[kind, cause], severity) + self.habit[shop]
        perceived = perceived + self.regime.misjudged * rng.normal(size=len(ones))
        first = np.rint(perceived).clip(0, 3).astype(np.int64)
        eta = self.log_odds(kind, cause, model, severity, age) + self.of_shop[shop]
        would_fail = self._draw_failures(eta, kind, cause)
        would_go = np.floor(YEAR * rng.exponential(1 / self._gone_rate(age)))
        fails = would_fail[np.arange(len(ones)), first]
        age_of_case, called = self._draw_contacts(shop)
        event, days = self._what_is_known(fails, would_go, age_of_case, called)
        resolved_by, paths = self._go_on(event, days, first, eta, kind, cause, called)
        fault = np.floor(YEAR * rng.exponential(1 / (0.15 + 0.02 * age)))
        heard = np.maximum(called, days)
        return Outcomes(
            cases=self._add_wear(ones, severity, shop),
            first=first,
            event=event,
            event_days=days,
            resolved_by=resolved_by,
            paths=paths,
            other_fault_days=np.where(fault <= heard, fault, np.nan),
            gone_days=np.where(would_go <= heard, would_go, np.nan),
            severity=severity,
            would_fail=would_fail,
            would_go=would_go,
        )

    def _draw_failures(self, eta: Floats, kind: Ints, cause: Ints) -> Floats:
        """Whole days until the repair comes back; 0: not fixed."""
        at_once, rate, shape = self._failure(eta, kind, cause)
        years = (self._rng.exponential(size=eta.shape) / rate) ** (1 / shape)
        later = np.ceil(YEAR * np.minimum(years, OFTEN / YEAR))
        return np.where(self._rng.random(eta.shape) < at_once, 0.0, later)

    def _draw_contacts(self, shop: Ints) -> tuple[Floats, Floats]:
        """Days since the repair, and the day on which the shop last asked of its own accord."""
        rng = self._rng
        since = np.floor(rng.uniform(30, 1_600, size=len(shop)))
        after = self.regime.called_after * YEAR * np.exp(0.8 * rng.normal(size=len(shop)))
        never = rng.random(len(shop)) < self.never_called[shop]
        return since, np.where(never, 0.0, np.floor(np.minimum(after, since)))

    def _what_is_known(
        self, fails: Floats, goes: Floats, since: Floats, called: Floats
    ) -> tuple[Ints, Floats]:
        rng = self._rng
        back = (fails <= goes) & (fails <= since)
        by_himself = rng.random(len(fails)) < self.regime.brings_back
        elsewhere = (rng.random(len(fails)) < self.regime.goes_elsewhere) & (fails > 0)
        asked_before = np.floor(rng.random(len(fails)) * fails)
        told = back & ((fails == 0) | (~elsewhere & ((fails <= called) | by_himself)))
        left = ~back & (goes <= called)
        event = np.where(told, BACK, np.where(left, LEFT, NOTHING)).astype(np.int64)
        last_seen = np.where(back & elsewhere, np.minimum(asked_before, called), called)
        # Of a failure that nobody told, what was seen before it is the last that is known.
        last_seen = np.where(back & ~told, np.minimum(last_seen, (fails - 1).clip(0)), last_seen)
        return event, np.where(told, fails, np.where(left, goes, last_seen))

    def _go_on(
        self, event: Ints, days: Floats, first: Ints, eta: Floats, kind: Ints, cause: Ints,
        called: Floats,
    ) -> tuple[Ints, list[tuple[int, ...]]]:  # fmt: skip
        """Higher and higher until it holds, as far as is known, or until somebody gives up."""
        rng, level, on = self._rng, first.copy(), days.copy()
        resolved_by = np.where(event == BACK, -1, first)
        paths = [[int(one)] for one in first]
        failed = event == BACK
        for _ in range(3):
            goes_on = failed & (level < 3) & (rng.random(len(first)) < 0.8)
            level = np.where(
                goes_on, (level + 1 + (rng.random(len(first)) < 0.3)).clip(0, 3), level
            )
            for place in np.flatnonzero(goes_on):
                paths[place].append(int(level[place]))
            fails = self._draw_failures(eta, kind, cause)[np.arange(len(first)), level]
            again = goes_on & ((fails == 0) | (on + fails <= called))
            resolved_by = np.where(goes_on & ~again, level, resolved_by)
            on, failed = on + fails, again
        return resolved_by, [tuple(path) for path in paths]

    def _add_wear(
        self, ones: Sequence[Simulated], severity: Floats, shop: Ints
    ) -> list[dict[str, Any]]:
        looked = self._rng.random(len(ones)) < self.looks_at_wear[shop]
        seen = severity + 0.7 * self._rng.normal(size=len(ones))
        result = np.searchsorted(_WEAR_EDGES, seen)
        cases = []
        for place, one in enumerate(ones):
            findings = list(one.case["findings"])
            if looked[place]:
                name = WEAR_RESULTS[result[place]]
                findings.append({"check": wear_check(one.case["unit_kind"]), "result": name})
            cases.append(one.case | {"findings": findings})
        return cases


def wear_check(kind_name: str) -> str:
    return f"{kind_name}-wear"


def _columns(ones: Sequence[Simulated]) -> tuple[Ints, Ints, Ints, Floats, Ints]:
    """Kind, cause, model, age in years, shop."""
    kind, cause, model, shop = np.array(
        [(one.kind, one.cause, one.model, one.case["cluster"]) for one in ones], np.int64
    ).T
    return kind, cause, model, np.array([one.case["age_years"] for one in ones]), shop


def _normal_nodes(count: int) -> tuple[Floats, Floats]:
    """Places and weights for the mean over a standard normal."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(count)
    return nodes, weights / weights.sum()
