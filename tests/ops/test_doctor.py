"""`doctor` names what is wrong, and what to do about it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from casebook.cases.models import Outbox
from casebook.cases.outbox import INDEX, note_effect
from casebook.ops.examination import FAULT, GOOD, WATCH, Observation, examine
from tests.factories import make_case


@pytest.fixture(autouse=True)
def own_index(settings: Any, tmp_path: Any) -> None:
    settings.INDEX_DIR = tmp_path / "index"


def seen(about: str) -> list[Observation]:
    return [observation for observation in examine() if observation.about == about]


# Connections of the owner are used, and of the application role, as in service.
pytestmark = pytest.mark.django_db(databases=["default", "owner"])


def test_an_installation_in_order_has_no_fault_and_every_doubt_has_a_remedy(shop):
    make_case(shop)
    observations = list(examine())
    assert [o for o in observations if o.state == FAULT] == []
    assert {"PostgreSQL", "migrations", "Redis", "worker", "outbox", "pool", "index"} <= {
        o.about for o in observations
    }
    assert all(o.remedy for o in observations if o.state != GOOD)
    call_command("doctor")


def test_redis_away_is_a_fault_said_once(shop, settings):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    (observation,) = seen("Redis")
    assert observation.state == FAULT
    with pytest.raises(CommandError, match="1 fault found"):
        call_command("doctor")


def test_effects_that_wait_too_long_or_were_set_aside_are_faults(shop):
    note_effect(INDEX)
    Outbox.objects.update(created_at=timezone.now() - timedelta(minutes=9))
    assert [o.state for o in seen("outbox")] == [FAULT]
    Outbox.objects.update(quarantined_at=timezone.now(), last_error="no such task")
    states = seen("outbox")
    assert [o.state for o in states] == [GOOD, FAULT]
    assert "no such task" in states[1].says


def test_a_missing_index_and_a_missing_worker_are_worth_a_look(shop):
    assert [o.state for o in seen("index")] == [WATCH]
    assert [o.state for o in seen("worker")] == [WATCH]
