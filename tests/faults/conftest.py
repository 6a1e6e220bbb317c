"""Data folders with servers of their own, which are gone when the test is."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from casebook.embedded import Lease, attach
from tests.faults.processes import are_gone, kill_hard, processes_of, wait_until


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker("faults")
            if not sys.platform.startswith("linux"):
                item.add_marker(pytest.mark.skip(reason="reads /proc"))


@pytest.fixture
def data_dir(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "data"
    yield folder
    left = processes_of(folder)
    if left:
        kill_hard(*left)
        wait_until(lambda: are_gone(left))


@pytest.fixture
def lease(data_dir: Path) -> Iterator[Lease]:
    held = attach(data_dir)
    yield held
    held.close(stop_within_s=40)
