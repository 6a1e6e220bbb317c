"""Made-up cases for tests of the outcome statistics: arrays, and a small world with known truth.

Shares no code or figures with the estimators.
"""

from __future__ import annotations

import numpy as np
from hypothesis import strategies as st

from casebook.outcomes.outlook import Neighbours, ParentCohorts, Siblings

NONE, SERVICE, COMPONENT, OVERHAUL, REPLACEMENT = range(5)
LAST_SEEN, CAME_BACK, GONE = range(3)


def make_neighbours(rows):
    """rows: (similarity, shop, first_level, event, event_days, resolved_by)."""
    columns = list(zip(*rows, strict=True)) if rows else [[]] * 6
    kinds = (float, int, int, int, float, int)
    return Neighbours(*(np.array(c, kind) for c, kind in zip(columns, kinds, strict=True)))


def repeat(count, *, shop=None, level=SERVICE, event=LAST_SEEN, day=400, similarity=0.8, end=None):
    """Alike cases; each from another shop of ten unless one is named."""
    resolved_by = level if end is None else end
    return [
        (similarity, i % 10 if shop is None else shop, level, event, day, resolved_by)
        for i in range(count)
    ]


def siblings(held, trials):
    """The same for every level."""
    return Siblings(*(np.tile(np.asarray(numbers, float), (5, 1)) for numbers in (held, trials)))


def parents(*scopes, own=None, shops=20, rho=0.1):
    """Each scope: (held, trials) of its cohorts; own: (held, trials) of the narrowest one."""
    return ParentCohorts(
        pool_shops=shops,
        rho=np.full(5, rho),
        scopes=tuple(siblings(*scope) for scope in scopes),
        own=None if own is None else siblings([own[0]], [own[1]]),
    )


def some_neighbours(max_size=30):
    return st.lists(
        st.tuples(
            st.floats(0, 1),
            st.integers(0, 4),
            st.integers(-1, 4),
            st.integers(0, 2),
            st.integers(0, 800),
            st.integers(-1, 4),
        ),
        max_size=max_size,
    ).map(make_neighbours)


class World:
    """Repairs of which some are not fixed, some come back later and some vehicles go.

    share_failing: not fixed at delivery, on average; shops differ. contacts: (day, probability)
    of the last contact. `draw` gives neighbours and the weighted probability that they hold.
    """

    def __init__(self, seed, *, share_failing, comebacks_a_year, contacts):
        self.random = np.random.default_rng(seed)
        self.share_failing = share_failing
        self.comebacks_a_year = comebacks_a_year
        self.contacts = contacts

    def draw(self, *, shops, cases, horizon=365):
        r = self.random
        shop = r.integers(0, shops, cases)
        tendency = r.normal(0, 0.6, shops)[shop] + r.normal(0, 0.4, cases)
        odds = self.share_failing / (1 - self.share_failing) * np.exp(tendency)
        not_fixed = odds / (1 + odds)
        back_a_day = self.comebacks_a_year / 365 * np.exp(tendency / 2)
        gone_a_day = 0.1 / 365
        leaving = back_a_day + gone_a_day
        later = (1 - not_fixed) * back_a_day / leaving * -np.expm1(-leaving * horizon)
        holds = 1 - not_fixed - later
        similarity = r.uniform(0.5, 0.95, cases)
        back = np.where(r.random(cases) < not_fixed, 0, np.ceil(r.exponential(1 / back_a_day)))
        gone = np.ceil(r.exponential(1 / gone_a_day, cases))
        days, chances = zip(*self.contacts, strict=True)
        last = r.choice(days, cases, p=chances)
        last = np.where(last > 0, last + r.integers(-5, 30, cases), 0)
        day = np.minimum(np.minimum(back, gone), last)
        event = np.where(day == back, CAME_BACK, np.where(day == gone, GONE, LAST_SEEN))
        level = np.full(cases, SERVICE)
        neighbours = Neighbours(similarity, shop, level, event, day.astype(float), level - 2)
        return neighbours, float(similarity @ holds / similarity.sum())
