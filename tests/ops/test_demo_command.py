"""What `demo` prints: one line for programs, then the same for people."""

from __future__ import annotations

import json
import shlex
from datetime import date

import pytest
from django.core.management import CommandError, call_command

from casebook.cases.reading import read_case, read_search
from casebook.ops.demo import loader
from casebook.ops.demo.loader import load_demo
from casebook.ops.management.commands.demo import (
    EXAMPLE_CASE,
    EXAMPLE_SEARCH,
    describe_demo,
    for_people,
)
from search import adapter

TODAY = date(2026, 3, 9)
URL = "http://127.0.0.1:8000"


@pytest.fixture
def loaded(settings, tmp_path, monkeypatch, committed_db):
    settings.INDEX_DIR = tmp_path / "index"
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    monkeypatch.setattr(loader, "SHOPS", 4)
    monkeypatch.setattr(loader, "CASES", 120)
    adapter.server.forget()
    yield lambda **options: load_demo(data_dir=tmp_path, today=TODAY, **options)
    adapter.server.forget()


def commands(text):
    """The shell commands in it, as argument lists."""
    joined = text.replace("\\\n", " ")
    return [shlex.split(line) for line in joined.splitlines() if line.strip().startswith("curl")]


def test_the_line_for_programs_has_what_the_contract_names(loaded):
    document = describe_demo(URL, loaded(), list_shops=False)
    assert json.loads(json.dumps(document)) == document
    assert document["url"] == URL
    assert set(document["sign_ins"]) == {"technician", "manager", "analyst"}
    assert all(set(sign_in) == {"email", "password"} for sign_in in document["sign_ins"].values())
    assert set(document["keys"]) == {"contribute", "search", "analyst"}
    assert (document["shops"], document["cases"]) == (4, 120)


def test_the_ready_command_searches_with_the_search_key_and_finds_something(loaded, client):
    document = describe_demo(URL, loaded(), list_shops=False)
    (curl,) = commands(for_people(document))
    assert curl[2] == f"{URL}/api/v1/search"
    body = json.loads(curl[-1])
    assert body == EXAMPLE_SEARCH
    key = next(word for word in curl if word.startswith("Authorization")).split()[-1]
    answer = client.post(
        "/api/v1/search",
        body,
        content_type="application/json",
        headers={"Authorization": f"Bearer {key}"},
    )
    assert answer.status_code == 200
    assert answer.json()["similar"]


def test_an_empty_demo_also_shows_how_to_post_a_case(loaded):
    document = describe_demo(URL, loaded(empty_shops=1), list_shops=False)
    post, search = commands(for_people(document))
    assert post[2].endswith("/cases")
    assert document["keys"]["contribute"] in " ".join(post)
    assert document["keys"]["search"] in " ".join(search)
    assert not read_case(EXAMPLE_CASE, today=TODAY).warnings


def test_the_example_search_raises_no_doubts():
    assert not read_search(EXAMPLE_SEARCH, today=TODAY).warnings


def test_with_a_number_of_shops_each_is_listed_with_its_keys(loaded):
    document = describe_demo(URL, loaded(empty_shops=3), list_shops=True)
    assert [set(shop) for shop in document["shops"]] == [{"id", "name", "keys"}] * 3
    assert document["shops"][0]["keys"] == document["keys"]


def test_fewer_than_one_shop_is_wrong_use():
    with pytest.raises(CommandError, match="--shops") as error:
        call_command("demo", "--shops", "0")
    assert error.value.returncode == 2
