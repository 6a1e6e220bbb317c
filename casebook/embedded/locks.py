"""Advisory locks on files. The kernel frees them with their last holder, however it ends."""

from __future__ import annotations

import fcntl
import os
import time
from pathlib import Path

_PAUSE_S = 0.02


def open_lock(path: Path) -> int:
    """A descriptor to lock; not handed down to programs unless asked for by name."""
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)


def try_lock(fd: int, *, shared: bool = False) -> bool:
    try:
        fcntl.flock(fd, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def lock_within(fd: int, seconds: float, *, shared: bool = False) -> bool:
    deadline = time.monotonic() + seconds
    while not try_lock(fd, shared=shared):
        if time.monotonic() > deadline:
            return False
        time.sleep(_PAUSE_S)
    return True


def unlock(fd: int) -> None:
    fcntl.flock(fd, fcntl.LOCK_UN)


def is_locked(path: Path) -> bool:
    """Whether anybody holds it exclusively. Shared, so that many may ask at once."""
    try:
        fd = open_lock(path)
    except FileNotFoundError:
        return False
    try:
        return not try_lock(fd, shared=True)
    finally:
        os.close(fd)
