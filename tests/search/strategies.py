"""Small random cases that often share things, so that ties, gaps and matches are all common."""

from hypothesis import strategies as st

from search.core import Design, Scale

WORDS = "warm air town idle shudder shuddr clutch slips cold noise A/C 2.0 grinds é ab 12v".split()
DESIGN = Design(
    replacements={"a/c": "air conditioning", "shuddr": "shudder", "the": "", "no go": "stalls"},
    scales={
        "fluid": Scale(results=("clean", "dark", "burnt", "metal")),
        "pressure": Scale(centres=(0.0, 50.0, 100.0, 200.0)),
    },
)

optional = lambda strategy: st.none() | strategy  # noqa: E731

codes = st.fixed_dictionaries(
    {"code": st.sampled_from(["P0741", "P0740", "P0534", "U0100"])},
    optional={
        "failure_type": st.none() | st.sampled_from(["62", "17"]),
        "family": st.sampled_from(["P0740", "P0530"]),
        "subsystem": st.sampled_from(["transmission", "hvac"]),
    },
)
symptoms = st.fixed_dictionaries(
    {"key": st.sampled_from(["slips", "warm_air", "noise"])},
    optional={"when": st.lists(st.sampled_from(["hot", "cold", "idle"]), max_size=2)},
)
findings = st.one_of(
    st.fixed_dictionaries(
        {
            "check": st.sampled_from(["fluid", "smell", "other"]),
            "result": st.sampled_from(["clean", "dark", "burnt", "metal", "odd"]),
        }
    ),
    st.fixed_dictionaries(
        {
            "check": st.sampled_from(["pressure", "unscaled"]),
            "value": st.sampled_from([-5.0, 0.0, 12.5, 50.0, 99.0, 180.0, 400.0]),
        }
    ),
)
evidence = st.fixed_dictionaries(
    {},
    optional={
        "complaint": st.lists(st.sampled_from(WORDS), max_size=5).map(" ".join),
        "codes": st.lists(codes, max_size=2),
        "symptoms": st.lists(symptoms, max_size=3),
        "findings": st.lists(findings, max_size=3),
        "make": st.sampled_from(["Corvane", "corvane", "Altmar", ""]),
        "model": optional(st.sampled_from(["Parcel 300", "PARCEL-300", "City"])),
        "engine": optional(st.sampled_from(["2.0 diesel", "1.2 petrol", "diesel"])),
        "drive": optional(st.sampled_from(["front", "all"])),
        "unit_kind": optional(st.sampled_from(["ac_system", "engine"])),
        "unit_family": optional(st.sampled_from(["KX-7", "kx7", "Z1"])),
        "age_years": optional(st.sampled_from([0.0, 2.5, 7.0, 11.0, 40.0])),
        "odometer_km": optional(st.sampled_from([0.0, 90_000.0, 131_000.0, 900_000.0])),
        "year": optional(st.integers(2015, 2018)),
        "with_outcome": st.booleans(),
        "cluster": st.integers(1, 3),
    },
)


def numbered(cases, first=0):
    return [case | {"id": f"{first + i:04d}"} for i, case in enumerate(cases)]
