"""The invented world as its files tell it: read once, checked, handed out as frozen values."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from casebook.ops.demo.voices import Lexicon, Voice

FOLDER = Path(__file__).parent / "world"
_CAUSE_OF_PART = re.compile(r"([a-z]+(?:_[a-z]+)+): (.+)")
FUELS = ("diesel", "petrol", "electric")
_THINKABLE = 0.05
CHANGING_LEVELS = ("service", "component", "overhaul", "replacement")


@dataclass(frozen=True)
class Scale:
    """A quantity that goes from `light` to `bad` as a fault gets worse."""

    light: float
    bad: float

    def at(self, severity: float) -> float:
        """severity: 0 slight, 1 as bad as it gets."""
        return self.light + (self.bad - self.light) * severity

    @classmethod
    def read(cls, value: float | Sequence[float]) -> Scale:
        if isinstance(value, int | float):
            return cls(float(value), float(value))
        light, bad = value
        return cls(float(light), float(bad))


@dataclass(frozen=True)
class Reading:
    """What a check shows: weights of its results, or a number around `mean`."""

    results: Mapping[str, Scale]
    mean: Scale | None = None
    spread: float = 0.0

    @classmethod
    def read(cls, table: Mapping[str, Any]) -> Reading:
        if "mean" in table:
            return cls({}, Scale.read(table["mean"]), float(table["spread"]))
        return cls({result: Scale.read(weight) for result, weight in table.items()})


@dataclass(frozen=True)
class CheckHabit:
    """How often a check is made before the repair, and what it shows where all is well.

    of: how the unit families begin that have what is checked; empty where all have.
    """

    done: float
    normal: Reading
    unit: str
    of: tuple[str, ...] = ()

    def fits(self, family: str) -> bool:
        return not self.of or family.startswith(self.of)


@dataclass(frozen=True)
class Bill:
    """What an action costs: EUR for parts and hours of work, each from low to high."""

    parts: tuple[float, float]
    hours: tuple[float, float]


@dataclass(frozen=True)
class Sign:
    """A symptom: how often a fault shows it, and under which conditions."""

    shown: Scale
    when: Mapping[str, float]


@dataclass(frozen=True)
class Cure:
    """fixes: share put right at delivery; back: comebacks a year among those."""

    fixes: Scale
    back: Scale


@dataclass(frozen=True)
class Cause:
    """As entered in the end; `part` is the action that shows it, "" where any may."""

    part: str
    text: str

    @classmethod
    def read(cls, told: str) -> Cause:
        match = _CAUSE_OF_PART.match(told)
        return cls(match[1], match[2]) if match else cls("", told)


@dataclass(frozen=True)
class Fault:
    """A root cause that nobody sees directly."""

    key: str
    weight: float
    age: float
    km: float
    severity: float
    takes: str
    families: Mapping[str, float]
    makers: Mapping[str, float]
    codes: Mapping[str, Scale]
    symptoms: Mapping[str, Sign]
    findings: Mapping[str, Reading]
    teardown: Mapping[str, Reading]
    cures: Mapping[str, Cure]
    actions: Mapping[str, Sequence[Sequence[str]]]
    tells: Sequence[str]
    causes: Sequence[Cause]

    def is_thinkable(self, family: str) -> bool:
        """Whether anybody would think of it: nobody suspects the pump of electric steering."""
        return self.families.get(family, 1.0) >= _THINKABLE


@dataclass(frozen=True)
class UnitKind:
    """A kind of unit with all that can go wrong with it and how people talk about it.

    levels: how gladly each is chosen, in log-odds; around: own words for a theme of phrases.toml.
    """

    key: str
    share: float
    season: Sequence[float]
    module: Sequence[str]
    part_names: Sequence[str]
    strays: Mapping[str, float]
    levels: Mapping[str, Scale]
    checks: Mapping[str, CheckHabit]
    faults: Sequence[Fault]
    when: Mapping[str, Sequence[str]]
    around: Mapping[str, Sequence[str]]
    says: Mapping[str, Sequence[str]]
    seen: Mapping[str, Mapping[str, Sequence[str]]]
    did: Mapping[str, Sequence[str]]


@dataclass(frozen=True)
class Use:
    km_a_year: float
    typical_age: float


@dataclass(frozen=True)
class Build:
    """One combination of make, model, engine and gearbox that left a factory."""

    make: str
    model: str
    engine: str
    use: str
    share: float
    price: float
    years: tuple[int, int]
    drives: Sequence[str]
    fits: Mapping[str, str]

    @property
    def fuel(self) -> str:
        """What the unit kinds tell apart; a hybrid burns petrol."""
        return next((fuel for fuel in FUELS if fuel in self.engine), "petrol")


@dataclass(frozen=True)
class Workshop:
    """An invented shop and its habits; shops.toml says what each means."""

    name: str
    region: str
    size: float
    rate: float
    leans: Mapping[str, float]
    checks: float
    reads: float
    opens_up: float
    calls: float
    skill: float
    prices: float
    confirms: float
    voices: Sequence[str]
    likes: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class World:
    """kinds: by unit kind and fuel, since diesels have no spark plugs to look at."""

    uses: Mapping[str, Use]
    builds: Mapping[str, Sequence[Build]]
    shops: Sequence[Workshop]
    kinds: Mapping[str, Mapping[str, UnitKind]]
    bills: Mapping[str, Bill]
    voices: Mapping[str, Voice]
    lexicon: Lexicon
    when: Mapping[str, Sequence[str]]
    around: Mapping[str, Sequence[str]]
    after: Mapping[str, Sequence[str]]
    fill: Mapping[str, Sequence[str]]
    says: Mapping[str, Sequence[str]]
    did: Mapping[str, Sequence[str]]


@lru_cache(maxsize=1)
def load_world() -> World:
    """Raises KeyError, ValueError or TypeError where a file does not keep to its form."""
    fleet, phrases, voices = (_read(f"{name}.toml") for name in ("fleet", "phrases", "voices"))
    files = {path.stem: _read_files(path.name) for path in sorted(FOLDER.glob("kinds/*.toml"))}
    builds = {key: _builds_with(fleet["makes"], data) for key, data in files.items()}
    kinds = {key: _read_variants(data, builds[key]) for key, data in files.items()}
    return World(
        uses={name: Use(**use) for name, use in fleet["uses"].items()},
        builds=builds,
        shops=[Workshop(**shop) for shop in _read("shops.toml")["shops"]],
        kinds=kinds,
        bills={
            action: Bill((low, high), (least, most))
            for action, (low, high, least, most) in _read("bills.toml").items()
        },
        voices={name: _read_voice(name, table) for name, table in voices["voices"].items()},
        lexicon=Lexicon.of(voices["short"], voices["slips"]),
        when=phrases["when"],
        around=phrases["around"],
        after=phrases["after"],
        fill=phrases["fill"],
        says=phrases["says"],
        did=phrases["did"],
    )


def _read(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / name).read_text(encoding="utf-8"))


def _read_voice(name: str, table: Mapping[str, Any]) -> Voice:
    lists = {key: tuple(value) for key, value in table.items() if isinstance(value, list)}
    return Voice(name=name, **{**table, **lists})


def _builds_with(makes: Sequence[Mapping[str, Any]], kind: Mapping[str, Any]) -> list[Build]:
    """Everything on the road that carries this kind of unit, with the drives that have one."""
    builds = [
        build
        for make in makes
        for model in make["models"]
        for engine in model["engines"]
        for build in _builds_of(make, model, make["engines"][engine])
        if kind["kind"] in build.fits
    ]
    return [_driven(build, kind["drives"]) for build in builds] if "drives" in kind else builds


def _driven(build: Build, drives: Sequence[str]) -> Build:
    having = [drive for drive in build.drives if drive in drives]
    # A model is built as often with one drive as with another.
    return replace(build, drives=having, share=build.share * len(having) / len(build.drives))


def _builds_of(
    make: Mapping[str, Any], model: Mapping[str, Any], engine: Mapping[str, Any]
) -> list[Build]:
    gearboxes = engine.get("gearboxes", model["gearboxes"])
    all_boxes = sum(gearboxes.values())
    builds = []
    for gearbox, share in gearboxes.items():
        kind, _, family = gearbox.partition(" ")
        builds.append(
            Build(
                make=make["name"],
                model=model["name"],
                engine=engine["name"],
                use=model["use"],
                share=make["share"] * model["share"] / len(model["engines"]) * share / all_boxes,
                price=make["price"],
                years=(model["years"][0], model["years"][1]),
                drives=model["drives"],
                fits={**engine["fits"], **model["fits"], **({kind: family} if family else {})},
            )
        )
    return builds


def _read_files(name: str) -> dict[str, Any]:
    return _read(f"kinds/{name}") | _read(f"talk/{name}")


def _read_variants(data: Mapping[str, Any], builds: Sequence[Build]) -> dict[str, UnitKind]:
    """The kind as each fuel has it that carries it."""
    burnt = {build.fuel for build in builds}
    return {fuel: _read_kind(_for_fuel(data, fuel)) for fuel in FUELS if fuel in burnt}


def _for_fuel(node: Any, fuel: str) -> Any:
    """Without the tables and words that are of another fuel alone."""
    if isinstance(node, Mapping):
        return {
            key: _for_fuel(value, fuel)
            for key, value in node.items()
            if key != "only" and _is_for(value, fuel)
        }
    if isinstance(node, list):
        return [_for_fuel(value, fuel) for value in node if _is_for(value, fuel)]
    return node.removeprefix(f"{fuel}: ") if isinstance(node, str) else node


def _is_for(node: Any, fuel: str) -> bool:
    if isinstance(node, Mapping):
        return bool(node.get("only", fuel) == fuel)
    others = tuple(f"{other}: " for other in FUELS if other != fuel)
    return not (isinstance(node, str) and node.startswith(others))


def _read_kind(data: Mapping[str, Any]) -> UnitKind:
    return UnitKind(
        key=data["kind"],
        share=data["share"],
        season=data.get("season", [1.0] * 12),
        module=data.get("module", [""]),
        part_names=data["part_names"],
        strays=data.get("strays", {}),
        levels={name: Scale.read(pull) for name, pull in data["levels"].items()},
        checks={
            key: CheckHabit(
                float(check["done"]),
                Reading.read(check["normal"]),
                check.get("unit", ""),
                tuple(check.get("of", ())),
            )
            for key, check in data["checks"].items()
        },
        faults=[_read_fault(fault) for fault in data["faults"]],
        when=data.get("when", {}),
        around=data.get("around", {}),
        says=data["says"],
        seen=data.get("seen", {}),
        did=data["did"],
    )


def _read_fault(fault: Mapping[str, Any]) -> Fault:
    return Fault(
        key=fault["key"],
        weight=float(fault["weight"]),
        age=float(fault.get("age", 0.0)),
        km=float(fault.get("km", 0.0)),
        severity=float(fault["severity"]),
        takes=fault["takes"],
        families=fault.get("families", {}),
        makers=fault.get("makers", {}),
        codes={code: Scale.read(share) for code, share in fault.get("codes", {}).items()},
        symptoms={key: _read_sign(sign) for key, sign in fault["symptoms"].items()},
        findings={key: Reading.read(t) for key, t in fault.get("findings", {}).items()},
        teardown={key: Reading.read(t) for key, t in fault.get("teardown", {}).items()},
        cures={
            level: Cure(Scale.read(cure["fixes"]), Scale.read(cure["back"]))
            for level, cure in fault["cures"].items()
        },
        actions={
            level: [way.split(" + ") for way in ways]
            for level, ways in fault["actions"].items()
            if ways
        },
        tells=fault.get("tells", []),
        causes=[Cause.read(told) for told in fault["causes"]],
    )


def _read_sign(sign: Any) -> Sign:
    if not isinstance(sign, Mapping):
        return Sign(Scale.read(sign), {})
    when = {key: float(share) for key, share in sign.items() if key != "shown"}
    return Sign(Scale.read(sign["shown"]), when)
