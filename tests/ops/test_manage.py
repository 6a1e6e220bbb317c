"""manage.py itself: which commands get servers, where data lives, how faults are said."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import manage

ROOT = Path(__file__).resolve().parent.parent.parent


def run_manage(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(ROOT / "manage.py"), *arguments],
        capture_output=True,
        text=True,
        env=dict(os.environ) | environment,
        check=False,
    )


@pytest.fixture
def without_data_dir(monkeypatch):
    monkeypatch.setenv("CASEBOOK_DATA_DIR", "/before")


@pytest.mark.usefixtures("without_data_dir")
@pytest.mark.parametrize(
    "arguments, rest, folder",
    [
        (["up", "--data-dir", "/a b", "--port", "1"], ["up", "--port", "1"], "/a b"),
        (["up", "--data-dir=/c"], ["up"], "/c"),
        (["--data-dir", "/c", "doctor"], ["doctor"], "/c"),
        (["doctor"], ["doctor"], "/before"),
        (["x", "--", "--data-dir", "/c"], ["x", "--", "--data-dir", "/c"], "/before"),
    ],
)
def test_every_command_understands_data_dir(arguments, rest, folder):
    assert manage.take_data_dir(arguments) == rest
    assert os.environ["CASEBOOK_DATA_DIR"] == folder


@pytest.mark.usefixtures("without_data_dir")
def test_a_relative_data_dir_counts_from_where_the_command_is_given(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    manage.take_data_dir(["doctor", "--data-dir", "here"])
    assert os.environ["CASEBOOK_DATA_DIR"] == str(tmp_path / "here")


@pytest.mark.parametrize(
    "arguments, needed",
    [
        ([], False),
        (["help"], False),
        (["up", "--help"], False),
        (["add_shop", "-h"], False),
        (["check"], False),
        (["makemigrations", "--check"], False),
        (["spectacular"], False),
        (["--version"], False),
        (["up"], True),
        (["add_shop", "Harbour Motors"], True),
        (["migrate", "--database", "owner"], True),
    ],
)
def test_only_commands_that_need_servers_get_them(arguments, needed):
    assert manage.needs_servers(arguments) is needed


def test_help_starts_no_servers(tmp_path):
    done = run_manage("up", "--help", "--data-dir", str(tmp_path), DATABASE_URL="", REDIS_URL="")
    assert done.returncode == 0
    assert "--port" in done.stdout
    assert not (tmp_path / "servers").exists()


def test_data_dir_without_a_folder_is_wrong_use():
    done = run_manage("doctor", "--data-dir")
    assert done.returncode == 2
    assert done.stderr == "manage.py: --data-dir needs the path of a folder.\n"


def test_a_folder_that_can_not_be_used_is_one_line(tmp_path):
    (tmp_path / "file").touch()
    folder = tmp_path / "file" / "data"
    done = run_manage("doctor", "--data-dir", str(folder), DATABASE_URL="", REDIS_URL="")
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert str(folder) in done.stderr


def test_a_database_that_does_not_answer_is_one_line():
    nowhere = "postgresql://owner:x@127.0.0.1:1/none"
    done = run_manage("add_shop", "Harbour Motors", "--region", "north", DATABASE_URL=nowhere)
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "does not answer" in done.stderr


def test_a_secret_key_that_is_too_short_is_one_line_and_wrong_use():
    done = run_manage("doctor", CASEBOOK_SECRET_KEY="short")
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "32 characters" in done.stderr
