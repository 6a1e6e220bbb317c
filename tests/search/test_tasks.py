"""When the index is rebuilt, and by what."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from casebook.cases.services import withdraw_case
from search import adapter, tasks
from search.adapter import IndexStatus, building, serving, store
from search.core import kernel
from tests import factories

NOW = timezone.now()
JUST_NOW = NOW - building.SHORTEST_PAUSE


@pytest.fixture(autouse=True)
def own_index(settings, tmp_path):
    settings.DATA_DIR = tmp_path
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.mark.parametrize(
    "status, due",
    [
        (IndexStatus(present=False), True),
        (IndexStatus(present=True, cases=10, as_of=NOW), False),
        (IndexStatus(present=True, cases=10, as_of=NOW, outdated=True), True),
        (IndexStatus(present=True, cases=10, as_of=JUST_NOW, behind=299), False),
        (IndexStatus(present=True, cases=10, as_of=JUST_NOW, behind=300), True),
        (IndexStatus(present=True, cases=10, as_of=NOW, behind=300), False),  # not once a second
        (IndexStatus(present=True, cases=100_000, as_of=JUST_NOW, behind=1_999), False),
        (IndexStatus(present=True, cases=100_000, as_of=JUST_NOW, behind=2_000), True),
        (IndexStatus(present=True, cases=10, as_of=NOW - timedelta(hours=2), behind=1), True),
        (IndexStatus(present=True, cases=10, as_of=NOW - timedelta(hours=2), behind=0), False),
    ],
)
def test_a_build_is_due_when_it_is_worth_it(status, due):
    assert adapter.is_build_due(status, now=NOW) is due


def test_refreshing_twice_builds_once(committed_db):
    factories.make_case(factories.make_shop())
    tasks.refresh_index()
    first = store.current_version()
    tasks.refresh_index()
    assert store.current_version() == first is not None


def test_refreshing_builds_once_enough_has_changed(committed_db, monkeypatch):
    monkeypatch.setattr(building, "CHANGES_WORTH_A_BUILD", 2)
    monkeypatch.setattr(building, "SHORTEST_PAUSE", timedelta(0))
    shop = factories.make_shop()
    factories.make_case(shop)
    tasks.refresh_index()
    first = store.current_version()
    factories.make_case(shop)
    tasks.refresh_index()
    assert store.current_version() == first
    factories.make_case(shop)
    tasks.refresh_index()
    assert store.current_version() != first
    status = adapter.index_status()
    assert (status.cases, status.behind, status.outdated) == (3, 0, False)


def test_the_command_says_what_it_built(committed_db, capsys):
    factories.make_case(factories.make_shop())
    call_command("build_index")
    assert capsys.readouterr().out == "Index built of 1 cases.\n"


def test_the_command_gives_one_line_when_the_folder_cannot_be_written(
    committed_db, settings, tmp_path
):
    (tmp_path / "file").write_text("")
    settings.INDEX_DIR = tmp_path / "file" / "index"
    with pytest.raises(CommandError, match=r"can't be written \(Not a directory\)"):
        call_command("build_index")


def test_warming_up_compiles_and_loads(committed_db, monkeypatch):
    pytest.importorskip("numba")
    factories.make_case(factories.make_shop())
    adapter.build_index()
    monkeypatch.setattr(kernel, "_compiled", None)
    monkeypatch.setattr(adapter, "_warm", False)
    adapter.warm_up()
    assert adapter.is_warm()
    assert adapter.server._state.version == store.current_version()
    assert any((store.index_dir().parent / "numba").rglob("*.nbi"))


def test_a_process_starts_even_where_nothing_can_be_loaded_yet(committed_db, monkeypatch, caplog):
    factories.make_case(factories.make_shop())
    monkeypatch.setattr(serving, "MOST_CASES_WHILE_WAITING", 0)
    adapter.warm_up()
    assert "searches start cold" in caplog.text
    adapter.server.wait()


@pytest.fixture
def built_of_thirty(committed_db, monkeypatch):
    monkeypatch.setattr(building, "CHANGES_WORTH_A_BUILD", 1)
    monkeypatch.setattr(building, "SHORTEST_PAUSE", timedelta(0))
    shop = factories.make_shop()
    cases = [factories.make_case(shop) for _ in range(30)]
    tasks.refresh_index()
    return shop, cases


def built_ids():
    index = building._open_current()
    return {index.layers[0].segment.id(doc) for doc in range(len(index))}, index


def test_a_few_changes_are_merged_without_reading_the_other_cases(built_of_thirty, monkeypatch):
    shop, cases = built_of_thirty
    newer = factories.make_case(shop)
    withdraw_case(shop=shop, case_id=cases[0].id)
    monkeypatch.setattr(building, "stream_cases", None)  # a full build would fail
    tasks.refresh_index()
    ids, index = built_ids()
    assert ids == {case.shared_id.hex for case in [*cases[1:], newer]}
    assert index.meta["merged"] == 2
    assert adapter.index_status().behind == 0


def test_many_changes_since_the_last_full_build_are_read_in_full(built_of_thirty):
    shop, cases = built_of_thirty
    for _ in range(4):  # the third goes in, the fourth is more than a tenth
        cases.append(factories.make_case(shop))
        tasks.refresh_index()
    ids, index = built_ids()
    assert ids == {case.shared_id.hex for case in cases}
    assert index.meta["merged"] == 0


@pytest.mark.parametrize("harm", ["damage", "design", "identity"])
def test_what_cannot_be_trusted_is_built_anew(built_of_thirty, monkeypatch, harm):
    shop, cases = built_of_thirty
    cases.append(factories.make_case(shop))
    if harm == "damage":
        (store.index_dir() / store.current_version() / "docs.npy").write_bytes(b"")
    elif harm == "design":
        other = replace(building.read_active_design(), letter_group_size=4)
        monkeypatch.setattr(building, "read_active_design", lambda: other)
    else:
        monkeypatch.setattr(building, "_belongs", lambda meta, snapshot: False)
    assert building.merge_changes() is False
    tasks.refresh_index()
    ids, index = built_ids()
    assert ids == {case.shared_id.hex for case in cases}
    assert index.meta["merged"] == 0


def test_a_merge_that_finds_no_room_leaves_the_version_in_force(built_of_thirty, monkeypatch):
    shop, _ = built_of_thirty
    factories.make_case(shop)
    before = store.current_version()

    def no_room(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("search.core.storage.os.fsync", no_room)
    with pytest.raises(OSError, match="No space left"):
        building.merge_changes()
    assert store.current_version() == before
    assert building._open_current() is not None
