"""The habits that tools can hold: style, types, import rules, migrations."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).resolve().parent.parent
BIN = Path(sys.executable).parent


def run(*command: str) -> None:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout}\n{done.stderr}"


def test_the_code_is_in_style():
    run(str(BIN / "ruff"), "check", ".")


def test_the_code_is_formatted():
    run(str(BIN / "ruff"), "format", "--check", ".")


@pytest.mark.timeout(600)
def test_types_hold():
    run(sys.executable, "-m", "mypy", "casebook", "api", "search")


def test_imports_point_down_and_pure_rooms_know_no_django():
    run(str(BIN / "lint-imports"))


def test_models_and_migrations_agree(database):
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def test_every_environment_variable_that_is_read_is_in_the_readme():
    readme = (ROOT / "README.md").read_text()
    sources = [ROOT / "manage.py", *(ROOT / "casebook").rglob("*.py")]
    read = {
        name
        for source in sources
        for name in re.findall(
            r"\b(?:CASEBOOK_[A-Z_]+|DATABASE_URL|REDIS_URL)\b", source.read_text()
        )
    }
    assert {"CASEBOOK_DATA_DIR", "DATABASE_URL"} <= read
    assert {name for name in read if name not in readme} == set()
