"""Foretells from the evidence itself how likely each level of repair holds. Pure.

Similar cases tell of a vehicle what became of them; where few of them took a level first, the
outlook is drawn towards something. This model gives that something: logistic regressions, one a
level, of "held to the horizon" on how likely each level would cure the case (the learned profile of
`search.core`), age and unit kind. They are held together by a penalty on how they differ, so that
what is learned of one level serves the others.

It is fitted by `forecast_fitting`, and used only where it foretells better than the rates of the
unit kinds, on shops it has not seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from casebook.cases.constants import LEVELS
from search.core import CaseIndex
from search.core.cure_levels import query_level_chances

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# A kind of its own costs so much more than what all kinds share.
KIND_SCALE: Final = 0.5
# Nothing is foretold for certain.
LEAST_CHANCE: Final = 1e-3
# Chances of a cure enter as logarithms; below this they are alike.
_FLOOR: Final = 0.03
_FORMAT: Final = 1


@dataclass(frozen=True)
class Evidence:
    """Cases as the model sees them. chances: that each of LEVELS would cure it, (n, levels), a row
    of NaN where that is not foretold. age_years: (n,), NaN where not known. kinds: n names."""

    chances: FloatArray
    age_years: FloatArray
    kinds: Sequence[str]

    def __len__(self) -> int:
        return len(self.kinds)

    def take(self, which: IntArray) -> Evidence:
        return Evidence(
            self.chances[which],
            self.age_years[which],
            [self.kinds[place] for place in which.tolist()],
        )


@dataclass(frozen=True)
class ForecastModel:
    """kinds: names that the model knows. centre: of the log chances, (levels,).
    coefficients: (levels, inputs); intercepts: (levels,); rows of LEVELS, NaN for levels that were
    too seldom tried."""

    kinds: tuple[str, ...]
    centre: FloatArray
    coefficients: FloatArray
    intercepts: FloatArray

    def foretell(self, evidence: Evidence) -> FloatArray:
        """Probability that each level, tried first, holds: (n, levels), NaN where not foretold."""
        inputs = read_inputs(evidence, self.kinds, self.centre)
        forecast = expit(inputs @ self.coefficients.T + self.intercepts)
        return np.asarray(np.clip(forecast, LEAST_CHANCE, 1 - LEAST_CHANCE), np.float64)

    def as_document(self) -> dict[str, Any]:
        """Plain values for JSON, which `from_document` reads."""
        return {
            "format": _FORMAT,
            "kinds": list(self.kinds),
            "centre": self.centre.tolist(),
            "coefficients": [_plain(row) for row in self.coefficients],
            "intercepts": _plain(self.intercepts),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> ForecastModel:
        """Raises ValueError for another format."""
        if document.get("format") != _FORMAT:
            raise ValueError(f"a forecast of format {document.get('format')!r}, not {_FORMAT}")
        return cls(
            tuple(document["kinds"]),
            np.array(document["centre"], np.float64),
            np.array(document["coefficients"], np.float64),
            np.array(document["intercepts"], np.float64),
        )


def foretell_query(
    forecast: ForecastModel, index: CaseIndex, query: Mapping[str, Any]
) -> FloatArray:
    """How likely each of LEVELS holds, (levels,), NaN where that is not foretold. query: as
    `search.core` reads it."""
    evidence = Evidence(
        query_level_chances(index, query, LEVELS)[None, :],
        np.array([age_of(query)]),
        [str(query.get("unit_kind") or "")],
    )
    return np.asarray(forecast.foretell(evidence)[0], np.float64)


def age_of(case: Mapping[str, Any]) -> float:
    """In years, NaN where not known."""
    age = case.get("age_years")
    return np.nan if age is None else float(age)


def read_inputs(evidence: Evidence, kinds: Sequence[str], centre: FloatArray) -> FloatArray:
    """Inputs, (n, levels + 2 + kinds); what is not known is 0, the middle."""
    logs = np.nan_to_num(log_chances(evidence.chances) - centre, nan=0.0)
    decades = (evidence.age_years - 10.0) / 10.0
    unknown = np.isnan(decades)
    place = {kind: number for number, kind in enumerate(kinds)}
    of_kind = np.zeros((len(evidence), len(kinds)))
    for row, kind in enumerate(evidence.kinds):
        if kind in place:
            of_kind[row, place[kind]] = KIND_SCALE
    return np.hstack([logs, np.where(unknown, 0.0, decades)[:, None], unknown[:, None], of_kind])


def log_chances(chances: FloatArray) -> FloatArray:
    return np.asarray(np.log(chances + _FLOOR), np.float64)


def _plain(row: FloatArray) -> list[float | None]:
    """JSON knows no NaN; reading None back gives NaN."""
    return [None if np.isnan(value) else float(value) for value in row]
