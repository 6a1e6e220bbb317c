"""Shops and cases of an invented trade, from a seed: the same ones every time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from casebook.ops.demo.dice import Dice
from casebook.ops.demo.history import next_workday, tell_story
from casebook.ops.demo.intake import (
    Bay,
    draw_codes,
    draw_findings,
    draw_symptoms,
    draw_teardown,
    note_symptoms,
    tell_complaint,
)
from casebook.ops.demo.telling import tell_cause, write_notes
from casebook.ops.demo.vehicles import (
    describe_vehicle,
    draw_ailment,
    draw_vehicle,
    weigh_kinds,
)
from casebook.ops.demo.world import Workshop, World, load_world

YEARS_BACK = 3
_DAYS_BACK = YEARS_BACK * 365
_ROLES = ("technician", "manager", "analyst")


@dataclass(frozen=True)
class DemoPerson:
    email: str
    role: str


@dataclass(frozen=True)
class DemoShop:
    name: str
    region: str
    people: Sequence[DemoPerson]


@dataclass(frozen=True)
class DemoWorld:
    """cases: (index into shops, case as the API takes it); in no order of time, read once."""

    shops: Sequence[DemoShop]
    cases: Iterator[tuple[int, dict[str, Any]]]


def generate(*, seed: int, shops: int, cases: int, today: date) -> DemoWorld:
    """`shops` shops with `cases` cases of the last three years before `today`.

    Raises ValueError for fewer than one shop or a negative number of cases.
    """
    if shops < 1 or cases < 0:
        raise ValueError(f"need at least one shop and no negative cases, got {shops} and {cases}")
    world = load_world()
    workshops = _workshops(world, shops)
    return DemoWorld(
        shops=[_introduce(workshop) for workshop in workshops],
        cases=_cases(world, workshops, seed, cases, today),
    )


def _workshops(world: World, count: int) -> list[Workshop]:
    """The shops of the file, and branches of them where more are wanted."""
    known = world.shops
    return [
        known[i] if i < len(known) else _branch(known[i % len(known)], number=1 + i // len(known))
        for i in range(count)
    ]


def _branch(workshop: Workshop, number: int) -> Workshop:
    fields = {name: getattr(workshop, name) for name in workshop.__dataclass_fields__}
    return Workshop(**{**fields, "name": f"{workshop.name}, branch {number}"})


def _introduce(workshop: Workshop) -> DemoShop:
    # ".example" can never be anybody's address (RFC 2606).
    words = "".join(c if c.isalnum() else " " for c in workshop.name.lower()).split()
    host = "-".join(words) + ".example"
    return DemoShop(
        name=workshop.name,
        region=workshop.region,
        people=[DemoPerson(email=f"{role}@{host}", role=role) for role in _ROLES],
    )


def _cases(
    world: World, workshops: Sequence[Workshop], seed: int, count: int, today: date
) -> Iterator[tuple[int, dict[str, Any]]]:
    sizes = {i: workshop.size for i, workshop in enumerate(workshops)}
    taken: set[tuple[int, int]] = set()
    for number in range(count):
        dice = Dice(seed, number)
        at = dice.weigh(sizes)
        case = _draw_case(world, workshops[at], today, dice)
        reference = (date.fromisoformat(case["opened_on"]) - today).days * 11 + 70_000
        while (at, reference) in taken:
            reference += 1
        taken.add((at, reference))
        yield at, {"shop_reference": _reference(at, reference), **case}


def _reference(shop: int, number: int) -> str:
    """Job numbers as different shops write them."""
    return (f"{number}", f"RO-{number}", f"{number // 1000}/{number % 1000:03d}", f"J{number}")[
        shop % 4
    ]


def _draw_case(world: World, workshop: Workshop, today: date, dice: Dice) -> dict[str, Any]:
    # A trade that grows: more cases of late than three years ago.
    opened = next_workday(today - timedelta(days=int(_DAYS_BACK * dice.roll() ** 1.15)))
    opened = min(opened, today)
    key = dice.weigh(weigh_kinds(world, workshop.likes, opened.month))
    vehicle = draw_vehicle(world, key, opened, dice)
    kind = world.kinds[key][vehicle.build.fuel]
    bay = Bay(
        world=world,
        kind=kind,
        shop=workshop,
        voice=world.voices[dice.pick(workshop.voices)],
        vehicle=vehicle,
        ailment=draw_ailment(kind, vehicle, dice),
        dice=dice,
    )
    return _write_case(bay, opened, today)


def _write_case(bay: Bay, opened: date, today: date) -> dict[str, Any]:
    """The case in the form in which the API takes it; empty parts are left out."""
    dice = bay.dice
    symptoms = draw_symptoms(bay)
    codes, findings = draw_codes(bay, symptoms), draw_findings(bay)
    complaint = tell_complaint(bay, codes, symptoms, findings)
    story = tell_story(bay, opened, today, len(findings))
    if any(work.level in ("overhaul", "component") for work in story.works) and dice.chance(
        bay.shop.opens_up
    ):
        findings = findings + draw_teardown(bay)
    unit = {"kind": bay.kind.key}
    if dice.chance(0.8):
        unit["family"] = bay.family
    return _without_empty(
        {
            "opened_on": opened.isoformat(),
            "vehicle": describe_vehicle(bay.vehicle, dice),
            "unit": unit,
            "complaint": complaint,
            "notes": write_notes(bay, story),
            "codes": codes,
            "symptoms": note_symptoms(bay, symptoms),
            "findings": findings,
            "attempts": story.attempts,
            "cause": tell_cause(bay, story),
            "follow_ups": sorted(story.follow_ups, key=lambda seen: seen["on"]),
        }
    )


def _without_empty(case: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in case.items() if value not in ("", [], None)}
