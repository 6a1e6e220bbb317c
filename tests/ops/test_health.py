"""What process supervisors and load balancers are told."""

from __future__ import annotations

import pytest
from django.db import InterfaceError, OperationalError, connection
from django.test import Client


@pytest.mark.parametrize("error", [OperationalError, InterfaceError])
def test_without_a_database_a_process_is_alive_and_not_ready(monkeypatch, error):
    def refuse(*args, **kwargs):
        raise error("away")

    monkeypatch.setattr(connection, "cursor", refuse)
    assert Client().get("/livez").status_code == 200
    response = Client().get("/readyz")
    assert response.status_code == 503
    assert response["Retry-After"] == "5"


@pytest.mark.usefixtures("database")
def test_with_a_database_a_process_is_ready():
    assert Client().get("/readyz").json()["database"] == "ok"
