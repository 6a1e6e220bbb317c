"""The outbox reaches the workers after commit, at least once, whatever is away."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.utils import timezone

from casebook.cases.models import Outbox
from casebook.cases.outbox import EXPORT, INDEX, note_effect
from casebook.ops.relay import BrokerAway, relay_waiting


class Sent(list):
    def __call__(self, task: str, args: list[str]) -> None:
        self.append((task, args))


def test_what_waits_is_handed_over_and_leaves_the_outbox(database):
    note_effect(EXPORT, "42")
    sent = Sent()
    assert relay_waiting(sent) == 1
    assert sent == [("casebook.outcomes.tasks.run_export", ["42"])]
    assert Outbox.objects.count() == 0


def test_a_hundred_rings_for_the_index_make_one_task(database):
    for _ in range(100):
        note_effect(INDEX)
    sent = Sent()
    assert relay_waiting(sent) == 100
    assert sent == [("search.tasks.refresh_index", [])]


def test_while_redis_is_away_everything_stays_and_nothing_is_counted_against_it(database):
    note_effect(EXPORT, "42")

    def away(task: str, args: list[str]) -> None:
        raise BrokerAway("connection refused")

    with pytest.raises(BrokerAway):
        relay_waiting(away)
    row = Outbox.objects.get()
    assert (row.attempts, row.quarantined_at) == (0, None)
    sent = Sent()
    relay_waiting(sent)
    assert len(sent) == 1


def test_what_no_task_is_known_for_is_set_aside_with_its_reason(database):
    note_effect("paint_the_shop")
    sent = Sent()
    for _ in range(3):
        Outbox.objects.update(not_before=timezone.now() - timedelta(seconds=1))
        relay_waiting(sent)
    row = Outbox.objects.get()
    assert row.quarantined_at is not None
    assert "paint_the_shop" in row.last_error
    assert sent == []
    assert relay_waiting(sent) == 0
