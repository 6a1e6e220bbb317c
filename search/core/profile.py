"""What would probably cure a case: a learned profile over the ways in which its kind was cured.

For every unit kind with enough resolved cases, multinomial logistic regressions take the intake
evidence of a case (the raw features of all blocks) to the chances of the classes of cures: a level
with its actions, a level with its first action where those together are rare, a level alone, the
rest. Two cases are alike in this block by the cosine of their chances, raised to a power
(`SHARPNESS`): cases that look different and are the same fault meet here.

The regressions are cross-fitted over shops: shops are dealt into folds, and the model of a fold
has seen no case of that fold's shops. A past case is described by the model of its own shop's
fold, so that neither its own resolution nor its shop's habits are in its profile. A query is
described by every model, and compared with each past case under the one that describes that case;
the same evidence then always has the same profile, and a case is exactly like itself.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

# Cosine of chances to this power: near-certain cases should meet those that are as certain.
SHARPNESS = 2.0
# Chances below are left out: they say little and cost postings.
LEAST_CHANCE = 0.02
FORMAT = 1
CURES = "cures_about"  # the array that says what the others are


@dataclass(frozen=True)
class KindCures:
    """The models of one unit kind.

    classes: names of the cures, see `name_cure`. features: names of raw features.
    coefficients: shape (folds, features, classes), intercepts: shape (folds, classes); together
    they give calibrated log chances up to a constant.
    """

    kind: str
    classes: tuple[str, ...]
    features: tuple[str, ...]
    coefficients: NDArray[np.float32]
    intercepts: NDArray[np.float64]

    def chances(self, rows: csr_array, fold: int) -> NDArray[np.float64]:
        """Of each class; rows: cases x this kind's features; shape (cases, classes)."""
        logs = rows @ self.coefficients[fold].astype(np.float64) + self.intercepts[fold]
        return _softmax(logs)


