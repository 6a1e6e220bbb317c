"""What must be said beside a number: one plain sentence per key. Pure."""

from __future__ import annotations

from typing import Final

# Keys are stable: the API prints them, the pages print the sentence. Order of importance.
CAVEATS: Final[dict[str, str]] = {
    "pool_too_small": (
        "Fewer than three shops have shared cases so far: too few for percentages. What similar "
        "cases there are can be read one by one."
    ),
    "no_similar_cases": "No shared case is similar enough to count.",
    "family_evidence_only": (
        "Hardly any similar case tried this; the figure comes from repairs on related units, not "
        "from cases like yours."
    ),
    "no_evidence": "Neither similar cases nor related units tell how this holds, so no figure.",
    "few_cases": "Few similar cases stand behind this: one more could change the figure.",
    "few_shops": "All similar cases come from one or two shops; others may see it differently.",
    "one_shop_dominates": (
        "More than half of the weight comes from one shop's cases: its habits show in the figure."
    ),
    "thin_follow_up": (
        "Of most of these repairs nobody knows yet whether they held that long; the figure leans "
        "on the few that were followed."
    ),
    "not_followed_so_long": (
        "None of these repairs has been followed that long, so the figure comes from repairs on "
        "related units. Ask for fewer days."
    ),
    "no_overlap": (
        "The vehicles that got this repair looked clearly different at intake from those that did "
        "not: don't compare it with the others."
    ),
    "old_cases": (
        "More than half of the weight comes from cases over five years old; parts and methods may "
        "have changed since."
    ),
    "conflicting_evidence": (
        "Codes, symptoms and checks point to different repairs; look again at what does not fit."
    ),
    "generic_codes_only": (
        "The codes read are standard ones, which name the circuit; the maker's own codes would "
        "tell more."
    ),
    "observational": (
        "The worse cases tend to get the bigger repair, so levels can't be compared as if by lot."
    ),
}
