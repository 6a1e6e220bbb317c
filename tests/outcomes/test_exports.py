"""Exports: the file says the same as the table, and belongs to one shop."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, OperationalError, transaction
from hypothesis import given
from hypothesis import strategies as st

from casebook.cases.models import Outbox
from casebook.errors import Conflict, NotFound
from casebook.outcomes import exports
from casebook.outcomes.exports import (
    create_export,
    describe_export,
    export_file,
    get_export,
    list_exports,
    make_export,
    remove_old_exports,
)
from casebook.outcomes.files import GROUP_COLUMNS, Column, columns_of, lines_of, write_csv
from casebook.outcomes.models import ExportJob
from casebook.outcomes.requests import GROUPS, read_export_request, read_statistics_query
from casebook.outcomes.statistics import outcome_statistics
from casebook.outcomes.tasks import run_export
from casebook.shops.tenancy import acting_for
from tests.factories import make_case, make_shop


@pytest.fixture
def folder(settings, tmp_path):
    settings.EXPORT_DIR = tmp_path / "exports"
    return settings.EXPORT_DIR


@pytest.fixture
def shops(database, folder):
    shops = [make_shop() for _ in range(4)]
    for shop in shops:
        for _ in range(3):
            make_case(shop)
    return shops


def ask(shop, **query):
    return create_export(shop=shop, request=read_export_request({"group_by": ["make"], **query}))


def key_of(job):
    return f"{job.shop_id}/{job.pk}"


def made(shop, **query):
    job = ask(shop, **query)
    make_export(key_of(job))
    return get_export(shop=shop, export_id=job.pk)


def read_back(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_an_export_waits_in_the_outbox_until_a_worker_takes_it(shops):
    job = ask(shops[0])
    assert job.state == "queued"
    assert Outbox.objects.get(topic="export").key == key_of(job)
    with pytest.raises(Conflict) as caught:
        export_file(shop=shops[0], export_id=job.pk)
    assert caught.value.code == "export_not_ready"


def test_the_file_says_what_the_table_says(shops):
    job = made(shops[0], group_by=["model", "level"], filters={"year_min": 2000})
    assert (job.state, job.error) == ("finished", "")
    path, name = export_file(shop=shops[0], export_id=job.pk)
    assert re.fullmatch(r"casebook-statistics-\d{4}-\d\d-\d\d-[0-9a-f]{8}\.csv", name)
    table = outcome_statistics(read_statistics_query(job.query))
    [line] = read_back(path)
    [row] = table["rows"]
    [level] = row["levels"]
    assert (line["make"], line["model"], line["level"]) == ("Talvera", "Cargo 2", "service")
    assert int(line["cases"]) == row["cases"] == 12
    assert line["repair_level"] == "service"
    for name_of, value in level.items():
        if name_of in ("level", "suppressed"):
            continue
        assert line[name_of] == ("" if value is None else str(value)), name_of
    assert (line["suppressed"], line["level_suppressed"]) == ("false", "false")


def test_beside_the_file_stands_what_its_columns_mean_and_how_to_make_it_again(shops):
    job = made(shops[0], filters={"make": "talvera"})
    path, _ = export_file(shop=shops[0], export_id=job.pk)
    package = json.loads((path.parent / "datapackage.json").read_text())
    [resource] = package["resources"]
    assert resource["path"] == path.name
    assert resource["bytes"] == path.stat().st_size
    assert resource["hash"] == "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()
    header = path.read_bytes().split(b"\r\n")[0].decode().split(",")
    assert [field["name"] for field in resource["schema"]["fields"]] == header
    assert all(field["description"].endswith(".") for field in resource["schema"]["fields"])
    told = package["casebook"]
    assert told["query"] == {
        "group_by": ["make"],
        "filters": {"make": "talvera"},
        "horizon_days": 365,
    }
    assert told["snapshot"]
    assert told["as_of"]
    assert told["method_version"]
    assert job.description == package


def test_the_same_query_on_the_same_pool_gives_the_same_bytes(shops):
    one, other = (made(shops[0], group_by=["code", "symptom"]) for _ in range(2))
    files = [export_file(shop=shops[0], export_id=job.pk)[0].read_bytes() for job in (one, other)]
    assert files[0] == files[1]
    assert describe_export(one)["sha256"] == describe_export(other)["sha256"]


def test_making_an_export_again_changes_nothing(shops):
    job = made(shops[0])
    make_case(shops[0])
    make_export(key_of(job))
    again = get_export(shop=shops[0], export_id=job.pk)
    assert (again.finished_at, again.description) == (job.finished_at, job.description)


def test_a_job_whose_worker_was_killed_is_made_by_the_next(shops):
    job = ask(shops[0])
    with acting_for(shops[0].pk):
        ExportJob.objects.filter(pk=job.pk).update(state="running")
    make_export(key_of(job))
    assert get_export(shop=shops[0], export_id=job.pk).state == "finished"


def test_another_shop_has_no_such_export(shops):
    job = made(shops[0])
    for call in (get_export, export_file):
        with pytest.raises(NotFound):
            call(shop=shops[1], export_id=job.pk)
        with pytest.raises(NotFound):
            call(shop=shops[0], export_id=uuid4())
    assert list_exports(shop=shops[1]) == []
    assert [other.pk for other in list_exports(shop=shops[0])] == [job.pk]


def test_the_database_itself_hides_exports_of_other_shops(shops):
    job = made(shops[0])
    assert not ExportJob.objects.exists()
    with acting_for(shops[1].pk):
        assert not ExportJob.objects.exists()
        with pytest.raises(Exception, match="row-level security"), transaction.atomic():
            ExportJob.objects.create(shop=shops[0], format="csv", query={})
        # A key that pairs one shop's name with another's job finds nothing to do.
        make_export(f"{shops[1].pk}/{job.pk}")


def test_a_table_that_can_not_be_made_fails_with_its_reason(shops, monkeypatch):
    job = ask(shops[0], group_by=["symptom"])
    monkeypatch.setattr("casebook.outcomes.statistics.MOST_ROWS", 1)
    make_export(key_of(job))
    failed = get_export(shop=shops[0], export_id=job.pk)
    assert failed.state == "failed"
    assert "more than 1 groups" in failed.error
    with pytest.raises(Conflict) as caught:
        export_file(shop=shops[0], export_id=job.pk)
    assert caught.value.code == "export_failed"


def test_a_folder_that_can_not_be_written_fails_the_job_and_leaves_no_pieces(shops, folder):
    job = ask(shops[0])
    folder.parent.mkdir(exist_ok=True)
    folder.write_text("a file where the folder should be")
    make_export(key_of(job))
    failed = get_export(shop=shops[0], export_id=job.pk)
    assert failed.state == "failed"
    assert "could not be written" in failed.error


def test_a_crash_while_writing_leaves_no_half_file(shops, folder, monkeypatch):
    job = ask(shops[0])

    def stop(*_args, **_kwargs):
        raise RuntimeError("stopped")

    monkeypatch.setattr(exports, "describe_file", stop)
    with pytest.raises(RuntimeError):
        run_export(key_of(job))
    assert [path for path in folder.rglob("*") if path.is_file()] == []
    failed = get_export(shop=shops[0], export_id=job.pk)
    assert (failed.state, failed.error) == ("failed", exports.UNEXPECTED)


def test_a_job_is_not_given_up_because_the_database_was_away(shops, monkeypatch):
    job = ask(shops[0])

    def away(_key):
        raise OperationalError("gone")

    monkeypatch.setattr("casebook.outcomes.tasks.make_export", away)
    with pytest.raises(OperationalError):
        run_export.run.__wrapped__(key_of(job))
    assert get_export(shop=shops[0], export_id=job.pk).state == "queued"


def test_old_exports_are_cleared_away_with_their_files(shops):
    old, new = made(shops[0]), made(shops[0])
    path, _ = export_file(shop=shops[0], export_id=old.pk)
    with acting_for(shops[0].pk):
        ExportJob.objects.filter(pk=old.pk).update(
            created_at=old.created_at - exports.KEEP - timedelta(days=1)
        )
    assert remove_old_exports(shop=shops[0]) == 1
    assert not path.exists()
    assert [job.pk for job in list_exports(shop=shops[0])] == [new.pk]
    assert export_file(shop=shops[0], export_id=new.pk)[0].exists()


def test_a_finished_job_must_have_a_file_and_a_failed_one_a_reason(shops):
    job = ask(shops[0])
    for state in ("finished", "failed", "lost"):
        with acting_for(shops[0].pk), pytest.raises(IntegrityError), transaction.atomic():
            ExportJob.objects.filter(pk=job.pk).update(state=state)


# --- the file --------------------------------------------------------------------------------


def written(columns, lines):
    file = io.StringIO(newline="")
    count = write_csv([Column(name, "string", "") for name in columns], lines, file)
    return file.getvalue(), count


@given(
    st.lists(
        st.fixed_dictionaries(
            {
                "a": st.none() | st.text(st.characters(exclude_categories=["Cs"])),
                "b": st.none() | st.integers() | st.booleans() | st.floats(0, 1),
            }
        )
    )
)
def test_what_is_written_can_be_read_back_and_no_cell_is_a_formula(lines):
    text, count = written(["a", "b"], lines)
    assert count == len(lines)
    read = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert len(read) == len(lines)
    for line, cells in zip(lines, read, strict=True):
        assert cells["a"].removeprefix("'") == (line["a"] or "").removeprefix("'")
        assert cells["a"].lstrip()[:1] not in set("=+-@")
        assert cells["a"][:1] not in set("\t\r\n")
        if isinstance(line["b"], float):
            assert float(cells["b"]) == line["b"]


def test_lines_end_and_quotes_double_as_rfc_4180_says():
    text, _ = written(["a", "b"], [{"a": 'say "hi"', "b": "x,y"}, {"a": "ümlaut", "b": None}])
    assert text == 'a,b\r\n"say ""hi""","x,y"\r\nümlaut,\r\n'


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", "  =1", "\r=1"])
def test_text_that_a_spreadsheet_would_run_is_made_harmless(text):
    file, _ = written(["a"], [{"a": text}])
    assert next(iter(csv.DictReader(io.StringIO(file, newline=""))))["a"] == f"'{text}"