@dataclass(frozen=True)
class CureModel:
    """Immutable. fold_of: the fold of each shop known when the model was fitted."""

    kinds: tuple[KindCures, ...]
    folds: int
    fold_of: Mapping[int, int]

    @cached_property
    def _by_kind(self) -> dict[str, KindCures]:
        return {one.kind: one for one in self.kinds}

    @cached_property
    def _places(self) -> dict[str, dict[str, int]]:
        return {
            one.kind: {name: place for place, name in enumerate(one.features)} for one in self.kinds
        }

    @cached_property
    def feature_names(self) -> tuple[str, ...]:
        """Of what `profiles` gives, column by column."""
        return tuple(
            f"{fold}|{one.kind}|{cure}"
            for one in self.kinds
            for fold in range(self.folds)
            for cure in one.classes
        )

    @cached_property
    def _first_column(self) -> dict[str, int]:
        out, first = {}, 0
        for one in self.kinds:
            out[one.kind] = first
            first += self.folds * len(one.classes)
        return out

    def fold(self, cluster: int | None) -> int:
        """Of a shop; one that came later has been seen by none of the models."""
        number = 0 if cluster is None else int(cluster)
        return self.fold_of.get(number, number % self.folds)

    def profiles(
        self,
        rows: csr_array,
        numbers: Mapping[str, int],
        kinds: Sequence[str | None],
        clusters: Sequence[int | None] | NDArray[np.int64],
    ) -> csr_array:
        """Profiles of past cases, each by the model that never saw its shop, at unit length.

        rows: raw features, cases x features. numbers: name -> column of `rows`. Returns cases x
        `feature_names`; a case of a kind without a model has an empty row. What a case is given
        depends on that case alone, whatever else is among the rows.
        """
        taken, columns, values = [], [], []
        for one, fold, chosen, chances in self.cross_fitted(rows, numbers, kinds, clusters):
            sparse = _as_profile(chances)
            at, cure = np.nonzero(sparse)
            taken.append(chosen[at])
            columns.append(self._first_column[one.kind] + fold * len(one.classes) + cure)
            values.append(sparse[at, cure])
        shape = (rows.shape[0], len(self.feature_names))
        if not taken:
            return csr_array(shape, dtype=np.float64)
        where = (np.concatenate(taken), np.concatenate(columns))
        return csr_array((np.concatenate(values), where), shape=shape)

    def cross_fitted(
        self,
        rows: csr_array,
        numbers: Mapping[str, int],
        kinds: Sequence[str | None],
        clusters: Sequence[int | None] | NDArray[np.int64],
    ) -> Iterator[tuple[KindCures, int, NDArray[np.int64], NDArray[np.float64]]]:
        """Chances of past cases by the model that never saw their shop, as for `profiles`: kind,
        fold, places of the cases, and their chances, shape (cases, classes of the kind)."""
        folds = np.array([self.fold(cluster) for cluster in clusters], dtype=np.int64)
        number_of = {one.kind: place for place, one in enumerate(self.kinds)}
        of_kind = np.array([number_of.get(kind or "", -1) for kind in kinds], dtype=np.int64)
        for place, one in enumerate(self.kinds):
            if not (of_kind == place).any():
                continue
            translate = self._translate(one, numbers)
            for fold in range(self.folds):
                chosen = np.flatnonzero((of_kind == place) & (folds == fold))
                if len(chosen):
                    known = _renamed(rows[chosen], translate, one)
                    yield one, fold, chosen, one.chances(known, fold)

    def ask(self, features: Mapping[str, float], kind: str | None) -> list[CureAsked]:
        """The profile of a query by every model, likeliest cure first.

        features: raw features by name. Empty where the kind has no model.
        """
        asked_of = self.ask_chances(features, kind)
        if asked_of is None:
            return []
        one, chances = asked_of
        profile = _as_profile(chances)
        asked = [
            CureAsked(
                cure=cure,
                chance=float(chances[:, number].mean()),
                probes=tuple(
                    (f"{fold}|{one.kind}|{cure}", float(profile[fold, number]))
                    for fold in range(self.folds)
                    if profile[fold, number] > 0
                ),
            )
            for number, cure in enumerate(one.classes)
            if profile[:, number].any()
        ]
        return sorted(asked, key=lambda cure: (-cure.chance, cure.cure))

    def ask_chances(
        self, features: Mapping[str, float], kind: str | None
    ) -> tuple[KindCures, NDArray[np.float64]] | None:
        """Chances of a query's cures by every model, shape (folds, classes); None where the kind
        has no model."""
        one = self._by_kind.get(kind or "")
        if one is None:
            return None
        place = self._places[one.kind]
        known = sorted((place[name], value) for name, value in features.items() if name in place)
        columns = np.array([column for column, _ in known], dtype=np.int64)
        values = np.array([value for _, value in known], dtype=np.float32).astype(np.float64)
        # Of all coefficients only those of what the query has: the rest stays on disk.
        logs = np.einsum("f,kfc->kc", values, one.coefficients[:, columns]) + one.intercepts
        return one, _softmax(logs)

    def _translate(self, one: KindCures, numbers: Mapping[str, int]) -> NDArray[np.int64]:
        """Column of a segment -> feature of the kind, -1 for those without."""
        out = np.full(len(numbers), -1, dtype=np.int64)
        for place, name in enumerate(one.features):
            if (column := numbers.get(name)) is not None:
                out[column] = place
        return out

    # --- Keeping ------------------------------------------------------------------------------

    def to_arrays(self) -> dict[str, NDArray[Any]]:
        """Plain arrays, from which `from_arrays` makes an equal model."""
        about = {
            "format": FORMAT,
            "folds": self.folds,
            "fold_of": sorted(self.fold_of.items()),
            "kinds": [[one.kind, one.classes, one.features] for one in self.kinds],
        }
        text = json.dumps(about, ensure_ascii=False, separators=(",", ":"))
        coefficients = [one.coefficients.ravel() for one in self.kinds]
        intercepts = [one.intercepts.ravel() for one in self.kinds]
        return {
            CURES: np.frombuffer(text.encode(), dtype=np.uint8),
            "cures_coefficients": np.concatenate([np.empty(0, np.float32), *coefficients]),
            "cures_intercepts": np.concatenate([np.empty(0, np.float64), *intercepts]),
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, NDArray[Any]]) -> CureModel:
        """Raises ValueError where they are not of this format or don't fit together."""
        about = json.loads(arrays[CURES].tobytes())
        if about["format"] != FORMAT:
            raise ValueError(f"a model of cures of format {about['format']!r}, not {FORMAT}")
        folds, kinds, first, first_intercept = int(about["folds"]), [], 0, 0
        for kind, classes, features in about["kinds"]:
            size = folds * len(features) * len(classes)
            coefficients = arrays["cures_coefficients"][first : first + size]
            last = first_intercept + folds * len(classes)
            kinds.append(
                KindCures(
                    kind,
                    tuple(classes),
                    tuple(features),
                    coefficients.reshape(folds, len(features), len(classes)),
                    arrays["cures_intercepts"][first_intercept:last].reshape(folds, len(classes)),
                )
            )
            first, first_intercept = first + size, last
        return cls(tuple(kinds), folds, {int(shop): int(fold) for shop, fold in about["fold_of"]})

    def to_bytes(self) -> bytes:
        """Compressed, for a database."""
        buffer = io.BytesIO()
        np.savez_compressed(buffer, allow_pickle=False, **self.to_arrays())
        return buffer.getvalue()

    @classmethod
    def from_bytes(cls, data: bytes) -> CureModel:
        """Raises ValueError where they are not of this format."""
        with np.load(io.BytesIO(data), allow_pickle=False) as arrays:
            return cls.from_arrays({name: arrays[name] for name in arrays.files})

    @cached_property
    def fingerprint(self) -> str:
        digest = hashlib.sha256(f"{SHARPNESS} {LEAST_CHANCE}".encode())
        for name, values in sorted(self.to_arrays().items()):
            digest.update(name.encode() + values.tobytes())
        return digest.hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class CureAsked:
    """A cure as a query asks for it. chance: the mean of all models. probes: columns of past
    cases' profiles, and this query's values there."""

    cure: str
    chance: float
    probes: tuple[tuple[str, float], ...]


