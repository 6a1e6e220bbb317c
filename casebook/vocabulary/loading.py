"""Reads the data files into a Vocabulary and says all that is wrong with them at once.

The shape of a file is the shape that people edit:

- `units.toml`, `conditions.toml`, `preconditions.toml`, `cautions.toml`: one table per key;
- `symptoms/*.toml`, `checks/*.toml`, `actions/*.toml`: one table per key; `unit_kinds` at the
  top of a file holds for every term that does not say its own; "@name" in it stands for a group
  of `units.toml`, [] for any kind;
- a check's results are `["key", "label", severity]`, the severity left out where a result points
  somewhere without being better or worse.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, Final

from casebook.vocabulary.reading import Faults, Table
from casebook.vocabulary.terms import (
    CHECK_KINDS,
    LEVELS,
    Action,
    Caution,
    Check,
    CheckKind,
    Condition,
    Precondition,
    Rename,
    Result,
    Symptom,
    Unit,
)
from casebook.vocabulary.vocabulary import Vocabulary

DATA_DIR: Final = Path(__file__).parent / "data"


class VocabularyError(Exception):
    """The data files do not hang together; `faults` lists every place."""

    def __init__(self, faults: tuple[str, ...]) -> None:
        self.faults = faults
        super().__init__("\n".join(faults))


@cache
def load_vocabulary() -> Vocabulary:
    """The vocabulary that Casebook ships, read once per process."""
    return read_vocabulary(DATA_DIR)


def read_vocabulary(data_dir: Path) -> Vocabulary:
    """Reads a folder of data files. Raises VocabularyError with every fault found."""
    faults = Faults()
    reader = _Reader(data_dir, faults)
    vocabulary = reader.read()
    faults.extend(_broken_references(vocabulary))
    if faults:
        raise VocabularyError(tuple(faults))
    edition = _read_toml(data_dir / "vocabulary.toml").get("edition")
    if not isinstance(edition, str):
        raise VocabularyError(("vocabulary.toml: edition must be text.",))
    return replace(vocabulary, version=f"{edition}+{_digest(vocabulary)}")


def _read_toml(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except tomllib.TOMLDecodeError as error:
        raise VocabularyError((f"{path.name}: {error}",)) from error


def _digest(vocabulary: Vocabulary) -> str:
    document = json.dumps(vocabulary.as_document(), sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(document.encode()).hexdigest()[:12]


class _Reader:
    def __init__(self, data_dir: Path, faults: Faults) -> None:
        self._dir = data_dir
        self._faults = faults
        self._groups: dict[str, tuple[str, ...]] = {}

    def read(self) -> Vocabulary:
        units = self._units()
        return Vocabulary(
            version="",
            units=units,
            conditions={t.key: self._condition(t) for t in self._tables("conditions.toml")},
            preconditions={
                t.key: self._precondition(t) for t in self._tables("preconditions.toml")
            },
            cautions=self._cautions(),
            symptoms={t.key: self._symptom(t) for t in self._theme("symptoms")},
            checks={t.key: self._check(t) for t in self._theme("checks")},
            actions={t.key: self._action(t) for t in self._theme("actions")},
            renames=self._renames(),
        )

    def _tables(self, name: str) -> Iterator[Table]:
        for key, value in _read_toml(self._dir / name).items():
            yield Table(f"{name}: {key}", key, value, self._faults)

    def _theme(self, theme: str) -> Iterator[Table]:
        """The tables of all files of a theme, each with its file's default unit kinds."""
        seen: dict[str, str] = {}
        for path in sorted((self._dir / theme).glob("*.toml")):
            data = _read_toml(path)
            default = data.pop("unit_kinds", [])
            for key, value in data.items():
                where = f"{theme}/{path.name}: {key}"
                if key in seen:
                    self._faults.add(where, f"is already in {seen[key]}.")
                seen[key] = path.name
                body = {"unit_kinds": default, **value} if isinstance(value, Mapping) else value
                yield Table(where, key, body, self._faults)

    def _units(self) -> dict[str, Unit]:
        data = _read_toml(self._dir / "units.toml")
        self._groups = {name: tuple(kinds) for name, kinds in data.get("groups", {}).items()}
        tables = [
            Table(f"units.toml: {key}", key, value, self._faults)
            for key, value in data.get("units", {}).items()
        ]
        return {
            t.key: t.finish(
                Unit(
                    key=t.key,
                    label=t.text("label"),
                    synonyms=t.texts("synonyms"),
                    meaning=t.text("meaning"),
                    subkinds=t.texts("subkinds"),
                )
            )
            for t in tables
        }

    def _condition(self, t: Table) -> Condition:
        return t.finish(Condition(t.key, t.text("label"), t.texts("synonyms"), t.text("meaning")))

    def _precondition(self, t: Table) -> Precondition:
        return t.finish(Precondition(t.key, t.text("label")))

    def _cautions(self) -> dict[str, Caution]:
        data = _read_toml(self._dir / "cautions.toml")
        deferring = data.pop("deferring", "")
        if not isinstance(deferring, str) or not deferring:
            self._faults.add("cautions.toml", "needs the sentence `deferring`.")
        tables = [Table(f"cautions.toml: {k}", k, v, self._faults) for k, v in data.items()]
        return {
            t.key: t.finish(Caution(t.key, t.text("label"), f"{t.text('text')} {deferring}"))
            for t in tables
        }

    def _kinds(self, t: Table) -> tuple[str, ...]:
        kinds: list[str] = []
        for name in t.texts("unit_kinds"):
            if not name.startswith("@"):
                kinds.append(name)
            elif name[1:] in self._groups:
                kinds.extend(self._groups[name[1:]])
            else:
                t.fault(f"{name} is no group of units.toml.")
        return tuple(dict.fromkeys(kinds))

    def _symptom(self, t: Table) -> Symptom:
        return t.finish(
            Symptom(
                key=t.key,
                label=t.text("label"),
                unit_kinds=self._kinds(t),
                synonyms=t.texts("synonyms"),
                meaning=t.text("meaning"),
            )
        )

    def _check(self, t: Table) -> Check:
        kind = t.choice("kind", CHECK_KINDS)
        number = kind == "number"
        results = () if number else _results(t)
        return t.finish(
            Check(
                key=t.key,
                label=t.text("label"),
                kind=_check_kind(kind),
                minutes=t.whole("minutes"),
                unit_kinds=self._kinds(t),
                results=results,
                unit=t.optional_text("unit") if number else None,
                hard=t.pair("hard") if number else None,
                soft=t.pair("soft") if number else None,
                soft_24v=t.optional_pair("soft_24v") if number else None,
                bins=t.numbers("bins") if number else (),
                cautions=t.required_texts("cautions"),
                normal=_normal(t, results),
                before=t.texts("before"),
                synonyms=t.texts("synonyms"),
                meaning=t.text("meaning"),
                source=t.optional_text("source") or "common practice, no source",
            )
        )

    def _action(self, t: Table) -> Action:
        return t.finish(
            Action(
                key=t.key,
                label=t.text("label"),
                levels=(t.choice("level", LEVELS),),
                unit_kinds=self._kinds(t),
                cautions=t.required_texts("cautions"),
                synonyms=t.texts("synonyms"),
            )
        )

    def _renames(self) -> tuple[Rename, ...]:
        rows = _read_toml(self._dir / "renames.toml").get("renames", [])
        tables = [
            Table(f"renames.toml: {row.get('old', '?')}", str(row.get("old")), row, self._faults)
            for row in rows
        ]
        return tuple(
            t.finish(
                Rename(
                    theme=t.choice("theme", ("symptoms", "checks", "actions", "conditions")),
                    old=t.text("old"),
                    new=t.text("new"),
                    since=t.text("since"),
                    reason=t.text("reason"),
                )
            )
            for t in tables
        )


