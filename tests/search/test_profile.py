"""The learned block: what would probably cure a case."""

import math
from dataclasses import replace

import numpy as np
import pytest

from search.core import CaseIndex, Design, IndexDamaged
from search.core.design import WEIGHTS
from search.core.profile import LEAST_CHANCE, SHARPNESS, CureModel, name_cure
from search.core.profile_fitting import (
    FEWEST_CASES,
    FEWEST_IN_CLASS,
    SCALES,
    deal_shops,
    fit_model,
    pool_cures,
)
from search.core.resolved import Cure, Followed
from search.core.vectoriser import Vectoriser
from tests.simulator.world import World

# Much of the weight, so that the block decides.
DESIGN = Design(weights=WEIGHTS | {"cures": 1.0})
WORDS = {"valve": "hiss gurgle whistle drip".split(), "pump": "grind screech rattle knock".split()}
CURES = {"valve": Cure("service", ("renew_valve",)), "pump": Cure("overhaul", ("renew_pump",))}


def make_followed(seed=1, count=160, shops=8, kind="ac_system", **fixed):
    """Two faults, each with words of its own, of which every case says only two."""
    rng = np.random.default_rng(seed)
    out = []
    for number in range(count):
        fault = "valve" if rng.random() < 0.5 else "pump"
        said = [*rng.choice(WORDS[fault], size=2, replace=False).tolist(), "vehicle"]
        case = {
            "id": f"{number:04d}",
            "complaint": " ".join(rng.permutation(said)),
            "unit_kind": kind,
            "age_years": float(rng.integers(20)),
            "cluster": int(rng.integers(shops)) + 1,
        }
        out.append(Followed(case | fixed, CURES[fault]))
    return out


@pytest.fixture(scope="module")
def followed():
    return make_followed()


@pytest.fixture(scope="module")
def model(followed):
    return fit_model(followed, DESIGN, scales=SCALES).model


@pytest.fixture(scope="module")
def index(followed, model):
    return CaseIndex.build([one.case for one in followed], design=replace(DESIGN, cures=model))


def shares(hit):
    return {part.block: part.share for part in hit.parts}


# --- What it is for ---------------------------------------------------------------------------


def test_cases_without_a_word_in_common_meet_by_what_would_cure_them(index, followed):
    query = {"complaint": "hiss gurgle", "unit_kind": "ac_system"}
    hits = {hit.id: hit for hit in index.search(query, limit=200)}
    apart = [one for one in followed if not {"hiss", "gurgle"} & set(one.case["complaint"].split())]
    valves = [shares(hits[one.case["id"]]) for one in apart if one.cure == CURES["valve"]]
    pumps = [shares(hits[one.case["id"]]) for one in apart if one.cure == CURES["pump"]]
    assert min(parts["likely_cure"] for parts in valves) > 0.4
    assert max(parts.get("likely_cure", 0.0) for parts in pumps) < 0.1


def test_the_cure_is_named(index):
    best = index.search({"complaint": "grind", "unit_kind": "ac_system"}, limit=1)[0]
    told = {part.block: part.matched for part in best.parts}["likely_cure"]
    assert told == ("overhaul:renew_pump",)


def test_a_case_is_exactly_like_itself_and_its_parts_add_up(index, followed):
    for one in followed[:40]:
        hits = {hit.id: hit for hit in index.search(one.case, limit=200)}
        assert hits[one.case["id"]].similarity == 1.0
        for hit in hits.values():
            assert sum(shares(hit).values()) == pytest.approx(hit.similarity, abs=1e-6)
            assert min(shares(hit).values()) >= 0
            assert hit.similarity <= 1


def test_a_query_of_another_kind_is_compared_as_if_there_were_no_such_block(index, followed):
    plain = CaseIndex.build([one.case for one in followed], design=DESIGN)
    for kind in ("engine", None):
        query = {"complaint": "hiss", "unit_kind": kind, "age_years": 3.0}
        assert index.search(query, limit=200) == plain.search(query, limit=200)


def test_a_case_of_a_kind_without_a_model_is_silent_not_different(followed, model):
    other = {"id": "zz", "complaint": "hiss gurgle", "unit_kind": "engine", "cluster": 1}
    design = replace(DESIGN, cures=model, credits=dict(DESIGN.credits) | {"cures": 1.0})
    index = CaseIndex.build([*(one.case for one in followed), other], design=design)
    query = {"complaint": "hiss gurgle", "unit_kind": "ac_system"}
    hit = {hit.id: hit for hit in index.search(query, limit=200)}["zz"]
    assert "likely_cure" not in shares(hit)
    total = sum(DESIGN.weights[name] for name in "words word_pairs letters unit cures".split())
    assert shares(hit)["not_recorded"] >= DESIGN.weights["cures"] / total - 1e-6


# --- Against a second, plain implementation ---------------------------------------------------


