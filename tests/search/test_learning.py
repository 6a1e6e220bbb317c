"""What an installation learns from its own cases, puts in force, and sets back."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.core.management import CommandError, call_command
from django.db import IntegrityError, transaction
from django.utils import timezone

from casebook.cases.models import Outbox
from casebook.cases.reading import read_search
from casebook.cases.services import today
from casebook.shops.tenancy import reading_shared
from search import adapter, tasks
from search.adapter import learned, learning
from search.core import profile_fitting, tuning
from search.core.design import WEIGHTS
from search.models import LearnedDesign
from tests import factories


@pytest.fixture(autouse=True)
def own_index(settings, tmp_path):
    settings.INDEX_DIR = tmp_path / "index"
    adapter.server.forget()
    yield
    adapter.server.forget()


@pytest.fixture
def little_is_enough(monkeypatch):
    """So that a dozen cases teach something."""
    monkeypatch.setattr(learning, "FEWEST_CASES", 12)
    monkeypatch.setattr(profile_fitting, "FEWEST_CASES", 12)
    monkeypatch.setattr(profile_fitting, "FEWEST_SHOPS", 3)
    monkeypatch.setattr(profile_fitting, "FEWEST_IN_CLASS", 3)
    monkeypatch.setattr(profile_fitting, "FEWEST_WITH_FEATURE", 2)


COMPRESSOR, RECHARGE = ["replace_compressor"], ["recharge_refrigerant"]


def fill(shops, each=8):
    """Two faults that sound different, each with its cure, in every shop."""
    for shop in shops:
        for number in range(each):
            grinds = number % 2 == 0
            factories.make_case(
                shop,
                complaint="grinding and screeching" if grinds else "lukewarm and hissing",
                codes=[{"code": "P0530" if grinds else "P0533"}],
                attempts=[
                    {
                        "on": "2026-05-12",
                        "level": "component" if grinds else "service",
                        "actions": COMPRESSOR if grinds else RECHARGE,
                        "result": "fixed",
                    }
                ],
            )


@pytest.fixture
def shops(database):
    made = [factories.make_shop() for _ in range(5)]
    fill(made)
    return made


def search(shop, **request):
    data = factories.case_data()
    request = {name: data[name] for name in ("vehicle", "unit")} | request
    document = read_search(request, today=today())
    return adapter.search_cases(document=document, cluster=shop.cluster)


def parts_of(result):
    return {part.block for hit in result.hits for part in hit.parts}


def test_the_first_index_with_enough_resolved_cases_has_the_learned_block(shops, little_is_enough):
    adapter.build_index()
    row = LearnedDesign.objects.get()
    assert (row.source, row.is_active, row.weights) == ("first", True, {})
    assert row.resolved_cases == 40
    result = search(shops[0], complaint="screeching", codes=[{"code": "P0530"}])
    first = {part.block: part for part in result.hits[0].parts}["likely_cure"]
    assert first.matched[0] == "component:replace_compressor"
    assert sum(part.share for part in result.hits[0].parts) == pytest.approx(
        result.hits[0].similarity, abs=1e-6
    )
    assert not adapter.index_status().outdated


def test_nothing_is_learned_from_too_few_cases(shops):
    adapter.build_index()
    assert not LearnedDesign.objects.exists()
    assert "likely_cure" not in parts_of(search(shops[0], complaint="screeching"))
    assert adapter.index_status().present


def test_every_process_asks_by_the_new_weights_in_its_next_search(shops, little_is_enough):
    adapter.build_index()
    assert "codes" in parts_of(search(shops[0], codes=[{"code": "P0530"}]))
    row = LearnedDesign.objects.get()
    LearnedDesign.objects.update(is_active=False)
    weights = dict.fromkeys(WEIGHTS, 0.0) | {"vehicle": 1.0}
    LearnedDesign.objects.create(
        source="tuned",
        weights=weights,
        model=bytes(row.model),
        model_fingerprint=row.model_fingerprint,
        reading_fingerprint=row.reading_fingerprint,
        resolved_cases=40,
        is_active=True,
    )
    assert parts_of(search(shops[0], codes=[{"code": "P0530"}])) == {"vehicle"}
    learning.set_back()
    assert "codes" in parts_of(search(shops[0], codes=[{"code": "P0530"}]))


def test_an_index_goes_on_with_its_own_model_until_it_is_built_anew(shops, little_is_enough):
    adapter.build_index()
    before = search(shops[0], complaint="screeching")
    fill([factories.make_shop()])
    learned_now = learning.learn()
    assert learned_now.fitted.model is not None
    assert adapter.index_status().outdated
    assert "likely_cure" in parts_of(search(shops[0], complaint="screeching"))
    assert adapter.server.needs_rebuild() == "outdated"
    assert Outbox.objects.filter(topic="index", key="outdated").exists()
    adapter.build_index()
    adapter.server.forget()
    assert len(search(shops[0], complaint="screeching").hits) == len(before.hits) + 8
    assert not adapter.index_status().outdated
    assert adapter.server.needs_rebuild() == ""


def test_searches_without_an_index_have_the_learned_block_too(shops, little_is_enough):
    assert learning.learn_first()
    assert "likely_cure" in parts_of(search(shops[0], complaint="screeching"))


def test_only_one_design_is_active(database):
    row = {"source": "by_hand", "reading_fingerprint": "x", "resolved_cases": 0, "is_active": True}
    LearnedDesign.objects.create(**row)
    with pytest.raises(IntegrityError), transaction.atomic():
        LearnedDesign.objects.create(**row)


def test_searches_may_read_what_was_learned_and_not_write_it(database):
    with reading_shared():
        assert learned.find_active() is None
        with pytest.raises(Exception, match="permission denied"), transaction.atomic():
            LearnedDesign.objects.all().delete()


def test_old_ones_are_forgotten(database, monkeypatch):
    monkeypatch.setattr(learning, "KEPT", 3)
    for _ in range(5):
        learning.set_back()
    assert LearnedDesign.objects.count() == 3
    assert LearnedDesign.objects.filter(is_active=True).count() == 1


def test_learning_by_itself_leaves_what_a_person_chose(shops, little_is_enough, monkeypatch):
    now = timezone.now()
    assert learning.is_learning_due(now=now)
    learning.learn_first()
    assert learning.is_learning_due(now=now)  # weights have not been tried yet
    learning.learn()
    assert not learning.is_learning_due(now=now + timedelta(days=30))
    fill(shops, each=2)
    assert not learning.is_learning_due(now=now + timedelta(days=3))
    assert learning.is_learning_due(now=now + timedelta(days=30))
    monkeypatch.setattr(learning, "SHORTEST_PAUSE", timedelta(0))
    tasks.learn()
    assert not learning.is_learning_due(now=now + timedelta(days=30))
    fill(shops)
    learning.set_back()
    assert not learning.is_learning_due(now=now + timedelta(days=60))


def test_the_command_reports_lists_and_switches(shops, little_is_enough, capsys):
    call_command("tune_similarity")
    said = capsys.readouterr().out
    assert "Learned from 40 resolved cases" in said
    assert f"needs {tuning.FEWEST_OF_A_KIND} resolved cases" in said
    first = LearnedDesign.objects.get(is_active=True).pk
    call_command("tune_similarity", "--hand-set")
    assert LearnedDesign.objects.get(is_active=True).pk != first
    call_command("tune_similarity", f"--use={first}")
    assert LearnedDesign.objects.get(is_active=True).pk == first
    capsys.readouterr()
    call_command("tune_similarity", "--list")
    listed = capsys.readouterr().out.splitlines()
    assert len(listed) == 2
    assert listed[1].endswith("in force")
    assert not listed[0].endswith("in force")


def test_a_number_that_was_never_learned_is_refused(database):
    with pytest.raises(CommandError, match="Nothing learned has the number 77"):
        call_command("tune_similarity", "--use=77")


def test_weights_survive_a_block_that_came_later(database, little_is_enough):
    LearnedDesign.objects.create(
        source="tuned",
        weights={"words": 0.5, "gone_block": 0.5},
        reading_fingerprint="x",
        resolved_cases=0,
        is_active=True,
    )
    weights = learned.read_active_design().weights
    assert weights["words"] == 0.5
    assert weights["codes"] == WEIGHTS["codes"]
    assert "gone_block" not in weights
