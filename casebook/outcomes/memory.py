"""What is worked out once for one reading of the pool, and forgotten with it. Pure."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from threading import Lock
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

Value = TypeVar("Value")

_lock = Lock()
_memory: WeakKeyDictionary[Any, dict[Hashable, Any]] = WeakKeyDictionary()


def remembered(owner: object, key: Hashable, work_out: Callable[[], Value]) -> Value:
    """The value of `key` for this owner, worked out the first time.

    owner: an object that never changes and is compared by identity. Two threads may work out the
    same value; one of the two is kept.
    """
    with _lock:
        known = _memory.setdefault(owner, {})
    if key not in known:
        known[key] = work_out()
    value: Value = known[key]
    return value
