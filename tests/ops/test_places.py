"""Where the servers' programs are found, and how an account without rights gets at them."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from casebook.embedded import EmbeddedError, places, servers
from casebook.embedded.errors import explain_os_error
from casebook.embedded.places import Account, choose_account, find_postgres, make_reachable

as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root has another account to run as")


@pytest.fixture
def folder_for_all() -> Iterator[Path]:
    """Not pytest's own, which only its owner may enter."""
    folder = Path(tempfile.mkdtemp(prefix="casebook-places-", dir="/var/tmp"))
    folder.chmod(0o755)
    yield folder
    shutil.rmtree(folder)


def make_programs(parent: Path) -> Path:
    """A stand-in for an unpacked wheel; returns its server program."""
    program = parent / "wheel" / "pginstall18" / "bin" / "postgres"
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\necho 'postgres (PostgreSQL) 18.4'\n")
    program.chmod(0o700)
    (parent / "wheel.libs").mkdir()
    (parent / "wheel.libs" / "libpq.so").write_text("library")
    return program


def test_programs_come_from_the_wheel_in_the_wanted_version():
    newest = find_postgres(None)
    assert (newest / "bin" / "postgres").exists()
    with pytest.raises(EmbeddedError, match="written by PostgreSQL 9"):
        find_postgres("9")


def test_a_missing_wheel_is_one_line_with_a_remedy(monkeypatch):
    monkeypatch.setattr(places, "POSTGRES_WHEELS", ("no_such_wheel",))
    with pytest.raises(EmbeddedError, match=r"no_such_wheel.*deploy/demo.*DATABASE_URL"):
        find_postgres(None)


@as_root
def test_root_runs_servers_as_somebody_without_rights(tmp_path):
    account = choose_account(tmp_path / "not there yet")
    assert account.uid not in (None, 0)
    data = tmp_path / "data"
    data.mkdir()
    os.chown(data, 12345, 23456)
    assert choose_account(data) == Account(12345, 23456)


@as_root
def test_programs_in_a_closed_folder_are_copied_to_an_open_one_once(folder_for_all, tmp_path):
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    program = make_programs(closed)
    account = choose_account(tmp_path / "none")
    near = folder_for_all / "servers"
    copy = make_reachable(program, program.parent.parent, account, near)
    assert copy.is_relative_to(near)
    # The sibling stays a sibling: the programs look for it there.
    assert (copy.parents[3] / "wheel.libs" / "libpq.so").read_text() == "library"
    first = copy.stat().st_ino
    assert make_reachable(program, program.parent.parent, account, near).stat().st_ino == first
    # What was closed stays closed.
    assert closed.stat().st_mode & 0o777 == 0o700


@as_root
def test_programs_are_not_run_from_where_others_may_write(folder_for_all, tmp_path, monkeypatch):
    program = make_programs(tmp_path)
    near = folder_for_all / "servers"
    near.mkdir()
    near.chmod(0o777)
    monkeypatch.setattr(places, "SHARED_PLACES", ())
    with pytest.raises(EmbeddedError, match="can reach neither"):
        make_reachable(program, program.parent.parent, choose_account(tmp_path / "none"), near)


def test_too_little_room_is_said_before_anything_is_written(tmp_path, monkeypatch):
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(servers.shutil, "disk_usage", lambda path: usage._replace(free=7_000_000))
    with pytest.raises(EmbeddedError, match=r"Only 7 MB are free .* needs 150 MB"):
        servers.Postgres(tmp_path).launch()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "number, words",
    [
        (errno.ENOSPC, "is full; make room"),
        (errno.EDQUOT, "is full; make room"),
        (errno.EACCES, "can't be written"),
        (errno.EROFS, "can't be written"),
        (errno.ENOTDIR, "can't be used"),
    ],
)
def test_what_the_system_refuses_is_said_in_one_line(number, words):
    said = str(explain_os_error(OSError(number, os.strerror(number)), Path("/data")))
    assert words in said
    assert "/data" in said
    assert "\n" not in said
