"""Other ways to foretell whether a repair holds, as careful people would write them.

All learn from the same past cases and foretell for the same queries; each gives the probability of
holding to the horizon at every level, shape (queries, levels), levels as in the simulator's ladder.
What was lost to follow-up is left out, and what is known counts for what is not: inverse
probability of censoring weights (Robins and Rotnitzky 1992; from memory, not verified).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sklearn.decomposition import TruncatedSVD
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.feature_extraction.text import TfidfVectorizer

from tests.simulator.outcomes import BACK, NOTHING, WEAR_RESULTS, Outcomes

Floats = NDArray[np.float64]
Cases = Sequence[Mapping[str, Any]]
LEVELS = 4
# No known case stands for more than so many.
MOST_WEIGHT = 10.0
TEXT_AXES = 30


def known_outcomes(outcomes: Outcomes, horizon_days: float) -> tuple[Floats, Floats]:
    """Whether each case held, and its weight: 0 where that is not known, else 1 over the chance of
    being followed so long. Leaving proves that it did not come back."""
    event, days = outcomes.event, outcomes.event_days
    failed = (event == BACK) & (days <= horizon_days)
    known = ((event != NOTHING) & (days <= horizon_days)) | (days >= horizon_days)
    until = np.minimum(days, horizon_days)
    lost = (event == NOTHING) & (days < horizon_days)
    times, place, at = np.unique(until, return_inverse=True, return_counts=True)
    watched = np.cumsum(at[::-1])[::-1]
    leaving = np.bincount(place, lost, len(times))
    # What happens on a day happens before those last seen on that day leave.
    followed = np.concatenate([[1.0], np.cumprod(1 - leaving / watched)[:-1]])
    weight = np.minimum(1 / np.maximum(followed[place], 1e-9), MOST_WEIGHT)
    return (~failed).astype(np.float64), np.where(known, weight, 0.0)


def by_base_rate(past: Cases, outcomes: Outcomes, queries: Cases, horizon_days: float) -> Floats:
    """The rate of the unit kind at the level; a rate of nothing counts as the level's, worth 2."""
    held, weight = known_outcomes(outcomes, horizon_days)
    kinds = {name: i for i, name in enumerate(sorted({case["unit_kind"] for case in past}))}
    kind = np.array([kinds[case["unit_kind"]] for case in past])
    total, good = np.zeros((len(kinds), LEVELS)), np.zeros((len(kinds), LEVELS))
    np.add.at(total, (kind, outcomes.first), weight)
    np.add.at(good, (kind, outcomes.first), weight * held)
    usual = good.sum(axis=0) / total.sum(axis=0)
    rates = (good + 2 * usual) / (total + 2)
    return rates[[kinds[case["unit_kind"]] for case in queries]]


def by_level_rate(past: Cases, outcomes: Outcomes, queries: Cases, horizon_days: float) -> Floats:
    """The rate of the level, whatever the case."""
    alike = [[{**case, "unit_kind": ""} for case in cases] for cases in (past, queries)]
    return by_base_rate(alike[0], outcomes, alike[1], horizon_days)


def by_code(past: Cases, outcomes: Outcomes, queries: Cases, horizon_days: float) -> Floats:
    """The rate among cases of the unit kind with a code of the query; without any, the kind's."""
    held, weight = known_outcomes(outcomes, horizon_days)
    usual = by_base_rate(past, outcomes, queries, horizon_days)
    holders: dict[tuple[str, str], list[int]] = {}
    for place, case in enumerate(past):
        for code in {code["code"] for code in case["codes"]}:
            holders.setdefault((case["unit_kind"], code), []).append(place)
    out = usual.copy()
    for row, case in enumerate(queries):
        found = {
            place
            for code in case["codes"]
            for place in holders.get((case["unit_kind"], code["code"]), [])
        }
        places = np.array(sorted(found), np.int64)
        total = np.bincount(outcomes.first[places], weight[places], LEVELS)
        good = np.bincount(outcomes.first[places], weight[places] * held[places], LEVELS)
        # Worth two cases of the kind's rate, or one success would read as certainty.
        out[row] = (good + 2 * usual[row]) / (total + 2)
    return out


