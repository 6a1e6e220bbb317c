"""Reading data files: what is wrong with them is said, all of it, and nothing slips through."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from casebook.vocabulary import VocabularyError, load_vocabulary, read_vocabulary
from casebook.vocabulary.loading import DATA_DIR

GOOD_CHECK = """
[tap_test]
label = "Tap it"
kind = "ordinal"
minutes = 5
meaning = "Tap and listen."
cautions = ["rotating_parts"]
results = [["normal", "Silent", 0.0], ["rattles", "Rattles", 0.7]]
"""


@pytest.fixture
def data_dir(tmp_path: Path) -> Path:
    """A copy of the shipped files with one more of checks, symptoms and actions to spoil."""
    copy = tmp_path / "data"
    shutil.copytree(DATA_DIR, copy)
    (copy / "checks" / "zz.toml").write_text(GOOD_CHECK)
    return copy


def faults_of(data_dir: Path) -> tuple[str, ...]:
    with pytest.raises(VocabularyError) as caught:
        read_vocabulary(data_dir)
    return caught.value.faults


def test_a_good_file_adds_its_term(data_dir):
    vocabulary = read_vocabulary(data_dir)
    check = vocabulary.checks["tap_test"]
    assert check.normal == "normal"
    assert check.result("rattles").severity == 0.7
    assert check.source == "common practice, no source"
    with pytest.raises(KeyError):
        check.result("sings")


@pytest.mark.parametrize(
    "before, after, said",
    [
        ('cautions = ["rotating_parts"]\n', "", "needs cautions; write [] where there are none"),
        ("rotating_parts", "dragons", "dragons is no caution"),
        ("minutes = 5", "minutes = 0", "minutes as a whole number above 0"),
        ("minutes = 5", "minutes = true", "minutes as a whole number above 0"),
        ("minutes = 5", "minuets = 5", "unknown field minuets"),
        ('kind = "ordinal"', 'kind = "guess"', "kind as one of ordinal, category, number"),
        ("0.7]", "1.7]", "severity from 0 to 1"),
        ('"rattles", "Rattles"', '"normal", "Rattles"', "two results of one key"),
        (', ["rattles", "Rattles", 0.7]', "", "two results at least"),
        ('label = "Tap it"', 'label = " Tap it"', "needs label as text"),
        ("[tap_test]", "[TapTest]", "is no key"),
        ("[tap_test]", "[road_test]", "is already in general.toml"),
        ("minutes = 5", 'minutes = 5\nnormal = "quiet"', "quiet is none of its results"),
        ("minutes = 5", 'minutes = 5\nbefore = ["full_moon"]', "full_moon is no precondition"),
        ("minutes = 5", 'minutes = 5\nunit_kinds = ["boat"]', "boat is no unit kind"),
        ("minutes = 5", 'minutes = 5\nunit_kinds = ["@boats"]', "@boats is no group"),
        ("minutes = 5", 'minutes = 5\nsynonyms = ["a", "a"]', "lists something twice"),
    ],
)
def test_a_fault_in_a_check_is_named(data_dir, before, after, said):
    assert before in GOOD_CHECK
    (data_dir / "checks" / "zz.toml").write_text(GOOD_CHECK.replace(before, after))
    faults = faults_of(data_dir)
    assert any(said in fault for fault in faults), faults


NUMBER = """
[rim_temperature]
label = "Rim temperature"
kind = "number"
minutes = 5
meaning = "Thermometer."
cautions = []
unit = "°C"
hard = [-60, 900]
soft = [0, 90]
bins = [20, 60, 120]
"""


@pytest.mark.parametrize(
    "before, after, said",
    [
        ("hard = [-60, 900]\n", "", "needs hard"),
        ("soft = [0, 90]", "soft = [90, 0]", "soft must lie within hard"),
        ("soft = [0, 90]", "soft = [0, 1000]", "soft must lie within hard"),
        ("bins = [20, 60, 120]", "bins = [20, 20]", "bins must be two or more ascending"),
        ("bins = [20, 60, 120]", 'bins = ["a"]', "bins as a list of numbers"),
        ("soft = [0, 90]", "soft = [0, 90]\nsoft_24v = [5, 1]", "soft_24v must lie within hard"),
    ],
)
def test_a_fault_in_a_number_is_named(data_dir, before, after, said):
    assert before in NUMBER
    (data_dir / "checks" / "zz.toml").write_text(NUMBER.replace(before, after))
    faults = faults_of(data_dir)
    assert any(said in fault for fault in faults), faults


def test_all_faults_are_said_at_once(data_dir):
    (data_dir / "symptoms" / "zz.toml").write_text('[sings]\nlabel = "Sings"\n')
    (data_dir / "actions" / "zz.toml").write_text(
        '[pray]\nlabel = "Prayed"\nlevel = "miracle"\ncautions = []\n'
    )
    (data_dir / "checks" / "zz.toml").write_text(GOOD_CHECK.replace("minutes = 5", "minutes = -1"))
    faults = "\n".join(faults_of(data_dir))
    for said in ("zz.toml: sings needs meaning", "pray needs level", "tap_test needs minutes"):
        assert said in faults


def test_a_file_that_is_no_toml_is_named(data_dir):
    (data_dir / "checks" / "zz.toml").write_text("[tap_test\n")
    assert "zz.toml" in faults_of(data_dir)[0]


def rename(data_dir: Path, *, old: str, new: str) -> None:
    (data_dir / "renames.toml").write_text(
        f'[[renames]]\ntheme = "symptoms"\nold = "{old}"\nnew = "{new}"\n'
        'since = "2026.2"\nreason = "Clearer."\n'
    )


def test_a_renamed_key_is_resolved_with_a_word_of_warning(data_dir):
    rename(data_dir, old="blows_hot", new="warm_air")
    vocabulary = read_vocabulary(data_dir)
    key, warning = vocabulary.resolve("symptoms", "blows_hot")
    assert key == "warm_air"
    assert "warm_air" in warning
    assert vocabulary.resolve("symptoms", "warm_air") == ("warm_air", None)
    assert vocabulary.resolve("checks", "blows_hot") == ("blows_hot", None)
    assert vocabulary.as_document()["renamed"][0]["old"] == "blows_hot"


@pytest.mark.parametrize(
    "old, new, said",
    [
        ("blows_hot", "nowhere", "nowhere is not in symptoms"),
        ("cools_weakly", "warm_air", "cools_weakly is still in symptoms"),
    ],
)
def test_a_rename_that_leads_nowhere_is_refused(data_dir, old, new, said):
    rename(data_dir, old=old, new=new)
    assert any(said in fault for fault in faults_of(data_dir))


def test_the_version_follows_the_content(data_dir):
    shipped = load_vocabulary().version
    assert read_vocabulary(DATA_DIR).version == shipped
    with_one_more = read_vocabulary(data_dir).version
    (data_dir / "checks" / "zz.toml").write_text(GOOD_CHECK.replace("0.7", "0.8"))
    with_other_severity = read_vocabulary(data_dir).version
    assert len({shipped, with_one_more, with_other_severity}) == 3
    assert shipped.split("+")[0] == with_one_more.split("+")[0]


def test_the_room_knows_no_framework():
    script = (
        "import sys, casebook.vocabulary as v, casebook.vocabulary.codes, "
        "casebook.vocabulary.vin, casebook.vocabulary.limits, casebook.vocabulary.normaliser\n"
        "v.load_vocabulary()\n"
        "print([m for m in sys.modules if m.split('.')[0] in ('django', 'pydantic', 'celery')])"
    )
    answer = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert answer.stdout.strip() == "[]"
