"""What runs on this machine, read from /proc; and patience that has an end."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path


def wait_until(what: Callable[[], object], *, within_s: float = 30.0) -> None:
    deadline = time.monotonic() + within_s
    while not what():
        if time.monotonic() > deadline:
            raise AssertionError(f"not within {within_s} s: {what}")
        time.sleep(0.02)


def parents() -> dict[int, int]:
    """Living processes and the parent of each; what only waits to be collected is not living."""
    found = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            # The name in brackets may itself hold brackets and blanks.
            state, parent = (entry / "stat").read_text().rpartition(")")[2].split()[:2]
        except OSError:
            continue  # gone between listing and reading
        if state not in "ZX":
            found[int(entry.name)] = int(parent)
    return found


def processes_of(folder: Path) -> set[int]:
    """All that name this folder in their command or environment, and all below them, but not us."""
    living = parents()
    wanted = str(folder).encode()
    found = {pid for pid in living if pid != os.getpid() and wanted in _words_of(pid)}
    while True:
        below = {pid for pid, parent in living.items() if parent in found} - found
        if not below:
            return found
        found |= below


def are_gone(pids: Iterable[int]) -> bool:
    return not set(pids) & set(parents())


def child_named(parent: int, word: str) -> int:
    """The child of `parent` whose command holds the word."""
    for pid, its_parent in parents().items():
        if its_parent == parent and word.encode() in _read(pid, "cmdline"):
            return pid
    raise AssertionError(f"process {parent} has no child named {word}")


def kill_hard(*pids: int) -> None:
    for pid in pids:
        # Some end by themselves once their parent is gone.
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)


def _words_of(pid: int) -> bytes:
    return _read(pid, "cmdline") + _read(pid, "environ")


def _read(pid: int, name: str) -> bytes:
    try:
        return Path(f"/proc/{pid}/{name}").read_bytes()
    except OSError:
        return b""
