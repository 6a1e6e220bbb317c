"""Read-your-write across processes: what one commits, the others' next searches show."""

from __future__ import annotations

import os
import subprocess
import sys
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.db import connection

from casebook.cases.services import withdraw_case
from search import adapter
from tests import factories

COMPLAINT = "lukewarm after twenty minutes"


class Searcher:
    def __init__(self, data_dir):
        url = urlsplit(os.environ["DATABASE_URL"])
        # The test run's database, not the one the variable names.
        url = url._replace(path=f"/{connection.settings_dict['NAME']}")
        environment = os.environ | {
            "DATABASE_URL": url.geturl(),
            "CASEBOOK_DATA_DIR": str(data_dir),
            "CASEBOOK_SECRET_KEY": settings.SECRET_KEY,
            "DJANGO_SETTINGS_MODULE": "casebook.settings",
        }
        self.process = subprocess.Popen(
            [sys.executable, "-m", "tests.search.searcher"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        )
        assert self.process.stdout.readline() == "ready\n"

    def found(self):
        self.process.stdin.write(f"{COMPLAINT}\n")
        self.process.stdin.flush()
        return set(self.process.stdout.readline().split())

    def close(self):
        self.process.stdin.close()
        self.process.wait(20)
        self.process.stdout.close()


@pytest.fixture
def searchers(committed_db, settings, tmp_path):
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    made = [Searcher(tmp_path) for _ in range(2)]
    yield made
    for searcher in made:
        searcher.close()
    adapter.server.forget()


def test_every_process_shows_what_any_other_committed(searchers):
    shop = factories.make_shop()
    expected = {}

    def assert_all_agree():
        for searcher in searchers:
            assert searcher.found() == {str(id_) for id_ in expected}

    def post():
        case = factories.make_case(shop)
        expected[case.shared_id] = case

    def withdraw():
        _, case = expected.popitem()
        withdraw_case(shop=shop, case_id=case.pk, version=None)

    steps = [post, post, adapter.build_index, post, withdraw, withdraw, post, adapter.build_index]
    for step in [*steps, withdraw, post, withdraw]:
        step()
        assert_all_agree()
