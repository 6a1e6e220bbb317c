"""The similarity once more, the slow and obvious way: one pair at a time, dictionaries and loops.

Follows the formulas in the docstring of `search.core` and shares nothing with its code but the
reading of text into tokens (tested by itself).
"""

from __future__ import annotations

import itertools
import math
from collections import Counter

from search.core.text import Normaliser

PARTS = {"words": "text", "word_pairs": "text", "letters": "text"}
CODE_STRENGTHS = {"code": 1.0, "failure_type": 0.4, "family": 0.6, "subsystem": 0.3}
NAME_SHARES = {
    "unit": {"unit_kind": 0.6, "unit_family": 0.4},
    "vehicle": {"make": 0.3, "model": 0.4, "engine": 0.2, "drive": 0.1},
}


def plain(text):
    return "".join(ch for ch in (text or "").lower() if ch.isalnum())


def tokens(case, design):
    return Normaliser(design.replacements).read(case.get("complaint") or "")


def bag_features(case, block, design):
    words = [token.word for token in tokens(case, design)]
    if block == "words":
        counts = Counter(words)
    elif block == "word_pairs":
        counts = Counter(itertools.pairwise(words))
    elif block == "letters":
        counts = Counter(
            f"_{word}_"[i : i + 3]
            for _, _, word in tokens(case, design)
            if len(word) >= 3 and any(ch.isalpha() for ch in word)
            for i in range(len(word))
        )
    else:
        strengths = {}
        for code in case.get("codes") or []:
            strengths["code", code["code"]] = CODE_STRENGTHS["code"]
            if code.get("failure_type"):
                strengths["type", code["code"], code["failure_type"]] = CODE_STRENGTHS[
                    "failure_type"
                ]
            for kind in ("family", "subsystem"):
                if code.get(kind):
                    strengths[kind, code[kind]] = CODE_STRENGTHS[kind]
        return strengths
    return {feature: 1 + math.log(count) for feature, count in counts.items()}


def idf(n, df):
    return math.log((1 + n) / (1 + df)) + 1


def records_bag(case, block, design):
    return bool(case.get("codes")) if block == "codes" else bool(tokens(case, design))


def bag(query, case, block, corpus, design):
    """(alike, silent), or None where the query has nothing there."""
    asked = bag_features(query, block, design)
    if not asked:
        return None
    if not records_bag(case, block, design):
        return 0.0, 1.0
    there = bag_features(case, block, design)
    n = sum(records_bag(other, block, design) for other in corpus)
    all_features = [bag_features(other, block, design) for other in corpus]
    weights = {
        f: idf(n, sum(f in other for other in all_features)) for f in set(asked) | set(there)
    }
    dot = sum(asked[f] * there[f] * weights[f] ** 2 for f in set(asked) & set(there))
    length = [math.sqrt(sum((x * weights[f]) ** 2 for f, x in v.items())) for v in (asked, there)]
    return (dot / (length[0] * length[1]) if dot else 0.0), 0.0


def triangles(value, centres):
    if value <= centres[0]:
        return {0: 1.0}
    if value >= centres[-1]:
        return {len(centres) - 1: 1.0}
    out = {}
    for i, (low, high) in enumerate(itertools.pairwise(centres)):
        if low <= value <= high:
            share = (value - low) / (high - low)
            out = {k: w for k, w in ((i, 1 - share), (i + 1, share)) if w}
    return out


def bins_alike(one, two):
    dot = sum(one[i] * two.get(i, 0.0) for i in one)
    return dot / math.sqrt(sum(x * x for x in one.values()) * sum(x * x for x in two.values()))


def mean(items):
    """Weighted (alike, silent) over (weight, alike, silent)."""
    total = sum(weight for weight, _, _ in items)
    return (
        sum(w * a for w, a, _ in items) / total,
        sum(w * s for w, _, s in items) / total,
    )


def symptoms_of(case):
    out = {}
    for symptom in case.get("symptoms") or []:
        out.setdefault(symptom["key"], set()).update(symptom.get("when") or [])
    return out


def symptoms(query, case, corpus):
    asked, there = symptoms_of(query), symptoms_of(case)
    if not asked:
        return None
    all_symptoms = [symptoms_of(other) for other in corpus]
    n = sum(bool(other) for other in all_symptoms)
    items = []
    for key, when in asked.items():
        weight = idf(n, sum(key in other for other in all_symptoms))
        silent = float(not there)
        items.append((weight * (0.5 if when else 1.0), float(key in there), silent))
        for condition in when:
            alike = float(key in there and condition in there[key])
            unsaid = float(not there or (key in there and not there[key]))
            items.append((weight * 0.5 / len(when), alike, unsaid))
    return mean(items)


