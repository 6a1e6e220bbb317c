"""Keys: recognisable, checkable without the database, stored only as a hash."""

from __future__ import annotations

import hashlib

import pytest

from casebook.errors import Conflict, InvalidDocument, NotFound
from casebook.shops.keys import is_well_formed, new_key
from casebook.shops.models import ApiKey, Person
from casebook.shops.services import (
    add_key,
    add_person,
    find_key,
    find_person_for_link,
    make_sign_in_link,
    revoke_key,
    set_password,
)


def test_a_new_key_is_well_formed_and_no_two_are_alike():
    keys = {new_key() for _ in range(200)}
    assert len(keys) == 200
    assert all(is_well_formed(key) for key in keys)


def test_one_mistyped_character_is_noticed_without_the_database():
    key = new_key()
    for place in range(4, len(key)):
        other = "a" if key[place] != "a" else "b"
        assert not is_well_formed(key[:place] + other + key[place + 1 :])


@pytest.mark.parametrize("text", ["", "cbk_", "cbk_" + "a" * 39, "Bearer x", "сbk_" + "a" * 39])
def test_what_is_no_key_is_refused(text):
    assert not is_well_formed(text)


def test_only_the_hash_of_a_key_is_stored(shop):
    _, secret = add_key(shop=shop, roles=["search"], name="bench")
    row = ApiKey.objects.get(shop=shop)
    assert bytes(row.digest) == hashlib.sha256(secret.encode()).digest()
    assert secret not in str(vars(row))


def test_a_revoked_key_opens_nothing_at_once(shop):
    key, secret = add_key(shop=shop, roles=["search", "contribute"])
    assert find_key(secret).pk == key.pk
    revoke_key(shop=shop, key_id=key.pk)
    assert find_key(secret) is None


def test_a_key_of_another_shop_can_not_be_revoked(shop, other_shop):
    key, secret = add_key(shop=other_shop, roles=["search"])
    with pytest.raises(NotFound):
        revoke_key(shop=shop, key_id=key.pk)
    assert find_key(secret) is not None


@pytest.mark.parametrize("roles", [[], ["owner"], ["search", "owner"]])
def test_a_key_needs_known_roles(shop, roles):
    with pytest.raises(InvalidDocument):
        add_key(shop=shop, roles=roles)


def test_one_address_signs_in_once_however_it_is_spelt(shop, other_shop):
    add_person(shop=shop, email="Kim@Example.org", role="technician")
    with pytest.raises(Conflict):
        add_person(shop=other_shop, email="kim@example.org ", role="manager")


def test_a_one_time_link_works_once(shop):
    person = add_person(shop=shop, email="kim@example.org", role="technician")
    _, _, uid, token = make_sign_in_link(person).split("/")
    found = find_person_for_link(uid=uid, token=token)
    set_password(person=found, password="a long enough phrase")
    assert Person.objects.get(pk=person.pk).check_password("a long enough phrase")
    with pytest.raises(NotFound):
        find_person_for_link(uid=uid, token=token)


def test_a_weak_password_is_refused_with_every_reason(shop):
    person = add_person(shop=shop, email="kim@example.org", role="technician")
    with pytest.raises(InvalidDocument) as refused:
        set_password(person=person, password="password")
    assert len(refused.value.errors) == 2
