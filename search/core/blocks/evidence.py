"""Codes, symptoms and what checks showed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any, ClassVar

from search.core.design import Scale
from search.core.reading import (
    Addition,
    Bag,
    Evidence,
    Feature,
    Item,
    ItemBlock,
    View,
    soft_bins,
    unit_length,
)


class Codes(Bag):
    """A code, with its failure type; its circuit family, so that neighbours are near; its
    subsystem. The strengths say how much each step away from the exact code is worth."""

    name = "codes"
    part = "codes"
    slot = "codes"
    STRENGTHS: ClassVar[Mapping[str, float]] = {
        "code": 1.0,
        "failure_type": 0.4,
        "family": 0.6,
        "subsystem": 0.3,
    }

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        # As a whole: codes share families.
        codes = case.get("codes")
        if not codes:
            return ()
        read = [
            (c["code"], c.get("failure_type"), c.get("family"), c.get("subsystem")) for c in codes
        ]
        return [(tuple(read), case)]

    def _named(self, view: View) -> Iterator[tuple[str, str, str]]:
        """(kind, name, code as shown) of every feature."""
        for code in view.listed("codes"):
            shown = code["code"]
            yield "code", shown, shown
            if code.get("failure_type"):
                exact = f"{shown}-{code['failure_type']}"
                yield "failure_type", exact, exact
            for kind in ("family", "subsystem"):
                if code.get(kind):
                    yield kind, code[kind], shown

    def strengths(self, view: View) -> dict[str, float]:
        return {self.key(kind, name): self.STRENGTHS[kind] for kind, name, _ in self._named(view)}

    def spoken(self, view: View) -> dict[str, str]:
        # The subsystem alone is too far away to be shown as a match of the code.
        return {
            self.key(kind, name): shown
            for kind, name, shown in self._named(view)
            if kind != "subsystem"
        }

    def slots(self, view: View) -> list[str]:
        return ["codes"] if view.listed("codes") else []

    def additions(self, query: View, case: View) -> Iterator[Addition]:
        # Whoever reads codes reads them all: another code of the case is a difference.
        codes = case.listed("codes")
        if codes and not query.listed("codes"):
            shows = tuple(tuple(code.get(kind) for kind in self.STRENGTHS) for code in codes)
            yield Addition("codes", "", shows, {"codes": codes})


class Symptoms(ItemBlock):
    """A symptom, with the conditions under which it shows as finer terms."""

    name = "symptoms"
    part = "symptoms"
    SYMPTOM_SHARE: ClassVar[float] = 0.5  # the rest is for the conditions

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        symptoms = case.get("symptoms") or ()
        if len({s["key"] for s in symptoms}) < len(symptoms):  # noted in several goes
            symptoms = [{"key": key, "when": when} for key, when in _conditions(symptoms).items()]
        return [((s["key"], *(s.get("when") or ())), {"symptoms": (s,)}) for s in symptoms]

    def _read(self, view: View) -> dict[str, list[str]]:
        return _conditions(view.listed("symptoms"))

    def features(self, view: View) -> Iterator[Feature]:
        for key, when in self._read(view).items():
            yield Feature(self.key(key))
            # "?" where no condition is noted: silent about them, not different.
            for condition in when or ["?"]:
                yield Feature(self.key(key, condition))

    def slots(self, view: View) -> list[str]:
        return ["symptoms"] if view.listed("symptoms") else []

    def additions(self, query: View, case: View) -> Iterator[Addition]:
        known = self._read(query)
        for key, when in self._read(case).items():
            if key not in known:
                fragment = {"symptoms": [{"key": key, "when": when}]}
                yield Addition("symptoms", key, tuple(when), fragment)

    def items(self, view: View) -> list[Item]:
        out = []
        for key, when in self._read(view).items():
            feature = self.key(key)
            rarity = ((feature, 1.0),)
            share = self.SYMPTOM_SHARE if when else 1.0
            out.append(
                Item(key, share, ((feature, 1.0),), rarity, among="symptoms", slot="symptoms")
            )
            out.extend(
                Item(
                    said=f"{key} ({condition})",
                    weight=(1.0 - share) / len(when),
                    probes=((self.key(key, condition), 1.0),),
                    rarity=rarity,
                    among="symptoms",
                    slot="symptoms",
                    silent_by=self.key(key, "?"),
                )
                for condition in when
            )
        return out


def _conditions(symptoms: Iterable[Mapping[str, Any]]) -> dict[str, list[str]]:
    """Each symptom, with all conditions noted for it."""
    conditions: dict[str, dict[str, None]] = {}
    for symptom in symptoms:
        seen = conditions.setdefault(symptom["key"], {})
        seen.update(dict.fromkeys(symptom.get("when") or ()))
    return {key: list(when) for key, when in conditions.items()}


class Findings(ItemBlock):
    """What checks showed. A check that came out normal is a result; one not done is silence."""

    name = "findings"
    part = "findings"
    told_from = 0.75  # a neighbouring result counts, but is not what the user said
    NO_SCALE: ClassVar[Scale] = Scale()

    def __init__(self, scales: Mapping[str, Scale], neighbour_alikeness: float) -> None:
        self.scales = scales
        self.neighbour_alikeness = neighbour_alikeness

    def evidence(self, case: Mapping[str, Any]) -> Evidence:
        # One result per check: the last one noted counts.
        last = {f["check"]: f for f in case.get("findings") or ()}
        return [
            ((check, f.get("result"), f.get("value")), {"findings": (f,)})
            for check, f in last.items()
        ]

    def _read(self, view: View) -> dict[str, Mapping[str, Any]]:
        # One result per check: the last one noted counts.
        return {finding["check"]: finding for finding in view.listed("findings")}

    def _bins(self, check: str, finding: Mapping[str, Any]) -> list[tuple[str, float]]:
        """Features of a result and their shares, which add up to 1."""
        scale = self.scales.get(check, self.NO_SCALE)
        value = finding.get("value")
        if value is None:
            return [(self.key(check, str(finding["result"])), 1.0)]
        if not scale.centres:
            return [(self.key(check, f"{value:.10g}"), 1.0)]
        return [(self.key(check, f"#{i}"), share) for i, share in soft_bins(value, scale.centres)]

    def features(self, view: View) -> Iterator[Feature]:
        for check, finding in self._read(view).items():
            yield Feature(self.key(check))
            bins = self._bins(check, finding)
            for (feature, value), (_, share) in zip(unit_length(bins), bins, strict=True):
                yield Feature(feature, value, mass=share)

    def slots(self, view: View) -> list[str]:
        return []

    def additions(self, query: View, case: View) -> Iterator[Addition]:
        known = self._read(query)
        for check, finding in self._read(case).items():
            if check not in known:
                shows = (finding.get("result"), finding.get("value"))
                yield Addition("findings", check, shows, {"findings": [finding]})

    def items(self, view: View) -> list[Item]:
        return [self._item(check, finding) for check, finding in self._read(view).items()]

    def _item(self, check: str, finding: Mapping[str, Any]) -> Item:
        bins = self._bins(check, finding)
        probes = dict(unit_length(bins))
        value = finding.get("value")
        if value is None:
            probes |= self._neighbours(check, str(finding["result"]))
        shown = finding["result"] if value is None else format(value, ".10g")
        return Item(
            said=f"{check}: {finding.get('said') or shown}",
            weight=1.0,
            probes=tuple(probes.items()),
            rarity=tuple(bins),
            among=self.key(check),
            recorded_by=self.key(check),
        )

    def _neighbours(self, check: str, result: str) -> dict[str, float]:
        ordered = self.scales.get(check, self.NO_SCALE).results
        if result not in ordered or not self.neighbour_alikeness:
            return {}
        at = ordered.index(result)
        return {
            self.key(check, ordered[i]): self.neighbour_alikeness
            for i in (at - 1, at + 1)
            if 0 <= i < len(ordered)
        }
