"""Ladders for tests, and a second way to cost them: playing out every policy, leaf by leaf."""

from __future__ import annotations

from itertools import product

import numpy as np

from casebook.stats.decisions import Ladder

SERVICE, COMPONENT, OVERHAUL, REPLACE_USED, REPLACE_REMANUFACTURED, REPLACE_NEW, LEAVE = range(7)


def simple_ladder(*, service, holds, failure, replacement, leave=np.inf):
    """Service, a used replacement that always holds, and giving up."""
    none = np.full(3, np.inf)
    return Ladder(
        cost=np.array([service, np.inf, np.inf], float),
        holds=np.array([holds, np.nan, np.nan]),
        after=np.full((3, 3), np.nan),
        discount=np.ones(3),
        failure=np.array(float(failure)),
        replace=np.array([replacement, np.inf, np.inf], float),
        fails=np.zeros(3),
        again=none,
        replace_discount=np.ones(3),
        leave=np.array(float(leave)),
    )


def some_ladder(seed, shape=()):
    """Everything to be had, at random."""
    r = np.random.default_rng(seed)
    return Ladder(
        cost=r.uniform(50, 2500, (*shape, 3)),
        holds=r.uniform(0, 1, (*shape, 3)),
        after=r.uniform(0, 1, (*shape, 3, 3)),
        discount=r.uniform(0.8, 1, (*shape, 3)),
        failure=r.uniform(0, 500, shape),
        replace=r.uniform(500, 5000, (*shape, 3)),
        fails=r.uniform(0, 0.4, (*shape, 3)),
        again=r.uniform(0, 3000, (*shape, 3)),
        replace_discount=r.uniform(0.8, 1, (*shape, 3)),
        leave=r.uniform(300, 6000, shape),
    )


def enumerate_plans(ladder):
    """Expected cost of each plan: the best over all fixed policies, each played out to its leaves.

    A policy says for each level what follows its failure. One ladder, no leading axes.
    """
    policies = list(product(range(1, 7), range(2, 7), range(3, 7)))
    return [min(_play(ladder, plan, policy) for policy in policies) for plan in range(7)]


def _play(ladder, plan, policy):
    total, waiting = 0.0, [(1.0, 1.0, None, plan)]
    while waiting:
        chance, worth, failed, step = waiting.pop()
        if step == LEAVE:
            total += chance * worth * float(ladder.leave)
        elif step >= REPLACE_USED:
            source = step - REPLACE_USED
            again = ladder.fails[source] * ladder.replace_discount[source] * ladder.again[source]
            total += chance * worth * (ladder.replace[source] + again)
        else:
            total += chance * worth * ladder.cost[step]
            holds = ladder.holds[step] if failed is None else ladder.after[failed, step]
            later = worth * ladder.discount[step]
            total += chance * (1 - holds) * later * float(ladder.failure)
            waiting.append((chance * (1 - holds), later, step, policy[step]))
    return total


def simulate_plan(ladder, plan, choice, *, vehicles, seed):
    """Mean cost over single vehicles whose repairs hold or fail by lot."""
    r = np.random.default_rng(seed)
    costs = np.empty(vehicles)
    for vehicle in range(vehicles):
        cost, worth, failed, step = 0.0, 1.0, None, plan
        while step is not None:
            if step == LEAVE:
                cost, step = cost + worth * float(ladder.leave), None
            elif step >= REPLACE_USED:
                source = step - REPLACE_USED
                cost += worth * ladder.replace[source]
                if r.random() < ladder.fails[source]:
                    cost += worth * ladder.replace_discount[source] * ladder.again[source]
                step = None
            else:
                cost += worth * ladder.cost[step]
                holds = ladder.holds[step] if failed is None else ladder.after[failed, step]
                if r.random() < holds:
                    break
                worth *= ladder.discount[step]
                cost += worth * float(ladder.failure)
                failed, step = step, int(choice[step])
        costs[vehicle] = cost
    return float(costs.mean()), float(costs.std() / np.sqrt(vehicles))