def test_a_withheld_group_has_one_line_without_numbers():
    answer = {
        "dimensions": ["make"],
        "rows": [{"make": "a", "cases": None, "shops": None, "suppressed": True, "levels": []}],
    }
    [line] = lines_of(answer)
    assert line == {
        "make": "a",
        "cases": None,
        "shops": None,
        "suppressed": True,
        "repair_level": None,
        "level_suppressed": True,
    }


def test_every_grouping_has_a_column_with_a_meaning():
    assert GROUP_COLUMNS.keys() == set(GROUPS)
    names = [column.name for column in columns_of(GROUPS)]
    assert len(set(names)) == len(names)


# --- the command -----------------------------------------------------------------------------


def test_the_command_writes_the_same_table(shops, tmp_path, capsys):
    path = tmp_path / "table.csv"
    call_command("export_statistics", str(path), "--group-by", "make", "--where", "year_min=2000")
    assert "1 groups (0 withheld)" in capsys.readouterr().out
    [line] = read_back(path)
    assert (line["make"], line["cases"]) == ("Talvera", "12")
    package = json.loads((tmp_path / "table.csv.json").read_text())
    assert package["casebook"]["query"]["filters"] == {"year_min": 2000}


@pytest.mark.parametrize(
    "options",
    [["--group-by", "colour"], ["--where", "make"], ["--where", "year_min=x"]],
)
def test_the_command_refuses_what_can_not_be_asked_with_status_2(shops, tmp_path, options):
    with pytest.raises(CommandError) as caught:
        call_command("export_statistics", str(tmp_path / "t.csv"), *options)
    assert caught.value.returncode == 2
    assert "\n" not in str(caught.value)


def test_the_command_says_in_one_line_when_it_can_not_write(shops, tmp_path):
    with pytest.raises(CommandError) as caught:
        call_command("export_statistics", str(tmp_path / "no" / "such" / "t.csv"))
    assert caught.value.returncode == 1
    assert "No such file" in str(caught.value)