# Tried by cross-validation over shops in the first world: more leaves or rounds only fit the noise.
BOOSTING = {
    "learning_rate": 0.05,
    "max_iter": 80,
    "max_leaf_nodes": 8,
    "min_samples_leaf": 30,
    "l2_regularization": 1.0,
}


def by_boosting(
    past: Cases, outcomes: Outcomes, queries: Cases, horizon_days: float, *, ordered: Sequence[str]
) -> Floats:
    """Gradient-boosted trees on the same evidence, the level tried being one more column.

    ordered: checks whose results have an order.
    """
    held, weight = known_outcomes(outcomes, horizon_days)
    columns = _Columns(past, ordered)
    known = weight > 0
    level = outcomes.first[:, None]
    model = HistGradientBoostingClassifier(
        **BOOSTING, categorical_features=[*columns.categories, columns.width], random_state=0
    )
    table = np.hstack([columns.read(past), level])
    model.fit(table[known], held[known], sample_weight=weight[known])
    asked = columns.read(queries)
    return np.stack(
        [
            model.predict_proba(np.hstack([asked, np.full((len(queries), 1), level)]))[:, 1]
            for level in range(LEVELS)
        ],
        axis=1,
    )


class _Columns:
    """A table of the evidence: NaN where nothing is recorded, which trees can split on."""

    def __init__(self, past: Cases, ordered: Sequence[str]) -> None:
        self.names = {
            name: {value: i for i, value in enumerate(sorted({case[name] or "" for case in past}))}
            for name in ("unit_kind", "make", "model", "unit_family")
        }
        self.checks = sorted({f["check"] for case in past for f in case["findings"]})
        self.symptoms = sorted({s["key"] for case in past for s in case["symptoms"]})
        self.families = sorted({c["family"] for case in past for c in case["codes"]})
        self.codes = sorted({c["code"] for case in past for c in case["codes"]})
        numbers = {f["check"] for case in past for f in case["findings"] if "value" in f}
        first = len(self.names) + 2
        named = set(self.checks) - set(ordered) - numbers
        self.categories = [
            *range(len(self.names)),
            *(first + i for i, check in enumerate(self.checks) if check in named),
        ]
        self.words = TfidfVectorizer(min_df=3)
        said = self.words.fit_transform([case["complaint"] for case in past])
        self.axes = TruncatedSVD(TEXT_AXES, random_state=0).fit(said)
        self.width = (
            first
            + len(self.checks)
            + len(self.symptoms)
            + len(self.families)
            + len(self.codes)
            + TEXT_AXES
        )

    def read(self, cases: Cases) -> Floats:
        said = self.axes.transform(self.words.transform([case["complaint"] for case in cases]))
        return np.hstack([np.array([self._read(case) for case in cases], float), said])

    def _read(self, case: Mapping[str, Any]) -> list[float]:
        row: list[float] = [
            values.get(case[name] or "", np.nan) for name, values in self.names.items()
        ]
        row += [case["age_years"], np.nan if case["odometer_km"] is None else case["odometer_km"]]
        found = {f["check"]: f for f in case["findings"]}
        row += [_result(found.get(check)) for check in self.checks]
        symptoms = {s["key"] for s in case["symptoms"]}
        families = {c["family"] for c in case["codes"]}
        codes = {c["code"] for c in case["codes"]}
        row += [float(name in symptoms) for name in self.symptoms]
        row += [float(name in families) for name in self.families]
        return row + [float(name in codes) for name in self.codes]


def _result(finding: Mapping[str, Any] | None) -> float:
    if finding is None:
        return np.nan
    if "value" in finding:
        return float(finding["value"])
    name = finding["result"]
    return float(WEAR_RESULTS.index(name) if name in WEAR_RESULTS else name.removeprefix("r"))
