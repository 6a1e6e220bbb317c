"""Search over the database: read-your-write, withdrawal, filters, restores, damage."""

from __future__ import annotations

import threading
from uuid import UUID

import pytest
from django.db import connection, transaction

from casebook.cases.models import Outbox, SharedCase
from casebook.cases.reading import read_search
from casebook.cases.services import today, update_case, withdraw_case
from casebook.errors import Unavailable
from search import adapter
from search.adapter import serving, store
from search.core.storage import FORMAT
from tests import factories


@pytest.fixture(autouse=True)
def own_index(settings, tmp_path):
    """A folder and a server of its own for each test."""
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    adapter._asked_at = float("-inf")
    yield
    adapter.server.forget()


def search(shop, neighbours=500, **request):
    request.setdefault("complaint", "lukewarm after twenty minutes, hissing behind the dash")
    document = read_search(request, today=today())
    return adapter.search_cases(document=document, cluster=shop.cluster, neighbours=neighbours)


def found(shop, **request):
    return {hit.id for hit in search(shop, **request).hits}


def evidence_of(data):
    names = ("vehicle", "unit", "complaint", "codes", "symptoms", "findings")
    return {name: data[name] for name in names}


def test_a_case_is_found_by_its_own_evidence_with_similarity_one(shop):
    case = factories.make_case(shop)
    evidence = evidence_of(factories.case_data())
    # The age of a vehicle counts from the month the case was opened.
    del evidence["vehicle"]["year"]
    result = search(shop, **evidence)
    assert [hit.id for hit in result.hits] == [case.shared_id]
    assert result.hits[0].similarity == 1.0
    assert sum(part.share for part in result.hits[0].parts) == pytest.approx(1.0, abs=1e-6)
    assert {part.block for part in result.hits[0].parts} == {
        "text",
        "codes",
        "symptoms",
        "findings",
        "unit",
        "vehicle",
        "odometer",
    }
    assert result.cases == 1


def test_what_the_teardown_showed_is_not_compared(shop):
    factories.make_case(shop)
    worn = {"check": "compressor_clutch_gap", "result": "worn"}
    assert search(shop, complaint="", findings=[worn]).hits == []


def test_notes_and_cause_are_not_compared(shop):
    factories.make_case(shop, notes="zebra", cause={"text": "zebra", "confirmed": True})
    result = search(shop, complaint="zebra")
    assert result.hits == []
    assert result.unknown_terms == ["zebra"]


def test_filters_reach_the_index(shop, other_shop):
    mine = factories.make_case(shop, attempts=[], follow_ups=[]).shared_id
    theirs = factories.make_case(other_shop).shared_id
    assert found(shop) == {mine, theirs}
    assert found(shop, filters={"exclude_own_shop": True}) == {theirs}
    assert found(shop, filters={"with_outcome": True}) == {theirs}
    assert found(shop, filters={"make": "TALVERA", "year_min": 2018, "year_max": 2018}) == {
        mine,
        theirs,
    }
    assert found(shop, filters={"year_min": 2019}) == set()
    assert found(shop, filters={"make": "Corvane"}) == set()
    assert found(shop, filters={"unit_kind": "engine"}) == set()


@pytest.mark.parametrize("built", [False, True])
def test_changes_show_in_the_next_search(committed_db, built):
    shop = factories.make_shop()
    first, second = (factories.make_case(shop) for _ in range(2))
    if built:
        assert adapter.build_index() == 2
    assert found(shop) == {first.shared_id, second.shared_id}
    third = factories.make_case(shop)
    assert found(shop) == {first.shared_id, second.shared_id, third.shared_id}
    withdraw_case(shop=shop, case_id=first.pk, version=None)
    assert found(shop) == {second.shared_id, third.shared_id}
    update_case(shop=shop, case_id=second.pk, changes={"complaint": "jolts"}, version=None)
    assert found(shop, complaint="lukewarm") == {third.shared_id}
    assert found(shop, complaint="jolts") == {second.shared_id}


def test_what_a_transaction_undid_is_forgotten(committed_db):
    shop = factories.make_shop()
    kept = factories.make_case(shop)
    adapter.build_index()

    class Undo(Exception):
        pass

    def change_and_undo():
        with transaction.atomic():
            factories.make_case(shop)
            withdraw_case(shop=shop, case_id=kept.pk, version=None)
            assert kept.shared_id not in found(shop)
            raise Undo

    for _ in range(2):
        with pytest.raises(Undo):
            change_and_undo()
        assert found(shop) == {kept.shared_id}


def test_transactions_that_commit_in_the_reverse_order_are_all_found(committed_db):
    """The one that began first commits last, after searches moved the mark on."""
    shop = factories.make_shop()
    began, may_commit = threading.Event(), threading.Event()
    late: list[UUID] = []

    def slow_writer():
        try:
            with transaction.atomic():
                late.append(factories.make_case(shop).shared_id)
                began.set()
                assert may_commit.wait(20)
        finally:
            connection.close()

    writer = threading.Thread(target=slow_writer)
    writer.start()
    assert began.wait(20)
    early = factories.make_case(shop).shared_id
    adapter.build_index()
    assert found(shop) == {early}
    another = factories.make_case(shop).shared_id
    assert found(shop) == {early, another}
    may_commit.set()
    writer.join()
    assert found(shop) == {early, another, *late}