def _check_kind(kind: str) -> CheckKind:
    return "ordinal" if kind == "ordinal" else "number" if kind == "number" else "category"


def _results(t: Table) -> tuple[Result, ...]:
    results = []
    for row in t.rows("results"):
        texts = (
            isinstance(row, list)
            and len(row) in (2, 3)
            and all(isinstance(part, str) and part for part in row[:2])
        )
        severity = row[2] if texts and len(row) == 3 else None
        if not texts or not (severity is None or 0 <= _number(severity) <= 1):
            t.fault(f'result {row!r}: write ["key", "label", severity from 0 to 1].')
            continue
        results.append(Result(row[0], row[1], None if severity is None else _number(severity)))
    keys = [result.key for result in results]
    if len(results) < 2:
        t.fault("needs two results at least.")
    if len(set(keys)) < len(keys):
        t.fault("has two results of one key.")
    return tuple(results)


def _number(value: object) -> float:
    """As a float; a value that is none becomes NaN, which fails every comparison."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return float("nan")


def _normal(t: Table, results: tuple[Result, ...]) -> str | None:
    keys = [result.key for result in results]
    said = t.optional_text("normal")
    if said is None:
        return "normal" if "normal" in keys else None
    if said not in keys:
        t.fault(f"normal: {said} is none of its results.")
    return said


def _broken_references(vocabulary: Vocabulary) -> Iterator[str]:
    """Every key that a term names must exist."""
    terms: list[Symptom | Check | Action] = [
        *vocabulary.symptoms.values(),
        *vocabulary.checks.values(),
        *vocabulary.actions.values(),
    ]
    for term in terms:
        for kind in term.unit_kinds:
            if kind not in vocabulary.units:
                yield f"{term.key}: {kind} is no unit kind."
        for caution in () if isinstance(term, Symptom) else term.cautions:
            if caution not in vocabulary.cautions:
                yield f"{term.key}: {caution} is no caution."
    for check in vocabulary.checks.values():
        for key in check.before:
            if key not in vocabulary.preconditions:
                yield f"{check.key}: {key} is no precondition."
        if check.kind == "number":
            yield from _number_faults(check)
    yield from _rename_faults(vocabulary)


def _number_faults(check: Check) -> Iterator[str]:
    if check.hard is None or check.soft is None:
        yield f"{check.key}: a number needs hard and soft."
    elif not check.hard[0] <= check.soft[0] < check.soft[1] <= check.hard[1]:
        yield f"{check.key}: soft must lie within hard, low before high."
    if check.soft_24v and check.hard and not check.hard[0] <= check.soft_24v[0] < check.soft_24v[1]:
        yield f"{check.key}: soft_24v must lie within hard, low before high."
    if len(check.bins) < 2 or list(check.bins) != sorted(set(check.bins)):
        yield f"{check.key}: bins must be two or more ascending numbers."


def _rename_faults(vocabulary: Vocabulary) -> Iterator[str]:
    themes: dict[str, Mapping[str, object]] = {
        "symptoms": vocabulary.symptoms,
        "checks": vocabulary.checks,
        "actions": vocabulary.actions,
        "conditions": vocabulary.conditions,
    }
    for rename in vocabulary.renames:
        known = themes.get(rename.theme, {})
        if rename.new not in known:
            yield f"renames.toml: {rename.new} is not in {rename.theme}."
        if rename.old in known:
            yield f"renames.toml: {rename.old} is still in {rename.theme}."
