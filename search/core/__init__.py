"""Case similarity: finds the most similar cases, exactly, and says why. Knows no Django.

    from search.core import CaseIndex, Design

    index = CaseIndex.build(cases, design=Design())
    index.save(directory)
    index = CaseIndex.open(directory).with_tail(newer_cases, removed_ids)
    for hit in index.search({"complaint": "blows warm in town"}, limit=20):
        print(hit.id, hit.similarity, hit.parts)

`compare_shares` says why a hit stands above the next, `find_missing` what a case records and the
query lacks, with what saying it would add, `find_unknown` what of a query no case has ever had.

A case is a plain mapping; every key but `id` may be missing or None:

    {"id": "0197…", "complaint": "Blows warm in town",
     "codes": [{"code": "P0534", "failure_type": "62", "family": "P0530", "subsystem": "hvac"}],
     "symptoms": [{"key": "warm_air", "when": ["idle", "hot"]}],
     "findings": [{"check": "dye_inspection", "result": "seepage"},
                  {"check": "low_side_pressure", "value": 110.0}],
     "make": "Corvane", "model": "Parcel 300", "engine": "2.0 diesel", "drive": "front",
     "unit_kind": "ac_system", "unit_family": "KX-7", "age_years": 7.0, "odometer_km": 131000.0,
     "year": 2019, "with_outcome": True, "cluster": 17}

(the last three are for filters only, as are unit_kind and make besides their use in blocks). A
query has the same form; it may say how an amount was given, for the explanations ("said":
{"odometer_km": "81000 mi", "age_years": "2019"}, and in a finding "said": "16 psi"). Values of a
number check stand in the unit of its scale.

The similarity
--------------
Blocks b (see `search.core.blocks`) have weights ω_b > 0 and a credit π_b in [0, 1] for what a
case does not record. B is the set of blocks for which the *query* has evidence, and

    similarity(q, d) = Σ_{b∈B} w_b · [ s_b(q, d) + π_b · n_b(q, d) ],   w_b = ω_b / Σ_{B} ω

where s_b is how alike the two are in b, n_b the share of the query's evidence in b about which
the case is silent, and s_b + n_b ≤ 1. So silence of the query is never held against a case
(the weights are renormalised), and silence of a case costs something but less than a
contradiction. The terms w_b·s_b are the parts shown for b; Σ_b w_b·π_b·n_b is the part
`not_recorded`. All are ≥ 0, they add up to the similarity, and it lies in [0, 1]. A case compared
with itself has s_b = 1 in every block, hence similarity 1.

Text is read the same on both sides: folded, split, brought to the words of the trade table
(`search.core.text`), and compared by stems (`search.core.stemming`); groups of letters are taken
from the words as spelt. A query's word that hardly any case has, one slip away from one that many
have, is read as that one, and words run together or apart as the cases have them
(`search.core.spelling`); what is shown as matched stays as it was written.

Two kinds of block fill in s and n:

*Bags* (words, word_pairs, letters, codes) are compared by cosine. A feature f has the strength
x_f (words: 1 + ln count; codes: fixed by how exact the feature is) and the weight x_f·idf_f,

    idf_f = ln((1 + N) / (1 + df_f)) + 1,

N the number of cases that record the block's slot, df_f the number of those with f; a feature
never seen has df 0, so that what the index doesn't know still counts in the length of the query.
s_b is the dot product of the two vectors at unit length; n_b is 1 where the case records nothing
there (its complaint is empty, it has no codes), else 0.

*Items* (symptoms, findings, vehicle, unit, age, odometer) compare over what the query has. The
query's items i have weights ι_i; s_b = Σ ι_i·s_i / Σ ι_i and n_b = Σ ι_i·n_i / Σ ι_i, with
s_i in [0, 1] how alike the case's value is and n_i = 1 where the case doesn't record i (the check
was not done: another thing than done and normal). What else the case has does not matter.

    finding      s_i = 1 for the same result, `neighbour_alikeness` for the next one of an ordered
                 check, 0 otherwise. A number is read against soft bins (two triangular weights t
                 that add up to 1, at unit length); s_i = t_q·t_d/(|t_q||t_d|).
                 ι_i = Σ_r t_r·(ln((1+N_c)/(1+df_r)) + 1) over the results (bins) of i, among the
                 N_c cases in which that check was done: a usual result says less than a rare one.
    symptom      ι_i likewise, among the cases that record symptoms. With conditions, a fixed share
                 of it stands for the symptom and the rest is spread over the conditions; a symptom
                 that a case notes without conditions is silent about those. A case that lists
                 symptoms, but not this one, is not silent: s_i = n_i = 0.
    vehicle, unit, age, odometer   ι_i fixed; equal or not, or soft bins.

A third kind is learned: *cures*, what would probably cure the case (`search.core.profile`).
Models fitted to resolved cases take the evidence to the chances p of the cures of its unit kind,
and s_b is the cosine of p² of both sides. A past case is described by the model that has not seen
its shop, so that its own resolution has no part in it; a query is compared with each case under
that case's model. n_b is 1 for a case whose unit kind has no model; a query of such a kind has no
evidence here.

Everything is linear in the case's stored values, so one sparse dot product computes it:

    similarity = Σ_f c_f(q)·v_f(d) + base(q) + Σ_slots r_s(q)·[d silent in s] + Σ_f e_f(q)·v_f(d)

with c ≥ 0 for likeness and (base, r, e) for credit. Only cases with Σ c_f·v_f > 0, that is with
something in common with the query, are answers. Values v are stored as float32; sums are taken in
float64 in the order of the query's terms, whatever the number of segments; similarity is rounded
to 1e-7 and ties are broken by id, smallest first. Statistics (N, df) are those of the built index
and stay as they are for the tail, until the next build.

Weights are set by hand (`search.core.design`) until `search.core.tuning` learns better ones.
"""

from search.core.design import Design, Scale
from search.core.explain import Part, compare_shares
from search.core.index import CaseIndex, Hit
from search.core.missing import Missing, find_missing
from search.core.postings import Filters
from search.core.recognition import Unknown, find_unknown
from search.core.storage import IndexDamaged

__all__ = [
    "CaseIndex",
    "Design",
    "Filters",
    "Hit",
    "IndexDamaged",
    "Missing",
    "Part",
    "Scale",
    "Unknown",
    "compare_shares",
    "find_missing",
    "find_unknown",
]
