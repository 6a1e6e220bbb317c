"""A made-up unit kind in which checks tell more or less of what it will take, and a second way to
work out what they tell: plain loops over cases.

Shares no code or figures with the estimators.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np

from casebook.outcomes.check_tables import CheckedCases
from casebook.outcomes.panel import Readings, panel_for

PANEL = panel_for("ac_system")
HELD_LEVEL = [1, 2, 3, 4]  # service, component, overhaul, replacement among all levels


class CheckWorld:
    """strength: how sharply each check parts the states, one per check of the panel, >= 0.
    shop_spread: how much shops differ, in what their cases take and in how they read checks."""

    def __init__(self, seed, strength, *, shops=25, shop_spread=0.0):
        self.random = np.random.default_rng(seed)
        r = self.random
        self.belief = np.array([0.4, 0.3, 0.1, 0.2])
        self.habit = r.beta(1.5, 3, (shops, len(PANEL.checks)))
        self.shop_belief = self.belief * np.exp(shop_spread * r.normal(0, 1, (shops, 4)))
        self.shop_belief /= self.shop_belief.sum(axis=1, keepdims=True)
        shape = (shops, len(PANEL.checks), PANEL.width)
        self.reading_habit = np.exp(shop_spread * r.normal(0, 1, shape))
        self.chances = []
        for place, check in enumerate(PANEL.checks):
            options = len(check.bins) if check.kind == "number" else len(check.results)
            usual = r.dirichlet(np.full(options, 3.0))
            tilt = strength[place] * r.normal(0, 1, (4, options))
            given = usual * np.exp(tilt)
            self.chances.append(given / given.sum(axis=1, keepdims=True))

    def draw(self, cases):
        """Cases with known states and what their checks showed."""
        r = self.random
        shop = r.integers(0, len(self.habit), cases)
        state = np.array([r.choice(4, p=self.shop_belief[j]) for j in shop], np.int64)
        case, place = [], []
        for i in range(cases):
            for check in np.flatnonzero(r.random(len(PANEL.checks)) < self.habit[shop[i]]):
                given = self.chances[check][state[i]]
                given = given * self.reading_habit[shop[i], check, : len(given)]
                given = given / given.sum()
                case.append(i)
                place.append(check * PANEL.width + r.choice(len(given), p=given))
        return CheckedCases(
            weights=r.uniform(0.4, 0.9, cases),
            cluster=shop,
            states=np.eye(4)[state],
            readings=Readings(np.array(case, np.int64), np.array(place, np.int64)),
        )

    def true_gain(self, check):
        """Bits that one more check tells of the state."""
        joint = self.belief[:, None] * self.chances[check]
        independent = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0, keepdims=True)
        return float((joint * np.log2(joint / independent)).sum())


def shuffled(cases, seed):
    """The same cases with states dealt out anew: whatever is found then is chance."""
    order = np.random.default_rng(seed).permutation(len(cases.states))
    return CheckedCases(cases.weights, cases.cluster, cases.states[order], cases.readings)


def plain_table(check, similar, of_kind, *, rho=0.02, cap=30.0, doubt=2.0):
    """Likelihood of the results of a named check, and how many results it has, by loops."""
    width = len(check.results)
    pools = []
    for cases, limit in ((similar, None), (of_kind, cap)):
        rows = defaultdict(float)
        total, squares, of_shop = 0.0, 0.0, defaultdict(float)
        for case, place in zip(cases.readings.case, cases.readings.place, strict=True):
            if PANEL.checks[place // PANEL.width] is not check:
                continue
            for state in range(4):
                rows[state, place % PANEL.width] += cases.weights[case] * cases.states[case, state]
            weight = cases.weights[case] * cases.states[case].sum()
            total += weight
            squares += weight**2
            of_shop[cases.cluster[case]] += weight
        n_eff = 0.0
        if total:
            n_eff = total**2 / ((1 - rho) * squares + rho * sum(w**2 for w in of_shop.values()))
        table = [
            [rows[s, r] * (n_eff / total if total else 0.0) for r in range(width)] for s in range(4)
        ]
        if limit is not None:
            table = [
                [x * min(1.0, limit / sum(row)) if sum(row) else 0.0 for x in row] for row in table
            ]
        pools.append(table)
    pool = [[pools[0][s][r] + pools[1][s][r] for r in range(width)] for s in range(4)]
    every = [sum(pool[s][r] for s in range(4)) for r in range(width)]
    n = sum(every)
    usual = [x / n for x in every]
    g = 0.0
    for s in range(4):
        for r in range(width):
            if pool[s][r] > 0:
                g += 2 * pool[s][r] * math.log(pool[s][r] * n / (sum(pool[s]) * every[r]))
    freedom = (sum(sum(row) > 0 for row in pool) - 1) * (sum(x > 0 for x in every) - 1)
    trust = math.sqrt(max(0.0, 1 - freedom / g))
    return np.array(
        [
            [
                trust * (pool[s][r] + doubt * usual[r]) / (sum(pool[s]) + doubt)
                + (1 - trust) * usual[r]
                for r in range(width)
            ]
            for s in range(4)
        ]
    )