def name_cure(level: str, actions: Sequence[str] = (), *, others_too: bool = False) -> str:
    """As in component:renew_valve+renew_filter, with "+…" where other actions may have gone along;
    or the level alone. An empty name is for all the rest."""
    if not actions:
        return level
    return f"{level}:{'+'.join(actions)}{'+…' if others_too else ''}"


def _renamed(rows: csr_array, translate: NDArray[np.int64], one: KindCures) -> csr_array:
    """With this kind's features as columns, in their order: sums don't depend on a segment's."""
    columns = translate[rows.indices]
    known = columns >= 0
    ends = np.concatenate([[0], np.cumsum(known)])[rows.indptr]
    out = csr_array(
        (rows.data[known], columns[known], ends), shape=(rows.shape[0], len(one.features))
    )
    out.sort_indices()
    return out


def _softmax(logs: NDArray[np.float64]) -> NDArray[np.float64]:
    odds = np.exp(logs - logs.max(axis=1, keepdims=True))
    shares: NDArray[np.float64] = odds / odds.sum(axis=1, keepdims=True)
    return shares


def _as_profile(chances: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rows of chances, sharpened and at unit length; small ones are 0."""
    kept = np.where(
        chances >= np.minimum(LEAST_CHANCE, chances.max(axis=1, keepdims=True)), chances, 0.0
    )
    sharp = kept**SHARPNESS
    out: NDArray[np.float64] = sharp / np.sqrt((sharp * sharp).sum(axis=1, keepdims=True))
    return out