def findings_of(case):
    return {finding["check"]: finding for finding in case.get("findings") or []}


def result_bins(finding, scale):
    """Result -> share; a number's bins."""
    if finding.get("value") is None:
        return {finding["result"]: 1.0}
    if not scale or not scale.centres:
        return {f"{finding['value']:.10g}": 1.0}
    return {f"#{i}": w for i, w in triangles(finding["value"], scale.centres).items()}


def result_alike(asked, there, scale, design):
    one, two = result_bins(asked, scale), result_bins(there, scale)
    if asked.get("value") is None and there.get("value") is None and scale:
        names = (asked["result"], there["result"])
        if all(name in scale.results for name in names):
            apart = abs(scale.results.index(names[0]) - scale.results.index(names[1]))
            return {0: 1.0, 1: design.neighbour_alikeness}.get(apart, 0.0)
    return bins_alike(one, two)


def findings(query, case, corpus, design):
    asked, there = findings_of(query), findings_of(case)
    if not asked:
        return None
    items = []
    for check, finding in asked.items():
        scale = design.scales.get(check)
        done = [f for f in (findings_of(other).get(check) for other in corpus) if f]
        weight = sum(
            share * idf(len(done), sum(result_bins(f, scale).get(name, 0.0) for f in done))
            for name, share in result_bins(finding, scale).items()
        )
        alike = result_alike(finding, there[check], scale, design) if check in there else 0.0
        items.append((weight, alike, float(check not in there)))
    return mean(items)


def words_of(case, field):
    text = case.get(field) or ""
    pieces = text.split() if field == "engine" else [text]
    return {plain(piece) for piece in pieces} - {""}


def names(query, case, block):
    items = []
    for field, share in NAME_SHARES[block].items():
        asked, there = words_of(query, field), words_of(case, field)
        items += [(share / len(asked), float(word in there), float(not there)) for word in asked]
    return mean(items) if items else None


def amount(query, case, field, centres):
    if query.get(field) is None:
        return None
    if case.get(field) is None:
        return 0.0, 1.0
    return bins_alike(triangles(query[field], centres), triangles(case[field], centres)), 0.0


def compare(query, case, corpus, design):
    """Parts of the similarity by the name under which they are shown; `corpus` gives N and df."""
    seen = {
        block: bag(query, case, block, corpus, design)
        for block in ("words", "word_pairs", "letters", "codes")
    }
    seen["symptoms"] = symptoms(query, case, corpus)
    seen["findings"] = findings(query, case, corpus, design)
    seen["unit"] = names(query, case, "unit")
    seen["vehicle"] = names(query, case, "vehicle")
    seen["age"] = amount(query, case, "age_years", design.age_centres_years)
    seen["odometer"] = amount(query, case, "odometer_km", design.odometer_centres_km)
    seen = {b: s for b, s in seen.items() if s is not None and design.weights.get(b, 0) > 0}
    total = sum(design.weights[block] for block in seen)
    parts = Counter()
    for block, (alike, silent) in seen.items():
        weight = design.weights[block] / total
        parts[PARTS.get(block, block)] += weight * alike
        parts["not_recorded"] += weight * silent * design.credits.get(block, 0.0)
    return {part: share for part, share in parts.items() if share > 0}


def passes(case, filters):
    return (
        (filters.unit_kind is None or case.get("unit_kind") == filters.unit_kind)
        and (filters.make is None or plain(case.get("make")) == plain(filters.make))
        and (
            filters.year_min is None
            or (case.get("year") is not None and case["year"] >= filters.year_min)
        )
        and (
            filters.year_max is None
            or (case.get("year") is not None and case["year"] <= filters.year_max)
        )
        and (not filters.with_outcome or bool(case.get("with_outcome")))
        and (
            filters.exclude_cluster is None or (case.get("cluster") or 0) != filters.exclude_cluster
        )
    )


def rank(query, cases, corpus, design, filters):
    """[(similarity, id, parts)] of all cases that have something in common, best first."""
    out = []
    for case in cases:
        parts = compare(query, case, corpus, design)
        if passes(case, filters) and set(parts) - {"not_recorded"}:
            out.append((round(sum(parts.values()), 7), case["id"], parts))
    return sorted(out, key=lambda hit: (-hit[0], hit[1]))
