"""One thread for many small linear-algebra calls."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from threadpoolctl import threadpool_limits


@contextmanager
def on_one_thread() -> Iterator[None]:
    """Within it (or within a function so decorated) BLAS and OpenMP use one thread.

    Fits to a few hundred cases are small: several threads mostly wait for one another, on busy
    cores ten times as long as the fit itself takes.
    """
    with threadpool_limits(limits=1):
        yield