def plain_profile(model, followed_case, fold):
    """Feature by feature, from the model's arrays."""
    one = next(kind for kind in model.kinds if kind.kind == followed_case["unit_kind"])
    logs = [float(x) for x in one.intercepts[fold]]
    vectoriser = Vectoriser(DESIGN)
    view = vectoriser.view(followed_case)
    for block in vectoriser.blocks:
        read = (
            block.strengths(view).items()
            if hasattr(block, "strengths")
            else [(feature.name, feature.value) for feature in block.features(view)]
        )
        for name, value in read:
            if name in one.features:
                row = one.coefficients[fold][one.features.index(name)]
                logs = [x + value * float(c) for x, c in zip(logs, row, strict=True)]
    odds = [math.exp(x - max(logs)) for x in logs]
    chances = [x / sum(odds) for x in odds]
    sharp = [p**SHARPNESS if p >= LEAST_CHANCE else 0.0 for p in chances]
    length = math.sqrt(sum(x * x for x in sharp))
    named = zip(one.classes, sharp, strict=True)
    return {f"cures:{fold}|{one.kind}|{cure}": x / length for cure, x in named if x}


def test_the_block_is_the_cosine_of_the_two_profiles_under_the_cases_model(followed, model):
    only = dict.fromkeys(DESIGN.weights, 0.0) | {"cures": 1.0}
    design = replace(DESIGN, cures=model, weights=only)
    index = CaseIndex.build([one.case for one in followed], design=design)
    query = {"complaint": "vehicle hiss knock", "unit_kind": "ac_system", "age_years": 7.0}
    hits = {hit.id: hit.similarity for hit in index.search(query, limit=200)}
    for one in followed:
        fold = model.fold(one.case["cluster"])
        mine, theirs = (plain_profile(model, case, fold) for case in (query, one.case))
        cosine = sum(value * theirs.get(name, 0.0) for name, value in mine.items())
        assert hits.get(one.case["id"], 0.0) == pytest.approx(cosine, abs=2e-6)


# --- What it must not know --------------------------------------------------------------------


def profiles_of(model, cases):
    index = CaseIndex.build(cases, design=replace(DESIGN, cures=model))
    only = dict.fromkeys(DESIGN.weights, 0.0) | {"cures": 1.0}
    index = index.with_query_design(replace(index.design, weights=only))
    query = {"complaint": "hiss", "unit_kind": "ac_system"}
    return {hit.id: hit.similarity for hit in index.search(query, limit=len(cases))}


def test_a_resolution_has_no_part_in_the_profile_of_its_case(followed, model):
    """Resolve one case otherwise: the model that describes it is as before, up to the one
    temperature that all folds share; the models of the other folds have moved."""
    swap = {CURES["valve"]: CURES["pump"], CURES["pump"]: CURES["valve"]}
    turned = [replace(followed[0], cure=swap[followed[0].cure]), *followed[1:]]
    other = fit_model(turned, DESIGN, scales=SCALES).model
    fold = model.fold(followed[0].case["cluster"])

    def scaled(some, fold):
        slopes = some.kinds[0].coefficients[fold].astype(float)
        return slopes / np.abs(slopes).max()

    np.testing.assert_allclose(scaled(other, fold), scaled(model, fold), atol=1e-6)
    elsewhere = (fold + 1) % model.folds
    assert np.abs(scaled(other, elsewhere) - scaled(model, elsewhere)).max() > 1e-3


def test_a_word_that_gives_the_answer_away_in_one_shop_alone_helps_nobody():
    rng = np.random.default_rng(3)
    out = []
    for number in range(240):
        fault = "valve" if rng.random() < 0.5 else "pump"
        shop = int(rng.integers(12))
        said = f"vehicle jargon{shop}{fault}"  # each shop has its own word for each fault
        case = {"id": f"{number:04d}", "complaint": said, "unit_kind": "x", "cluster": shop}
        out.append(Followed(case, CURES[fault]))
    design = replace(DESIGN, letter_group_size=12)  # groups of letters would see the fault's name
    fitted = fit_model(out, design)
    assert fitted.model is None
    assert not fitted.kinds[0].used


def test_nothing_is_learned_where_the_cause_does_not_show():
    world = World(70_001, shops=20, cause_shows=False)
    cases = world.cases(1_200)
    fitted = fit_model([Followed(c.case, Cure(c.level, (c.action,))) for c in cases], DESIGN)
    judged = [kind for kind in fitted.kinds if not math.isnan(kind.gain)]
    assert len(judged) >= 4
    assert not any(kind.used for kind in judged)
    assert fitted.model is None


def test_much_is_learned_where_it_shows():
    world = World(70_001, shops=20)
    cases = world.cases(1_200)
    fitted = fit_model(
        [Followed(c.case, Cure(c.level, (c.action,))) for c in cases], DESIGN, scales=SCALES
    )
    judged = [kind for kind in fitted.kinds if not math.isnan(kind.gain)]
    assert all(kind.used and kind.gain > 0.3 for kind in judged)


# --- What is too little -----------------------------------------------------------------------


