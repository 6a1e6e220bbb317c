"""Tables of outcomes: plain counts, the outlook's own estimate, and what is not told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from casebook.cases.constants import LEVELS
from casebook.outcomes.outlook import Neighbours, estimate_level
from casebook.outcomes.tables import CaseRows, Dimension, build_table
from casebook.stats.clustering import PRIOR_RHO
from casebook.stats.shrinkage import learn, shrink, vague_grid
from tests.outcomes.worlds import CAME_BACK, LAST_SEEN, OVERHAUL, SERVICE

YEAR = 365


@dataclass
class Row:
    """One case in one group; groups: dimension -> value."""

    groups: dict
    case: int
    shop: int
    level: int = SERVICE
    event: int = LAST_SEEN
    day: float = 400.0
    resolved_by: int = -1
    cost: float = float("nan")
    currency: str = "EUR"


def as_rows(rows):
    names = list(rows[0].groups) if rows else []
    dimensions = []
    for name in names:
        values = list(dict.fromkeys(row.groups[name] for row in rows))
        places = [values.index(row.groups[name]) for row in rows]
        dimensions.append(Dimension(name, values, np.array(places)))
    currencies = sorted({row.currency for row in rows})

    def whole(*names_of):
        return [np.array([getattr(row, name) for row in rows], int) for name in names_of]

    case, shop, level, event, resolved_by = whole("case", "shop", "level", "event", "resolved_by")
    return CaseRows(
        case=case,
        dimensions=dimensions,
        level=level,
        event=event,
        event_days=np.array([row.day for row in rows], float),
        cluster=shop,
        resolved_by=resolved_by,
        cost=np.array([row.cost for row in rows], float),
        currency=np.array([currencies.index(row.currency) for row in rows], int),
        currencies=currencies,
    )


def table_of(rows, within=None):
    return build_table(as_rows(rows), within=within or {}, horizon_days=YEAR)


def many(count, make, *, first=0, shops=5, **facts):
    return [Row({"make": make}, first + i, i % shops, **facts) for i in range(count)]


def entry(table, **keys):
    return next(row for row in table if all(row[k] == v for k, v in keys.items()))


def level_of(row, level):
    return next(item for item in row["levels"] if item["level"] == LEVELS[level])


def test_counts_are_plain_counts():
    rows = [
        *many(12, "Corvane"),
        *many(6, "Corvane", first=20, event=CAME_BACK, day=0),
        *many(5, "Corvane", first=40, day=100),
        *many(9, "Corvane", first=60, level=-1),
        *many(30, "Lumen", first=80),
    ]
    row = entry(table_of(rows), make="Corvane")
    assert (row["cases"], row["shops"], row["suppressed"]) == (32, 5, False)
    service = level_of(row, SERVICE)
    counts = [service[key] for key in ("tried", "held", "came_back", "gone", "not_known")]
    assert counts == [23, 12, 6, 0, 5]


def plain_expected(groups, which):
    """The estimate of one group: the outlook's with equal weights, drawn to the other groups."""
    estimates = []
    for rows in groups:
        e = [np.array([getattr(row, name) for row in rows]) for name in ("shop", "level", "event")]
        days = np.array([row.day for row in rows], float)
        cases = Neighbours(np.ones(len(rows)), e[0], e[1], e[2], days, e[1])
        estimates.append(estimate_level(cases, rho=PRIOR_RHO, horizon_days=YEAR))
    others = [e for i, e in enumerate(estimates) if i != which]
    grid = learn(vague_grid(), [e.held for e in others], [e.trials for e in others])
    return shrink(grid, estimates[which].held, estimates[which].trials)


