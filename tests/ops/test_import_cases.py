"""`import_cases`: a bad line harms no other, a repeat doubles nothing, a crash loses nothing."""

from __future__ import annotations

import gzip
import json
from datetime import date

import pytest
from django.core.management import CommandError, call_command

from casebook.cases import imports
from casebook.cases.models import Case
from casebook.cases.services import create_cases
from casebook.errors import Conflict
from casebook.shops.tenancy import acting_for
from tests.factories import case_data

HEADER = (
    "shop_reference;opened_on;year;make;model;odometer;odometer_unit;unit_kind;complaint;codes;"
    "symptoms;attempt_on;attempt_level;attempt_parts_cost;attempt_currency;attempt_result"
)
GOOD = (
    "C-1;2026-03-02;2019;Corvane;Parcel 300;131000;km;ac_system;blows warm;P0534 P0532;"
    "warm_air@idle+hot;2026-03-03;service;60.00;EUR;fixed"
)
CSV = f"""\
{HEADER}
{GOOD}
C-2;2026-03-05;20x9;Corvane;;;;ac_system;hot;;;;;;;
C-3;05.03.2026;2019;Corvane;;;;ac_system;hot;;;;;;;
C-4;2026-03-05;2019;Corvane
"""


def references(shop):
    with acting_for(shop.pk):
        return sorted(Case.objects.values_list("shop_reference", flat=True))


def faults(path):
    return [json.loads(line) for line in path.read_text().splitlines()]


def write_ndjson(path, lines):
    path.write_text("".join(json.dumps(line) + "\n" for line in lines))
    return path


def test_good_lines_are_stored_and_bad_ones_told_with_their_line(shop, tmp_path):
    path = tmp_path / "cases.ndjson"
    good = [case_data(shop_reference=f"N-{i}") for i in range(3)]
    lines = [json.dumps(good[0]), "{broken", json.dumps(case_data(unit={"kind": "toaster"}))]
    lines += [json.dumps(good[1]), "", json.dumps(good[0]), json.dumps(good[2])]
    path.write_text("\n".join(lines))
    call_command("import_cases", str(shop.pk), str(path))
    assert references(shop) == ["N-0", "N-1", "N-2"]
    told = faults(tmp_path / "cases.ndjson.errors.ndjson")
    assert [(fault["line"], fault["errors"][0]["pointer"]) for fault in told] == [
        (2, ""),
        (3, "/unit/kind"),
        (6, "/shop_reference"),
    ]


def test_csv_with_its_faults(shop, tmp_path):
    path = tmp_path / "cases.csv"
    path.write_text(CSV)
    call_command("import_cases", shop.name, str(path))
    with acting_for(shop.pk):
        case = Case.objects.get()
        assert case.code_list == ["P0532", "P0534"]
        assert case.symptoms[0]["when"] == ["idle", "hot"]
        assert case.attempts.get().parts_cost == 60
    told = faults(tmp_path / "cases.csv.errors.ndjson")
    assert [(fault["line"], fault["errors"][0]["pointer"]) for fault in told] == [
        (3, "/year"),
        (4, "/opened_on"),
        (5, ""),
    ]


def test_the_same_file_again_stores_nothing_twice(shop, tmp_path):
    path = write_ndjson(tmp_path / "a.ndjson", [case_data(shop_reference="")])
    call_command("import_cases", str(shop.pk), str(path))
    call_command("import_cases", str(shop.pk), str(path))
    assert references(shop) == [""]


def test_a_run_that_died_goes_on_where_it_stopped(shop, tmp_path, monkeypatch):
    lines = [case_data(shop_reference="") for _ in range(7)]
    lines[1]["unit"] = {"kind": "toaster"}
    path = write_ndjson(tmp_path / "a.ndjson", lines)
    monkeypatch.setattr(imports, "BATCH", 2)
    calls = []

    def die_at_the_third(**arguments):
        calls.append(1)
        if len(calls) == 3:
            raise KeyboardInterrupt
        return create_cases(**arguments)

    monkeypatch.setattr(imports, "create_cases", die_at_the_third)
    with pytest.raises(KeyboardInterrupt):
        call_command("import_cases", str(shop.pk), str(path))
    assert len(references(shop)) == 3
    call_command("import_cases", str(shop.pk), str(path))
    assert len(references(shop)) == 6
    assert [fault["line"] for fault in faults(tmp_path / "a.ndjson.errors.ndjson")] == [2]


def test_two_imports_of_one_file_at_once_do_not_store_it_twice(shop):
    first, second = (imports.start_import(shop=shop, file_hash="same") for _ in range(2))
    lines = [(number, case_data(shop_reference="")) for number in (1, 2)]

    def go_on(run):
        imports.import_lines(
            shop=shop, run=run, lines=lines, today=date(2026, 11, 25), refuse=lambda *_: None
        )

    go_on(first)
    with pytest.raises(Conflict, match="being imported"):
        go_on(second)
    assert len(references(shop)) == 2


def test_gzip_is_read(shop, tmp_path):
    path = tmp_path / "a.ndjson.gz"
    path.write_bytes(gzip.compress(json.dumps(case_data()).encode()))
    call_command("import_cases", str(shop.pk), str(path))
    assert len(references(shop)) == 1


@pytest.mark.parametrize(
    "name, content, says",
    [
        ("cases.xls", b"", "must end in"),
        ("missing.csv", None, "No such file"),
        ("latin.csv", "year,make,unit_kind\n2019,Citro\xebn,engine\n".encode("latin-1"), "utf-8"),
        ("header.csv", b"year,make,unit_kind,colour\n", "no such column"),
        ("broken.ndjson.gz", b"not gzip", "gzip"),
    ],
)
def test_what_can_not_be_read_is_said_in_one_line(shop, tmp_path, name, content, says):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    with pytest.raises(CommandError) as refused:
        call_command("import_cases", str(shop.pk), str(tmp_path / name))
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)
    assert references(shop) == []
