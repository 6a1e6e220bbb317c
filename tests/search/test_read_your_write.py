"""Read-your-write under load: transactions that end in another order than they began, four
searching processes, and a stream of other writes and builds meanwhile."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection, transaction

from casebook.cases.services import withdraw_case
from search import adapter
from tests import factories
from tests.search.test_processes import COMPLAINT, Searcher

PROCESSES = 4
OPEN_AT_ONCE = 6
ROUNDS = 2


@pytest.fixture
def searchers(committed_db, settings, tmp_path):
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    made = [Searcher(tmp_path) for _ in range(PROCESSES)]
    yield made
    for searcher in made:
        searcher.close()
    adapter.server.forget()


class OpenTransaction:
    """Posts a case, or withdraws one, in a transaction that ends when told to."""

    def __init__(self, work):
        self._work, self.result = work, None
        self._begun, self._may_end = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        assert self._begun.wait(20)

    def _run(self):
        try:
            with transaction.atomic():
                self.result = self._work()
                self._begun.set()
                assert self._may_end.wait(60)
        finally:
            connection.close()

    def commit(self):
        self._may_end.set()
        self._thread.join(20)
        assert not self._thread.is_alive()
        return self.result


class OtherWrites:
    """What else goes on: cases posted and withdrawn that the searches don't ask for, and builds."""

    def __init__(self, shop):
        self._shop, self._stop, self.made = shop, threading.Event(), 0
        self._thread = threading.Thread(target=self._run)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._stop.set()
        self._thread.join(30)

    def _run(self):
        try:
            while not self._stop.is_set():
                case = factories.make_case(
                    self._shop, complaint="grkzh", codes=[], symptoms=["warm_air"], findings=[]
                )
                self.made += 1
                if self.made % 3 == 0:
                    withdraw_case(shop=self._shop, case_id=case.pk, version=None)
                if self.made % 25 == 0:
                    adapter.build_index()
        finally:
            connection.close()


def test_none_is_missed_when_transactions_end_in_reverse_order_of_their_start(searchers):
    shop, busy = factories.make_shop("Quay Street"), factories.make_shop("Station Yard")
    standing, asked = {}, 0

    def post():
        return factories.make_case(shop, complaint=COMPLAINT)

    def withdrawal_of(case):
        return lambda: withdraw_case(shop=shop, case_id=case.pk, version=None)

    def assert_all_agree():
        # All at once: what one process reads must not hide anything from another.
        with ThreadPoolExecutor(PROCESSES) as together:
            answers = list(together.map(Searcher.found, searchers))
        assert answers == [{str(id_) for id_ in standing}] * PROCESSES

    with OtherWrites(busy) as others:
        for _ in range(ROUNDS):
            leaving = list(standing.values())[::2]
            posts = [OpenTransaction(post) for _ in range(OPEN_AT_ONCE)]
            withdrawals = [OpenTransaction(withdrawal_of(case)) for case in leaving]
            assert_all_agree()  # nothing of it is committed
            for open_post in reversed(posts):
                case = open_post.commit()
                standing[case.shared_id] = case
                assert_all_agree()
                asked += PROCESSES
            for open_withdrawal, case in reversed(list(zip(withdrawals, leaving, strict=True))):
                open_withdrawal.commit()
                del standing[case.shared_id]
                assert_all_agree()
                asked += PROCESSES
    assert asked >= PROCESSES * OPEN_AT_ONCE * ROUNDS
    assert others.made > 0