def test_too_few_cases_or_shops_or_cures_make_no_profile(followed):
    few = fit_model(followed[: FEWEST_CASES - 1], DESIGN, scales=SCALES)
    assert few.model is None
    assert "too few" in few.kinds[0].why
    one_shop = [replace(one, case=one.case | {"cluster": 1}) for one in followed]
    assert fit_model(one_shop, DESIGN, scales=SCALES).model is None
    one_cure = [replace(one, cure=CURES["pump"]) for one in followed]
    assert "one cure" in fit_model(one_cure, DESIGN, scales=SCALES).kinds[0].why
    assert fit_model([], DESIGN).model is None


def test_rare_cures_are_pooled_by_first_action_then_by_level_then_as_the_rest():
    n = FEWEST_IN_CLASS
    cures = (
        [Cure("service", ("a",))] * n
        + [Cure("service", ("b", f"x{i}")) for i in range(n)]
        + [Cure("overhaul", (f"y{i}",)) for i in range(n)]
        + [Cure("none", ())] * (n - 1)
    )
    shops = np.arange(len(cures)) % 3
    pooled = pool_cures(cures, shops)
    assert pooled[:n] == ["service:a"] * n
    assert pooled[n : 2 * n] == ["service:b+…"] * n
    assert pooled[2 * n : 3 * n] == ["overhaul"] * n
    assert pooled[3 * n :] == [""] * (n - 1)
    # Enough cases of a single shop are its habit, not a class.
    assert pool_cures(cures[:n], np.zeros(n, dtype=int)) == [""] * n


def test_cures_have_names():
    assert name_cure("service", ("a", "b")) == "service:a+b"
    assert name_cure("service", ("a",), others_too=True) == "service:a+…"
    assert name_cure("service") == "service"


def test_shops_are_dealt_evenly_and_whole():
    sizes = [40, 30, 10, 10, 5, 5]
    clusters = np.repeat(np.arange(6) * 7, sizes)
    fold_of = deal_shops(clusters, 2)
    assert set(fold_of) == {0, 7, 14, 21, 28, 35}
    loads = np.bincount([fold_of[int(c)] for c in clusters])
    assert sorted(loads) == [50, 50]


# --- Keeping ----------------------------------------------------------------------------------


def test_the_same_cases_give_the_same_model(followed, model):
    assert fit_model(followed, DESIGN, scales=SCALES).model.fingerprint == model.fingerprint
    other = make_followed(seed=2)
    assert fit_model(other, DESIGN, scales=SCALES).model.fingerprint != model.fingerprint


def test_a_model_survives_bytes_and_a_folder(followed, model, index, tmp_path):
    again = CureModel.from_bytes(model.to_bytes())
    assert again.fingerprint == model.fingerprint
    index.save(tmp_path / "one")
    opened = CaseIndex.open(tmp_path / "one")
    assert opened.design.fingerprint == index.design.fingerprint
    query = followed[3].case
    assert opened.search(query, limit=50) == index.search(query, limit=50)


def test_a_damaged_model_is_a_damaged_index(index, tmp_path):
    index.save(tmp_path / "one")
    path = tmp_path / "one" / "cures_coefficients.npy"
    data = bytearray(path.read_bytes())
    data[-1] ^= 1
    path.write_bytes(bytes(data))
    with pytest.raises(IndexDamaged, match="cures_coefficients"):
        CaseIndex.open(tmp_path / "one")


def test_another_model_is_another_design(model):
    with_model = replace(DESIGN, cures=model)
    assert with_model.fingerprint != DESIGN.fingerprint
    assert with_model.fingerprint == DESIGN.fingerprint_with(model.fingerprint)
    with pytest.raises(ValueError, match="model of cures"):
        Design.from_dict(with_model.as_dict())
    assert Design.from_dict(with_model.as_dict(), model) == with_model


def test_a_tail_ranks_as_a_rebuild_with_the_same_model(followed, model):
    design = replace(DESIGN, cures=model)
    cases = [one.case for one in followed]
    base = CaseIndex.build(cases[:100], design=design)
    tail = base
    for case in cases[100:]:
        tail = tail.with_tail([case])
    assert profiles_of(model, cases) == pytest.approx(
        {
            hit.id: hit.similarity
            for hit in tail.with_query_design(
                replace(design, weights=dict.fromkeys(design.weights, 0.0) | {"cures": 1.0})
            ).search({"complaint": "hiss", "unit_kind": "ac_system"}, limit=200)
        },
        abs=1e-7,
    )


def test_cases_of_a_shop_that_came_later_have_profiles(model):
    later = [one.case | {"cluster": 900 + n} for n, one in enumerate(make_followed(9, count=4))]
    index = CaseIndex.build(later, design=replace(DESIGN, cures=model))
    for case in later:
        hit = index.search(case, limit=1)[0]
        assert (hit.id, hit.similarity) == (case["id"], 1.0)
        assert "likely_cure" in shares(hit)
