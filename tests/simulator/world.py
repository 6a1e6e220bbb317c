"""The world's facts, drawn from a seed, and the cases that come out of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.simulator.language import Language

Floats = NDArray[np.float64]

KINDS, CAUSES, GROUPS = 8, 12, 4
MAKES, MODELS_EACH = 6, 4
MODELS = MAKES * MODELS_EACH
FILLING, OF_KIND = 80, 50  # concepts
SYMPTOMS, CONDITIONS = 14, 4
CODE_FAMILIES, CODES_EACH = 6, 3
STRAY_CODE = 0.02  # per family, whatever the cause
CHECKS = 10
MISREAD = 0.05
AGES = 21
ODOMETER_SPREAD = 0.35
SHARE_OF_LEVEL = {"service": 0.25, "component": 0.35, "overhaul": 0.25, "replacement": 0.15}
SAME_CAUSE, SAME_LEVEL = 2.0, 0.25


@dataclass(frozen=True)
class Check:
    """way: ordinal, category or number. chances: of each result given the cause, shape
    (CAUSES, results); of a number its mean given the cause, shape (CAUSES,), spread 1."""

    name: str
    way: str
    chances: Floats


@dataclass(frozen=True)
class UnitKind:
    """Chances given the cause along axis 0; prior: of the causes given the model,
    shape (MODELS, CAUSES)."""

    name: str
    levels: list[str]
    actions: list[str]
    prior: Floats
    concepts: Floats  # (CAUSES, FILLING + KINDS * OF_KIND)
    symptoms: Floats  # (CAUSES, SYMPTOMS)
    conditions: Floats  # (CAUSES, SYMPTOMS, CONDITIONS)
    families: Floats  # (CAUSES, CODE_FAMILIES)
    codes: Floats  # (CAUSES, CODE_FAMILIES, CODES_EACH)
    checks: list[Check]
    ages: Floats  # (CAUSES, AGES)
    wear: Floats  # (CAUSES,), shift of the log odometer


@dataclass(frozen=True)
class Shop:
    """Habits: chances of noting, doing and slipping."""

    number: int
    reads_codes: float
    notes_symptom: float
    notes_condition: float
    does_check: Floats  # (KINDS, CHECKS)
    notes_odometer: float
    notes_family: float
    slip_rate: float
    words: float
    favourites: list[int]


@dataclass(frozen=True)
class Simulated:
    """case: what is visible, in the form that `search.core` reads. The rest is hidden."""

    case: dict[str, Any]
    kind: int
    model: int
    cause: int
    level: str
    action: str
    meant: list[int]


def gain(one: Simulated, other: Simulated) -> float:
    """Relevance of one case to another."""
    if one.kind != other.kind:
        return 0.0
    if one.cause == other.cause:
        return SAME_CAUSE
    return SAME_LEVEL if one.level == other.level else 0.0


class World:
    """Everything follows from the seed.

    cause_shows: False for a world in which the cause, and so what cures, has nothing to do with
    anything visible (the evidence comes from another cause). Nothing can be learned there.
    """

    def __init__(self, seed: int, *, shops: int = 50, cause_shows: bool = True) -> None:
        self._cause_shows = cause_shows
        self._rng = np.random.default_rng(seed)
        self.language = Language.invent(FILLING + KINDS * OF_KIND, self._rng)
        self.kinds = [_draw_kind(number, self._rng) for number in range(KINDS)]
        self.shops = [self._draw_shop(number) for number in range(shops)]
        self._shop_share = self._rng.dirichlet(np.full(shops, 2.0))
        self._kind_share = self._rng.dirichlet(np.full(KINDS, 5.0))

    def cases(self, count: int) -> list[Simulated]:
        return [self._draw_case(number) for number in range(count)]

    def _draw_shop(self, number: int) -> Shop:
        rng = self._rng
        return Shop(
            number=number,
            reads_codes=float(rng.beta(6, 2)),
            notes_symptom=float(rng.beta(5, 3)),
            notes_condition=float(rng.beta(3, 3)),
            does_check=rng.beta(1.2, 3.0, size=(KINDS, CHECKS)),
            notes_odometer=float(rng.beta(8, 2)),
            notes_family=float(rng.beta(4, 3)),
            slip_rate=float(rng.beta(2, 18)),
            words=float(rng.uniform(3, 9)),
            favourites=self.language.favourites(rng),
        )

    def _draw_case(self, number: int) -> Simulated:
        rng = self._rng
        shop = self.shops[int(rng.choice(len(self.shops), p=self._shop_share))]
        at = int(rng.choice(KINDS, p=self._kind_share))
        kind, model = self.kinds[at], int(rng.integers(MODELS))
        cause = int(rng.choice(CAUSES, p=kind.prior[model]))
        meant = rng.choice(
            kind.concepts.shape[1], size=2 + rng.poisson(shop.words), p=kind.concepts[cause]
        ).tolist()
        said = [self.language.say(c, shop.favourites, shop.slip_rate, rng) for c in meant]
        age = int(rng.choice(AGES, p=kind.ages[cause]))
        noted = rng.random() < shop.notes_odometer
        log_km = _usual_log_km(age) + kind.wear[cause] + ODOMETER_SPREAD * rng.normal()
        case = {
            "id": f"{number:08x}",
            "complaint": " ".join(said),
            "codes": _draw_codes(kind, cause, shop, rng),
            "symptoms": _draw_symptoms(kind, cause, shop, rng),
            "findings": _draw_findings(kind, at, cause, shop, rng),
            "make": f"Make{model // MODELS_EACH}",
            "model": f"Model{model}",
            "unit_kind": kind.name,
            # Families go with makes: they repeat what the make tells.
            "unit_family": f"{kind.name}-{model // MODELS_EACH % 3}"
            if rng.random() < shop.notes_family
            else None,
            "age_years": float(age),
            "odometer_km": float(np.exp(log_km)) if noted else None,
            "cluster": shop.number,
        }
        if not self._cause_shows:
            cause = int(rng.choice(CAUSES, p=kind.prior.mean(axis=0)))
        return Simulated(case, at, model, cause, kind.levels[cause], kind.actions[cause], meant)


def _usual_log_km(age_years: int) -> float:
    return float(np.log(15_000.0 * (age_years + 0.5)))


def _draw_kind(number: int, rng: np.random.Generator) -> UnitKind:
    group = rng.permutation(np.arange(CAUSES) % GROUPS)
    levels = rng.choice(list(SHARE_OF_LEVEL), size=CAUSES, p=list(SHARE_OF_LEVEL.values()))
    base = rng.normal(0, 0.8, size=CAUSES)
    return UnitKind(
        name=f"kind{number}",
        levels=[str(level) for level in levels],
        actions=[f"kind{number}-{level}-{cause}" for cause, level in enumerate(levels)],
        prior=_shares(base + rng.normal(0, 0.7, size=(MODELS, CAUSES))),
        concepts=_draw_concepts(number, group, rng),
        symptoms=_sigmoid(_by_group(group, rng, -1.8, 1.5, 0.8, SYMPTOMS)),
        conditions=_shares(rng.normal(0, 1.0, size=(CAUSES, SYMPTOMS, CONDITIONS))),
        families=_sigmoid(_by_group(group, rng, -2.8, 1.6, 0.8, CODE_FAMILIES)),
        codes=_shares(rng.normal(0, 1.0, size=(CAUSES, CODE_FAMILIES, CODES_EACH))),
        checks=[_draw_check(number, check, rng) for check in range(CHECKS)],
        ages=_shares(-0.5 * ((np.arange(AGES) - rng.uniform(3, 14, size=(CAUSES, 1))) / 4.0) ** 2),
        wear=rng.normal(0, 0.25, size=CAUSES),
    )


def _draw_concepts(number: int, group: NDArray[np.int_], rng: np.random.Generator) -> Floats:
    filling = rng.dirichlet(np.full(FILLING, 0.5))
    of_kind = rng.dirichlet(np.full(OF_KIND, 0.5))
    of_group = rng.dirichlet(np.full(OF_KIND, 0.1), size=GROUPS)
    of_cause = rng.dirichlet(np.full(OF_KIND, 0.1), size=CAUSES)
    chances = np.zeros((CAUSES, FILLING + KINDS * OF_KIND))
    chances[:, :FILLING] = 0.4 * filling
    first = FILLING + number * OF_KIND
    chances[:, first : first + OF_KIND] = 0.25 * of_kind + 0.2 * of_group[group] + 0.15 * of_cause
    return chances


def _draw_check(kind: int, number: int, rng: np.random.Generator) -> Check:
    name = f"kind{kind}-check{number}"
    if number < 5:
        # Ordered: results near a place that depends on the cause are the likelier ones.
        place = rng.uniform(-0.5, 3.5, size=(CAUSES, 1))
        return Check(name, "ordinal", _shares(-0.8 * (np.arange(4) - place) ** 2))
    if number < 8:
        return Check(name, "category", _shares(rng.normal(0, 1.2, size=(CAUSES, 3))))
    return Check(name, "number", rng.normal(0, 1.0, size=CAUSES))


def _by_group(
    group: NDArray[np.int_],
    rng: np.random.Generator,
    centre: float,
    between: float,
    within: float,
    features: int,
) -> Floats:
    """Log odds by cause that differ much between groups and little within."""
    of_group = rng.normal(centre, between, size=(GROUPS, features))
    return of_group[group] + rng.normal(0, within, size=(CAUSES, features))


def _draw_codes(
    kind: UnitKind, cause: int, shop: Shop, rng: np.random.Generator
) -> list[dict[str, str]]:
    if rng.random() >= shop.reads_codes:
        return []
    out = []
    for family in range(CODE_FAMILIES):
        fires = rng.random() < kind.families[cause, family]
        if fires:
            code = int(rng.choice(CODES_EACH, p=kind.codes[cause, family]))
        elif rng.random() < STRAY_CODE:
            code = int(rng.integers(CODES_EACH))
        else:
            continue
        name = f"{kind.name}-f{family}"
        out.append({"code": f"{name}-{code}", "family": name, "subsystem": kind.name})
    return out


def _draw_symptoms(
    kind: UnitKind, cause: int, shop: Shop, rng: np.random.Generator
) -> list[dict[str, Any]]:
    out = []
    for symptom in range(SYMPTOMS):
        if rng.random() >= kind.symptoms[cause, symptom] * shop.notes_symptom:
            continue
        when = []
        if rng.random() < shop.notes_condition:
            condition = rng.choice(CONDITIONS, p=kind.conditions[cause, symptom])
            when = [f"when{condition}"]
        out.append({"key": f"{kind.name}-s{symptom}", "when": when})
    return out


def _draw_findings(
    kind: UnitKind, at: int, cause: int, shop: Shop, rng: np.random.Generator
) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for number, check in enumerate(kind.checks):
        if rng.random() >= shop.does_check[at, number]:
            continue
        if check.way == "number":
            value = float(check.chances[cause] + rng.normal())
            out.append({"check": check.name, "value": value})
            continue
        chances = check.chances[cause]
        misread = rng.random() < MISREAD
        result = rng.integers(len(chances)) if misread else rng.choice(len(chances), p=chances)
        out.append({"check": check.name, "result": f"r{result}"})
    return out


def _sigmoid(log_odds: Floats) -> Floats:
    return 1.0 / (1.0 + np.exp(-log_odds))


def _shares(logits: Floats) -> Floats:
    """Along the last axis, adding up to 1."""
    odds = np.exp(logits - logits.max(axis=-1, keepdims=True))
    return odds / odds.sum(axis=-1, keepdims=True)