def test_a_new_version_is_noticed_by_a_running_process(committed_db):
    shop = factories.make_shop()
    factories.make_case(shop)
    adapter.build_index()
    search(shop)
    factories.make_case(shop)
    adapter.build_index()
    search(shop)
    adapter.server.wait()
    assert adapter.server._state.version == store.current_version()
    assert search(shop).cases == 2


def test_two_versions_are_kept_and_leftovers_of_killed_builds_removed(committed_db):
    shop = factories.make_shop()
    factories.make_case(shop)
    adapter.build_index()
    leftover = store.index_dir() / ".building-x-1"
    leftover.mkdir()
    for _ in range(3):
        adapter.build_index()
    assert len(store.versions()) == 2
    assert store.versions()[0] == store.current_version()
    assert not leftover.exists()


def test_a_second_builder_leaves_the_work_to_the_first(committed_db):
    outcome = []

    def second_builder():
        try:
            outcome.append(adapter.build_index())
        finally:
            connection.close()

    def while_building():
        thread = threading.Thread(target=second_builder)
        thread.start()
        thread.join(20)

    factories.make_case(factories.make_shop())
    assert adapter.build_index(on_case=while_building) == 1
    assert outcome == [None]


def damage_values(directory):
    path = directory / "values.npy"
    data = bytearray(path.read_bytes())
    data[-1] ^= 0x40
    path.write_bytes(data)


def truncate_docs(directory):
    path = directory / "docs.npy"
    path.write_bytes(path.read_bytes()[:-4])


def lose_manifest(directory):
    (directory / "manifest.json").unlink()


def claim_older_format(directory):
    path = directory / "manifest.json"
    path.write_text(path.read_text().replace(f'"format": {FORMAT}', '"format": 0'))


def lose_everything(directory):
    for path in directory.iterdir():
        path.unlink()
    directory.rmdir()


DAMAGE = [damage_values, truncate_docs, lose_manifest, claim_older_format, lose_everything]


@pytest.mark.parametrize("damage", DAMAGE)
@pytest.mark.parametrize("versions", [1, 2])
def test_a_damaged_index_gives_right_answers_and_asks_for_a_new_one(committed_db, damage, versions):
    shop = factories.make_shop()
    expected = {factories.make_case(shop).shared_id}
    for _ in range(versions):
        adapter.build_index()
    expected.add(factories.make_case(shop).shared_id)
    damage(store.index_dir() / store.current_version())
    Outbox.objects.all().delete()
    assert found(shop) == expected
    reason = "missing" if versions == 1 else "damaged"
    assert list(Outbox.objects.values_list("topic", "key")) == [("index", reason)]
    assert not adapter.index_status().present

    from search.tasks import refresh_index

    refresh_index(reason)
    status = adapter.index_status()
    assert status.present
    assert status.cases == 2
    assert found(shop) == expected
    adapter.server.wait()
    assert adapter.server.needs_rebuild() == ""


def test_an_index_of_another_database_is_not_used(committed_db, monkeypatch):
    shop = factories.make_shop()
    adapter.build_index()
    case = factories.make_case(shop)
    directory = store.index_dir() / store.current_version()
    manifest = directory / "manifest.json"
    # As after a restore into new tables: everything else about the version is whole.
    from search.core import storage

    changed = storage.read_manifest(directory)
    changed["meta"]["identity"] = "another"
    changed["checksum"] = storage._manifest_checksum(changed)
    manifest.write_text(storage.json.dumps(changed))
    assert found(shop) == {case.shared_id}
    assert adapter.server._state.version is None
    assert adapter.index_status().reason == "it is of another state of the database"


def test_emptied_tables_make_the_index_worthless_to_a_running_process(committed_db):
    from tests import databases

    shop = factories.make_shop()
    factories.make_case(shop)
    adapter.build_index()
    assert len(found(shop)) == 1
    databases.empty_database()
    shop = factories.make_shop()
    assert found(shop) == set()
    case = factories.make_case(shop)
    assert found(shop) == {case.shared_id}


def test_without_an_index_a_large_database_is_read_in_the_background(committed_db, monkeypatch):
    shop = factories.make_shop()
    case = factories.make_case(shop)
    monkeypatch.setattr(serving, "MOST_CASES_WHILE_WAITING", 0)
    with pytest.raises(Unavailable, match="being prepared"):
        search(shop)
    adapter.server.wait()
    assert found(shop) == {case.shared_id}


def test_a_full_disk_leaves_the_version_in_force(committed_db, monkeypatch):
    shop = factories.make_shop()
    case = factories.make_case(shop)
    adapter.build_index()
    before = store.current_version()

    def no_room(*_, **__):
        raise OSError(28, "No space left on device")

    from search.core import storage

    monkeypatch.setattr(storage.os, "fsync", no_room)
    with pytest.raises(OSError, match="No space left"):
        adapter.build_index()
    monkeypatch.undo()
    assert store.current_version() == before
    assert [path.name for path in store.index_dir().glob(".*")] == []
    assert found(shop) == {case.shared_id}


def test_an_empty_pool_answers_with_nothing(shop):
    result = search(shop)
    assert (result.hits, result.cases) == ([], 0)


def test_the_reader_role_is_enough_for_a_search(shop):
    """Nothing here may lean on rights that the shared tables' readers lack."""
    factories.make_case(shop)
    search(shop)
    with connection.cursor() as cursor:
        cursor.execute("SELECT current_user")
        assert cursor.fetchone()[0] == connection.settings_dict["USER"]
    assert SharedCase.objects.count() == 0  # outside acting_for nothing of a tenant shows