def test_the_estimate_is_the_outlooks_and_leans_on_the_other_groups():
    random = np.random.default_rng(9)
    groups = []
    for number, make in enumerate(["a", "b", "c"]):
        failed = random.random(24) < 0.2 + 0.2 * number
        groups.append(
            [
                Row({"make": make}, 100 * number + i, i % 4, event=int(f), day=0 if f else 400)
                for i, f in enumerate(failed)
            ]
        )
    # Known state of all, but correlation as expected: rho of one case per shop can't be learned.
    rows = [row for group in groups for row in group]
    table = table_of(rows)
    rho_as_assumed = [level_of(row, SERVICE)["effective_cases"] for row in table]
    for number, make in enumerate(["a", "b", "c"]):
        service = level_of(entry(table, make=make), SERVICE)
        expected = plain_expected(groups, number)
        assert service["holds"] == pytest.approx(expected.mean, abs=0.02)
        assert service["interval_low"] == pytest.approx(expected.low, abs=0.03)
        assert service["interval_high"] == pytest.approx(expected.high, abs=0.03)
        assert 0 < service["prior_share"] < 1
    # 24 cases of 4 shops: between the least and a large correlation.
    assert all(10 < n_eff < 24 / (1 + 5 * 0.05) + 0.1 for n_eff in rho_as_assumed)


def test_a_group_of_which_nobody_was_followed_has_counts_and_no_estimate():
    rows = many(30, "Corvane", day=10) + many(30, "Lumen", first=50)
    service = level_of(entry(table_of(rows), make="Corvane"), SERVICE)
    assert (service["tried"], service["not_known"]) == (30, 30)
    assert service["holds"] is service["interval_low"] is service["prior_share"] is None


def test_what_it_took_in_the_end_is_shared_out_among_cases_where_that_is_known():
    rows = [
        *many(20, "Corvane", resolved_by=SERVICE),
        *many(20, "Corvane", first=30, level=SERVICE, resolved_by=OVERHAUL),
        *many(20, "Corvane", first=60, resolved_by=-1),
    ]
    row = entry(table_of(rows), make="Corvane")
    assert level_of(row, SERVICE)["share_resolved_by"] == 0.5
    overhaul = level_of(row, OVERHAUL)
    assert (overhaul["tried"], overhaul["share_resolved_by"]) == (0, 0.5)


def test_the_median_cost_is_in_the_currency_most_cases_are_in():
    rows = [
        *[Row({"make": "a"}, i, i % 5, cost=100.0 + i) for i in range(11)],
        *[Row({"make": "a"}, 20 + i, i % 5, cost=9000.0, currency="SEK") for i in range(4)],
    ]
    service = level_of(table_of(rows)[0], SERVICE)
    assert (service["median_cost"], service["currency"]) == ("105.00", "EUR")


def test_the_cost_of_few_cases_is_not_told():
    rows = many(20, "a") + [Row({"make": "a"}, 30 + i, i, cost=100.0) for i in range(4)]
    service = level_of(table_of(rows)[0], SERVICE)
    assert service["tried"] == 24
    assert service["median_cost"] is None


def test_small_groups_are_withheld_with_what_would_give_them_away():
    rows = [
        *many(40, "big"),
        *many(12, "next", first=100),
        *many(2, "small", first=200),
    ]
    table = table_of(rows)
    assert [(row["make"], row["suppressed"]) for row in table] == [
        ("big", False),
        ("next", True),
        ("small", True),
    ]
    hidden = entry(table, make="small")
    assert hidden["cases"] is hidden["shops"] is None
    assert hidden["levels"] == []


def test_a_small_level_is_withheld_and_so_is_one_more():
    rows = [
        *many(40, "a"),
        *many(3, "a", first=100, level=OVERHAUL),
        *many(12, "a", first=200, level=2),
    ]
    row = table_of(rows)[0]
    assert row["cases"] == 55
    told = {item["level"]: item["suppressed"] for item in row["levels"]}
    assert told == {"service": False, "component": True, "overhaul": True}
    assert all(
        level_of(row, OVERHAUL)[key] is None
        for key in ("tried", "held", "came_back", "not_known", "holds", "interval_low")
    )


def test_one_shop_with_more_than_half_is_withheld():
    rows = many(9, "a", shops=3) + [Row({"make": "a"}, 50 + i, 99) for i in range(10)]
    assert table_of(rows)[0]["suppressed"] is True


