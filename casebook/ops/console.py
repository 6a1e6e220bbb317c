"""What the management commands share: one-line errors, exit status, progress."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from casebook.errors import CasebookError, InvalidDocument


def one_line(error: CasebookError) -> str:
    """The error for a terminal: every fault, on one line."""
    if isinstance(error, InvalidDocument):
        return "; ".join(f"{fault.pointer.lstrip('/')}: {fault.detail}" for fault in error.errors)
    return error.detail


class CasebookCommand(BaseCommand):
    """Turns our errors into one line on stderr; 1 for a failed run, 2 for wrong use."""

    def execute(self, *args: Any, **options: Any) -> str | None:
        try:
            return super().execute(*args, **options)
        except CasebookError as error:
            status = 2 if isinstance(error, InvalidDocument) else 1
            raise CommandError(one_line(error), returncode=status) from error


class Progress:
    """A line on stderr that grows on a terminal and is thin in a log. Silent for two seconds."""

    def __init__(self, what: str, total: int | None = None) -> None:
        self.what, self.total, self.done = what, total, 0
        self._started = time.monotonic()
        self._next = self._started + 2.0

    def step(self, count: int = 1) -> None:
        self.done += count
        now = time.monotonic()
        if now > self._next:
            self._next = now + (0.5 if sys.stderr.isatty() else 3.0)
            self._print("\r" if sys.stderr.isatty() else "\n")

    def _print(self, end: str) -> None:
        of = f" of {self.total:,}" if self.total else ""
        sys.stderr.write(f"{self.what}: {self.done:,}{of}{end}")
        sys.stderr.flush()

    def finish(self) -> None:
        if time.monotonic() - self._started > 2:
            self._print("\n")


@contextmanager
def progress(what: str, total: int | None = None) -> Iterator[Progress]:
    shown = Progress(what, total)
    yield shown
    shown.finish()
