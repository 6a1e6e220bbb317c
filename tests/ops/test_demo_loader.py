"""The demo is loaded once, whole or not at all, and its sign-ins and keys keep working."""

from __future__ import annotations

import json
import shutil
import stat
from datetime import date
from pathlib import Path

import pytest
from django.core.management import call_command

from casebook.cases.models import Case
from casebook.errors import Conflict
from casebook.ops.demo import loader
from casebook.ops.demo.access import FILE_NAME
from casebook.ops.demo.loader import demo_shop_id, load_demo
from casebook.shops.models import ApiKey, Person, Shop
from casebook.shops.services import find_key, revoke_key
from casebook.shops.tenancy import acting_for
from search import adapter
from tests.factories import make_case

TODAY = date(2026, 3, 9)


@pytest.fixture(autouse=True)
def small(settings, tmp_path, monkeypatch):
    settings.INDEX_DIR = tmp_path / "index"
    # As good as any hash here, and quick.
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
    monkeypatch.setattr(loader, "SHOPS", 4)
    monkeypatch.setattr(loader, "CASES", 60)
    adapter.server.forget()
    yield
    adapter.server.forget()


def load(folder, **options):
    return load_demo(data_dir=folder, today=TODAY, **options)


def cases_of(shop):
    with acting_for(shop.pk):
        return Case.objects.filter(shop=shop).count()


def test_shops_people_cases_and_index_are_there_after_loading(committed_db, tmp_path):
    loaded = load(tmp_path)
    assert (len(loaded.shops), loaded.cases) == (4, 60)
    assert sum(cases_of(item.shop) for item in loaded.shops) == 60
    access = loaded.shops[0].access
    assert set(access.sign_ins) == {"technician", "manager", "analyst"}
    for role, sign_in in access.sign_ins.items():
        person = Person.objects.get(email=sign_in["email"])
        assert person.role == role
        assert person.check_password(sign_in["password"])
    others = Person.objects.exclude(shop=loaded.shops[0].shop)
    assert others.count() == 9
    assert not any(person.has_usable_password() for person in others)
    for role, secret in access.keys.items():
        assert find_key(secret).granted == {role}
    assert adapter.index_status().cases == 60


def test_a_second_start_loads_nothing_again_and_shows_the_same_keys(committed_db, tmp_path):
    first = load(tmp_path)
    second = load(tmp_path)
    assert second.shops[0].access == first.shops[0].access
    assert second.cases == first.cases
    assert Shop.objects.count() == 4
    assert ApiKey.objects.count() == 3


def test_a_start_after_a_kill_goes_on_with_the_shops_that_are_missing(
    committed_db, tmp_path, monkeypatch
):
    real, asked = loader.create_cases, []

    def killed_at_the_third(*, shop, documents):
        asked.append(shop.name)
        made = real(shop=shop, documents=documents)
        if len(asked) == 3:
            raise KeyboardInterrupt
        return made

    monkeypatch.setattr(loader, "create_cases", killed_at_the_third)
    with pytest.raises(KeyboardInterrupt):
        load(tmp_path)
    # What the third shop had was not committed, nor was the shop.
    assert [cases_of(shop) > 0 for shop in Shop.objects.all()] == [True, True]
    loaded = load(tmp_path)
    assert (len(loaded.shops), loaded.cases) == (4, 60)
    assert len(asked) == 5


def test_the_file_of_keys_is_readable_by_its_owner_alone(committed_db, tmp_path):
    load(tmp_path)
    path = tmp_path / FILE_NAME
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert "cbk_" in path.read_text()
    assert list(tmp_path.glob("*.new")) == []


@pytest.mark.parametrize("content", [None, "{broken", "[]", json.dumps({"shops": {"x": {"y": 1}}})])
def test_lost_or_damaged_keys_are_made_anew(committed_db, tmp_path, content):
    before = load(tmp_path).shops[0].access
    if content is None:
        (tmp_path / FILE_NAME).unlink()
    else:
        (tmp_path / FILE_NAME).write_text(content)
    after = load(tmp_path).shops[0].access
    assert set(after.keys) == set(before.keys)
    for role, secret in after.keys.items():
        assert find_key(secret).granted == {role}
    for sign_in in after.sign_ins.values():
        assert Person.objects.get(email=sign_in["email"]).check_password(sign_in["password"])


def test_a_revoked_key_is_replaced_and_a_changed_password_set_back(committed_db, tmp_path):
    before = load(tmp_path).shops[0]
    revoke_key(shop=before.shop, key_id=find_key(before.access.keys["search"]).pk)
    person = Person.objects.get(email=before.access.sign_ins["manager"]["email"])
    person.set_password("something else entirely")
    person.save()
    after = load(tmp_path).shops[0].access
    assert after.keys["search"] != before.access.keys["search"]
    assert after.keys["analyst"] == before.access.keys["analyst"]
    assert find_key(after.keys["search"]) is not None
    person.refresh_from_db()
    assert person.check_password(after.sign_ins["manager"]["password"])


def test_the_empty_demo_is_one_shop_with_access_and_no_cases(committed_db, tmp_path):
    loaded = load(tmp_path, empty_shops=1)
    assert (len(loaded.shops), loaded.cases) == (1, 0)
    assert set(loaded.shops[0].access.keys) == {"contribute", "search", "analyst"}


def test_any_number_of_empty_shops_each_with_keys_of_its_own(committed_db, tmp_path):
    loaded = load(tmp_path, empty_shops=30)
    assert len({item.shop.name for item in loaded.shops}) == 30
    secrets = {secret for item in loaded.shops for secret in item.access.keys.values()}
    assert len(secrets) == 90
    for item in loaded.shops[:3]:
        assert find_key(item.access.keys["search"]).shop == item.shop
    again = load(tmp_path, empty_shops=2)
    assert [item.access for item in again.shops] == [item.access for item in loaded.shops[:2]]


@pytest.mark.parametrize("first, then", [(None, 1), (1, None)])
def test_the_two_kinds_of_demo_do_not_mix(committed_db, tmp_path, first, then):
    load(tmp_path, empty_shops=first)
    with pytest.raises(Conflict, match="--data-dir"):
        load(tmp_path, empty_shops=then)


def test_cases_posted_to_an_empty_demo_are_counted_and_kept(committed_db, tmp_path):
    shop = load(tmp_path, empty_shops=1).shops[0].shop
    make_case(shop)
    assert load(tmp_path, empty_shops=1).cases == 1


def test_the_sample_in_the_repository_can_be_imported(shop, tmp_path):
    sample = Path(__file__).resolve().parents[2] / "fixtures" / "demo" / "cases.ndjson"
    copied = shutil.copy(sample, tmp_path)
    call_command("import_cases", str(shop.pk), str(copied))
    assert cases_of(shop) == 60


def test_places_in_the_demo_have_lasting_ids():
    assert demo_shop_id("full", 0) == demo_shop_id("full", 0)
    assert len({demo_shop_id(kind, i) for kind in ("full", "empty") for i in range(30)}) == 60
