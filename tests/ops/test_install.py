"""The installer of the two scripts: what it shares out, and when it has nothing to do."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.fixture
def installer(tmp_path, monkeypatch) -> ModuleType:
    """deploy/install.py, looking at an environment that is not there."""
    spec = importlib.util.spec_from_file_location("install", ROOT / "deploy" / "install.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    monkeypatch.setattr(module, "ENVIRONMENT", tmp_path)
    monkeypatch.setattr(module, "STAMP", tmp_path / "installed-from")
    return module


def pins(text: str) -> list[str]:
    return re.findall(r"^[a-z0-9][^ ;]*==[^ ;\\]+", text, flags=re.MULTILINE)


@pytest.mark.parametrize("purpose", ["demo", "test"])
def test_every_pin_with_all_its_hashes_is_in_exactly_one_part(installer, purpose):
    whole = installer.LOCKS[purpose].read_text()
    parts = installer.split_lock(purpose, 2)
    assert len(parts) == 2
    assert sorted(pins("\n".join(parts))) == sorted(pins(whole))
    assert sum(part.count("--hash=") for part in parts) == whole.count("--hash=")
    # Each is a lock file by itself: no entry begins in the middle of another.
    assert all(re.match(r"[a-z0-9]", part) for part in parts)


def test_the_test_environment_is_good_enough_for_the_demo_and_not_the_other_way(installer):
    python = installer.ENVIRONMENT / "bin" / "python"
    python.parent.mkdir()
    python.touch()
    assert not installer.is_current("demo")
    installer.STAMP.write_text(installer.fingerprint("test"))
    assert installer.is_current("demo")
    assert installer.is_current("test")
    installer.STAMP.write_text(installer.fingerprint("demo"))
    assert installer.is_current("demo")
    assert not installer.is_current("test")


def test_another_lock_file_means_another_installation(installer, tmp_path, monkeypatch):
    before = installer.fingerprint("demo")
    changed = tmp_path / "requirements.lock"
    changed.write_text(installer.LOCKS["demo"].read_text() + "\n# renewed\n")
    monkeypatch.setitem(installer.LOCKS, "demo", changed)
    assert installer.fingerprint("demo") != before


def test_the_test_lock_holds_everything_of_the_demo_lock(installer):
    demo, test = (set(pins(installer.LOCKS[name].read_text())) for name in ("demo", "test"))
    assert demo <= test


def test_lock_files_name_no_host(installer):
    for path in installer.LOCKS.values():
        assert "://" not in path.read_text()
