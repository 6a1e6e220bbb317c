"""Exports: asked for, made by a job, fetched by the shop that asked and nobody else."""

from __future__ import annotations

import csv
import hashlib
import io
from typing import Any

import pytest
from django.test import Client

from api.v1 import examples
from casebook.cases.models import Outbox
from casebook.outcomes.exports import make_export
from casebook.outcomes.models import ExportJob
from casebook.shops.tenancy import acting_for
from tests.clients import ApiClient, pointers_of, problem_of
from tests.factories import make_case, make_shop


@pytest.fixture(autouse=True)
def own_folder(settings: Any, tmp_path: Any) -> None:
    settings.EXPORT_DIR = tmp_path / "exports"


@pytest.fixture
def client(keys: Any) -> ApiClient:
    return ApiClient(keys["analyst"])


@pytest.fixture
def pool(database: None) -> None:
    for _ in range(4):
        shop = make_shop()
        for _ in range(3):
            make_case(shop)


def work_off() -> None:
    """What relay and worker do with the outbox."""
    for row in Outbox.objects.filter(topic="export"):
        make_export(row.key)


def test_an_export_is_asked_for_made_and_fetched(client: ApiClient, pool: None) -> None:
    asked = client.post("/exports", {"group_by": ["unit_kind"], "horizon_days": 90})
    assert asked.status_code == 202
    job = asked.json()
    assert (job["state"], job["rows"], job["file_name"]) == ("queued", None, None)
    assert asked["Location"] == f"/api/v1/exports/{job['id']}"
    problem_of(client.get(f"/exports/{job['id']}/file"), 409, "export_not_ready")
    work_off()
    done = client.get(asked["Location"]).json()
    assert done["state"] == "finished"
    assert (done["group_by"], done["horizon_days"]) == (["unit_kind"], 90)
    response = client.get(f"/exports/{job['id']}/file")
    assert response["Content-Type"].startswith("text/csv")
    assert f'filename="{done["file_name"]}"' in response["Content-Disposition"]
    content = b"".join(response.streaming_content)
    assert hashlib.sha256(content).hexdigest() == done["sha256"]
    lines = list(csv.DictReader(io.StringIO(content.decode())))
    assert list(lines[0]) == [column["name"] for column in done["dictionary"]]
    assert lines[0]["cases"] == "12"
    assert len(lines) == done["rows"]


def test_the_published_example_is_accepted(client: ApiClient) -> None:
    assert client.post("/exports", examples.EXPORT.value).status_code == 202


def test_all_faults_come_at_once_with_their_places(client: ApiClient) -> None:
    bad = {
        "group_by": ["shop"],
        "filters": {"make": 7, "owner": "me"},
        "format": "doc",
        "horizon_days": 0,
        "mail_to": "x",
    }
    assert pointers_of(client.post("/exports", bad)) == [
        "/filters/make",
        "/filters/owner",
        "/format",
        "/group_by/0",
        "/horizon_days",
        "/mail_to",
    ]


def test_a_repeat_with_the_same_key_asks_for_one_export(client: ApiClient, shop: Any) -> None:
    body = {"group_by": ["make"]}
    first = client.post("/exports", body, Idempotency_Key="nightly")
    again = client.post("/exports", body, Idempotency_Key="nightly")
    assert (again.status_code, again.content) == (202, first.content)
    assert again["Idempotent-Replayed"] == "true"
    assert again["Location"] == first["Location"]
    with acting_for(shop.pk):
        assert ExportJob.objects.count() == 1


def test_another_shop_finds_neither_job_nor_file(client: ApiClient, other_keys: Any) -> None:
    path = client.post("/exports", {})["Location"]
    work_off()
    stranger = ApiClient(other_keys["analyst"])
    problem_of(stranger.get(path), 404, "not_found")
    problem_of(stranger.get(f"{path}/file"), 404, "not_found")
    assert client.get(f"{path}/file").status_code == 200


def test_a_failed_export_says_so(client: ApiClient, settings: Any, tmp_path: Any) -> None:
    path = client.post("/exports", {})["Location"]
    in_the_way = tmp_path / "file"
    in_the_way.write_text("no folder")
    settings.EXPORT_DIR = in_the_way
    work_off()
    job = client.get(path).json()
    assert job["state"] == "failed"
    assert job["error"]
    problem_of(client.get(f"{path}/file"), 409, "export_failed")


def test_a_file_that_was_cleared_away_is_not_found(
    client: ApiClient, settings: Any, tmp_path: Any
) -> None:
    path = client.post("/exports", {})["Location"]
    work_off()
    settings.EXPORT_DIR = tmp_path / "elsewhere"
    problem_of(client.get(f"{path}/file"), 404, "not_found")


def test_head_tells_the_length_of_the_file(client: ApiClient, keys: Any) -> None:
    path = client.post("/exports", {})["Location"]
    work_off()
    whole = b"".join(client.get(f"{path}/file").streaming_content)
    plain = Client(headers={"Authorization": f"Bearer {keys['analyst']}"})
    head = plain.head(f"{path}/file")
    assert int(head["Content-Length"]) == len(whole)
    assert b"".join(head.streaming_content) == b""
