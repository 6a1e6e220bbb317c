"""What the answer stands on, as the page says it."""

from __future__ import annotations

from typing import Any

from casebook.web.grounds import present_grounds, present_paths, say_later

LEVELS = [
    {"level": "service", "holds": 0.58, "interval": [0.45, 0.7], "tried": 60},
    {"level": "component", "holds": 0.8, "interval": [0.7, 0.9], "tried": 40},
]


def entry(item: dict[str, Any], without: float | None, points_to: str | None = None) -> Any:
    shift = None if without is None else round(0.58 - without, 4)
    levels = [{"level": "component", "holds_without": 0.7, "shift": 0.1}]
    return {
        "item": item,
        "service_holds_without": without,
        "shift": shift,
        "levels": levels,
        "points_to": points_to,
    }


def outlook(*entries: Any, **changes: Any) -> dict[str, Any]:
    return {"levels": LEVELS, "evidence": list(entries), "agreement": None} | changes


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u2060", "")


def test_what_moves_the_figure_most_comes_first_with_the_figure_without_it() -> None:
    grounds = present_grounds(
        outlook(
            entry({"code": "P0533"}, 0.61),
            entry({"check": "dye_inspection", "result": "seepage"}, 0.66),
            entry({"symptom": "warm_air", "when": ["hot"]}, 0.585),
        ),
        "a year",
    )
    assert [item.name for item in grounds.items] == [
        "Look for dye with the lamp: seepage at a joint",
        "P0533",
    ]
    assert plain(grounds.items[0].said) == "lowers the figure: without it 66 %"
    assert grounds.little == "Hardly moves it: blows warm (hot)."


def test_the_figure_that_is_moved_stands_with_its_span_and_count() -> None:
    figure = present_grounds(outlook(entry({"code": "P0533"}, 0.61)), "a year").figure
    assert plain(figure) == (
        "Service tried first holds a year: 58 %, likely 45–70 %, tried in 60 cases."
    )


def test_where_service_has_no_figure_the_next_level_is_told() -> None:
    levels = [LEVELS[0] | {"holds": None, "interval": None}, LEVELS[1]]
    told = outlook(entry({"code": "P0533"}, None), levels=levels)
    grounds = present_grounds(told, "a year")
    assert grounds.figure.startswith("Component tried first")
    assert plain(grounds.items[0].said) == "raises the figure: without it 70 %"


def test_what_a_thing_is_seen_with_is_no_cause() -> None:
    grounds = present_grounds(outlook(entry({"code": "P0533"}, 0.58, "component")), "a year")
    assert grounds.items[0].said == "more often seen in cases put right by one part"


def test_things_at_odds_are_a_warning_and_say_what_to_do() -> None:
    agreement = {
        "verdict": "conflict",
        "sentence": "The codes point to a service, the checks point to one part.",
        "of": 41,
    }
    grounds = present_grounds(outlook(agreement=agreement), "a year")
    assert grounds.conflict
    assert grounds.agreement.endswith("Look again at what does not fit.")
    assert "41 cases" in grounds.agreement
    unclear = present_grounds(outlook(agreement=agreement | {"verdict": "unclear"}), "a year")
    assert unclear.agreement == ""


def test_numbers_age_and_distance_are_named_as_they_were_said() -> None:
    items = (
        {"check": "low_side_pressure", "value": 95.0, "unit": "kPa"},
        {"age_years": 8.2},
        {"odometer_km": 148_200.0},
    )
    little = present_grounds(outlook(*(entry(item, 0.58) for item in items)), "a year").little
    assert plain(little) == (
        "Hardly moves it: low-side pressure, running: 95 kPa; its age (8 years); its 148 200 km."
    )


def test_nothing_entered_or_no_outlook_shows_nothing() -> None:
    assert not present_grounds({}, "a year")
    assert not present_grounds(outlook(), "a year")


def test_ways_that_repairs_went_are_counted_never_rated() -> None:
    paths = [
        {"steps": ["service", "component"], "cases": 12, "of": 60, "share": 0.2, "resolved": 9},
        {"steps": ["none"], "cases": 1, "of": 60, "share": 0.01, "resolved": 0},
    ]
    first, last = present_paths({"paths": paths})
    assert (first.steps, first.of) == ("Service, then component", "12 of 60")
    assert first.resolved == "known to have done it in 9"
    assert last.steps == "No repair"


def test_later_life_is_one_sentence_with_spans_and_count() -> None:
    later = {
        "other_major_fault": {"probability": 0.14, "interval": [0.08, 0.22]},
        "gone": {"probability": None, "interval": None},
        "cases": 143,
    }
    assert plain(say_later({"later": later}, "a year")) == (
        "Within a year, of 143 vehicles near it in age and mileage: another major fault in 14 % "
        "(likely 8–22 %)."
    )
    later["other_major_fault"] = {"probability": None, "interval": None}
    assert say_later({"later": later}, "a year") == ""
