"""An index on disk: what is read back is what was written, or an error says why not."""

import json

import numpy as np
import pytest

from search.core import CaseIndex, Filters, IndexDamaged, storage
from tests.search.strategies import DESIGN

CASES = [
    {
        "id": f"{i:03d}",
        "complaint": ("warm air", "shudder when cold", "")[i % 3],
        "make": ("Corvane", None)[i % 2],
        "unit_kind": "ac_system",
        "year": 2015 + i % 4,
        "findings": [{"check": "pressure", "value": 20.0 * i}],
        "cluster": i % 5,
    }
    for i in range(40)
]
QUERY = {"complaint": "warm when cold", "findings": [{"check": "pressure", "value": 70.0}]}


@pytest.fixture
def saved(tmp_path):
    index = CaseIndex.build(CASES, design=DESIGN, meta={"mark": 7})
    index.save(tmp_path / "v1")
    return index, tmp_path / "v1"


def test_a_saved_index_answers_as_before(saved):
    index, directory = saved
    opened = CaseIndex.open(directory)
    assert opened.search(QUERY) == index.search(QUERY)
    filters = Filters(make="corvane", year_max=2016, exclude_cluster=2)
    assert opened.search(QUERY, filters=filters) == index.search(QUERY, filters=filters)
    assert opened.meta == {"mark": 7}
    assert opened.design == index.design
    assert len(opened) == opened.built_cases == len(CASES)


def test_a_saved_index_takes_a_tail(saved):
    index, directory = saved
    newer = [{"id": "900", "complaint": "warm squeal"}]
    expected = index.with_tail(newer, ["003"]).search(QUERY, limit=60)
    assert CaseIndex.open(directory).with_tail(newer, ["003"]).search(QUERY, limit=60) == expected


def test_opened_arrays_are_mapped_not_copied(saved):
    _, directory = saved
    segment = CaseIndex.open(directory).layers[0].segment
    for name in ("docs", "values", "starts"):
        array = getattr(segment, name)
        assert isinstance(array.base, np.memmap)
        assert not array.flags.writeable


def test_an_empty_index_can_be_kept(tmp_path):
    CaseIndex.build([], design=DESIGN).save(tmp_path / "v1")
    opened = CaseIndex.open(tmp_path / "v1")
    assert len(opened) == 0
    assert opened.search(QUERY) == []
    hits = opened.with_tail([CASES[0]]).search({"complaint": "warm"})
    assert [hit.id for hit in hits] == ["000"]


def test_a_version_is_never_overwritten(saved):
    index, directory = saved
    with pytest.raises(FileExistsError):
        index.save(directory)


def test_nothing_stays_behind_when_the_disk_is_full(saved, monkeypatch):
    index, directory = saved

    def no_room(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(storage.os, "fsync", no_room)
    with pytest.raises(OSError, match="No space left"):
        index.save(directory.parent / "v2")
    assert [path.name for path in directory.parent.iterdir()] == ["v1"]


@pytest.mark.parametrize("name", ["docs", "values", "hashes", "names", "slots", "mass", "ids"])
@pytest.mark.parametrize("how", ["flip", "cut", "lose"])
def test_any_damage_to_any_file_is_noticed(saved, name, how):
    _, directory = saved
    path = directory / f"{name}.npy"
    data = bytearray(path.read_bytes())
    if how == "flip":
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    elif how == "cut":
        path.write_bytes(data[:-1])
    else:
        path.unlink()
    with pytest.raises(IndexDamaged, match=f"v1/{name}.npy"):
        CaseIndex.open(directory)


@pytest.mark.parametrize(
    "change",
    [
        lambda manifest: manifest | {"format": 0},
        lambda manifest: manifest | {"cases": 41},
        lambda manifest: {k: v for k, v in manifest.items() if k != "checksum"},
        lambda manifest: [manifest],
    ],
)
def test_a_changed_manifest_is_noticed(saved, change):
    _, directory = saved
    path = directory / "manifest.json"
    path.write_text(json.dumps(change(json.loads(path.read_text()))))
    with pytest.raises(IndexDamaged):
        CaseIndex.open(directory)


@pytest.mark.parametrize("text", ["", "{", None])
def test_an_unreadable_manifest_is_noticed(saved, text):
    _, directory = saved
    if text is None:
        (directory / "manifest.json").unlink()
    else:
        (directory / "manifest.json").write_text(text)
    with pytest.raises(IndexDamaged, match="manifest"):
        CaseIndex.open(directory)


def test_the_same_cases_in_another_order_make_the_same_index(tmp_path):
    for name, cases in (("one", CASES), ("two", CASES[::-1])):
        CaseIndex.build(cases, design=DESIGN).save(tmp_path / name)
    one, two = (CaseIndex.open(tmp_path / name) for name in ("one", "two"))
    for query in CASES:
        assert one.search(query) == two.search(query)
