"""Small parts of the service: names it answers to, ports, what the demo prints."""

from __future__ import annotations

import json
import socket
from types import SimpleNamespace

import pytest
from django.core.management.base import CommandError

from casebook.ops.demo.access import Access
from casebook.ops.demo.loader import LoadedDemo, LoadedShop
from casebook.ops.management.commands.demo import describe_demo, for_people
from casebook.ops.service import _listen_on, _names_of


def test_a_wildcard_address_is_reached_by_the_names_of_this_machine():
    wildcard = "::"
    names = _names_of(wildcard)
    assert socket.gethostname() in names
    assert wildcard not in names
    assert _names_of("192.168.7.3") == ["192.168.7.3"]
    assert _names_of("fe80::1") == ["[fe80::1]"]


def test_a_port_that_nobody_uses_is_bound_and_zero_finds_one():
    listener = _listen_on("127.0.0.1", 0)
    assert listener.getsockname()[1] > 0
    listener.close()


def test_a_taken_port_is_refused_after_a_moment_of_patience():
    with (
        socket.create_server(("127.0.0.1", 0)) as taken,
        pytest.raises(CommandError, match=r"is taken by another program; give another --port\."),
    ):
        _listen_on("127.0.0.1", taken.getsockname()[1])


def loaded_demo(shops: int) -> LoadedDemo:
    def one(number: int) -> LoadedShop:
        people = {role: {"email": f"{role}@{number}.example", "password": "p"} for role in ROLES}
        keys = {role: f"key-{role}-{number}" for role in ("contribute", "search", "analyst")}
        return LoadedShop(SimpleNamespace(pk=number, name=f"Shop {number}"), Access(people, keys))

    return LoadedDemo(shops=[one(number) for number in range(shops)], cases=0)


ROLES = ("technician", "manager", "analyst")


def test_the_demo_says_in_one_line_of_json_what_a_program_needs():
    document = describe_demo("http://127.0.0.1:8000", loaded_demo(2), list_shops=False)
    assert "\n" not in json.dumps(document)
    assert set(document) == {"url", "sign_ins", "keys", "shops", "cases"}
    assert set(document["sign_ins"]) == set(ROLES)
    assert set(document["keys"]) == {"contribute", "search", "analyst"}
    assert document["shops"] == 2


def test_asked_for_shops_it_lists_each_with_its_keys():
    document = describe_demo("http://127.0.0.1:8000", loaded_demo(2), list_shops=True)
    assert [shop["id"] for shop in document["shops"]] == ["0", "1"]
    assert document["shops"][1]["keys"]["search"] == "key-search-1"


def test_people_get_the_same_with_a_line_to_try():
    document = describe_demo("http://127.0.0.1:8000", loaded_demo(1), list_shops=False)
    text = for_people(document)
    assert "http://127.0.0.1:8000" in text
    assert all(person["password"] in text for person in document["sign_ins"].values())
    assert "curl" in text
    assert document["keys"]["search"] in text