def test_a_case_that_a_group_names_twice_is_one_case_of_it():
    rows = many(10, "a") + many(10, "a")
    row = table_of(rows)[0]
    assert row["cases"] == 10
    assert level_of(row, SERVICE)["tried"] == 10


def test_groups_come_in_the_order_of_their_keys_and_missing_ones_last():
    values = [None, 2020, 998, "100000-150000 km", "50000-100000 km"]
    for some in (values[:3], [None, *values[3:]]):
        rows = [
            Row({"key": value}, 100 * place + i, i % 5)
            for place, value in enumerate(some)
            for i in range(10)
        ]
        keys = [row["key"] for row in table_of(rows)]
        assert keys == list(reversed(some)) if None in keys else sorted(keys)
        assert keys[-1] is None


def test_however_the_groups_are_ordered_the_same_cells_are_withheld():
    random = np.random.default_rng(10)
    facts = [(int(m), int(y), int(s)) for m, y, s in random.integers(0, [4, 5, 6], (160, 3))]
    one = table_of([Row({"make": m, "year": y}, i, s) for i, (m, y, s) in enumerate(facts)])
    other = table_of([Row({"year": y, "make": m}, i, s) for i, (m, y, s) in enumerate(facts)])

    def hidden(table):
        return {(row["make"], row["year"]) for row in table if row["suppressed"]}

    assert hidden(one) == hidden(other) != set()


def test_levels_asked_for_as_groups_are_withheld_as_levels_within_groups_are():
    random = np.random.default_rng(11)
    rows = []
    for i in range(120):
        make, level = (
            int(random.integers(0, 4)),
            int(random.choice(5, p=[0.05, 0.4, 0.4, 0.1, 0.05])),
        )
        rows.append(Row({"make": make}, i, int(random.integers(0, 6)), level=level))
    by_make = table_of(rows)
    for row in rows:
        row.groups["level"] = LEVELS[row.level]
    by_both = table_of(rows)
    inside = {
        (row["make"], item["level"])
        for row in by_make
        for item in row["levels"]
        if item["suppressed"]
    }
    apart = {(row["make"], row["level"]) for row in by_both if row["suppressed"]}
    assert inside == apart != set()


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(1, 120))
def test_whatever_the_cases_nothing_small_is_told_and_the_parts_add_up(seed, count):
    random = np.random.default_rng(seed)
    rows = [
        Row(
            {"make": int(random.integers(0, 3)), "year": int(random.integers(0, 3))},
            case=i,
            shop=int(random.integers(0, 6)),
            level=int(random.integers(-1, 5)),
            event=int(random.integers(0, 3)),
            day=float(random.choice([0, 30, 200, 365, 500])),
            resolved_by=int(random.integers(-1, 5)),
        )
        for i in range(count)
    ]
    for row in table_of(rows):
        own = [r for r in rows if r.groups == {"make": row["make"], "year": row["year"]}]
        if row["suppressed"]:
            assert row["levels"] == []
            continue
        assert row["cases"] == len(own) >= 5
        assert row["shops"] == len({r.shop for r in own}) >= 3
        for item in row["levels"]:
            if item["suppressed"]:
                assert item["tried"] is item["holds"] is item["median_cost"] is None
                continue
            of_level = [r for r in own if LEVELS[r.level] == item["level"] and r.level >= 0]
            assert item["tried"] == len(of_level)
            parts = ("held", "came_back", "gone", "not_known")
            assert item["tried"] == sum(item[part] for part in parts)
            assert item["tried"] == 0 or item["tried"] >= 5
            if item["holds"] is not None:
                assert 0 < item["interval_low"] < item["holds"] < item["interval_high"] < 1


def test_no_rows_make_no_table_and_no_groups_make_one_row():
    assert table_of([]) == []
    rows = [Row({}, i, i % 4) for i in range(20)]
    [row] = table_of(rows)
    assert row["cases"] == 20


def test_impossible_horizons_are_refused():
    with pytest.raises(ValueError, match="horizon_days"):
        build_table(as_rows(many(3, "a")), within={}, horizon_days=0)
