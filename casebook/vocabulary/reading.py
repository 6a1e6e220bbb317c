"""Small tools for reading one table of a data file, collecting faults instead of stopping."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

T = TypeVar("T")

_KEY = re.compile(r"[a-z][a-z0-9]*(_[a-z0-9]+)*")


class Faults(list[str]):
    """What is wrong, one sentence per place."""

    def add(self, where: str, what: str) -> None:
        self.append(f"{where} {what}")


class Table:
    """One term as it stands in its file. Every read names a field; `finish` finds the unread."""

    def __init__(self, where: str, key: str, body: object, faults: Faults) -> None:
        self.key = key
        self._where = where
        self._faults = faults
        self._read: set[str] = set()
        if not isinstance(body, Mapping):
            self.fault("must be a table.")
        self._body: Mapping[str, Any] = body if isinstance(body, Mapping) else {}
        if not _KEY.fullmatch(key):
            self.fault("is no key: lower case letters, digits, single underscores.")

    def fault(self, what: str) -> None:
        self._faults.add(self._where, what)

    def finish(self, term: T) -> T:
        """Refuses fields that nothing reads: a typing error must not vanish."""
        for name in self._body.keys() - self._read:
            self.fault(f"has an unknown field {name}.")
        return term

    def _get(self, name: str) -> Any:
        self._read.add(name)
        return self._body.get(name)

    def text(self, name: str) -> str:
        value = self._get(name)
        if isinstance(value, str) and value and value == value.strip():
            return value
        self.fault(f"needs {name} as text.")
        return ""

    def optional_text(self, name: str) -> str | None:
        return None if self._get(name) is None else self.text(name)

    def texts(self, name: str) -> tuple[str, ...]:
        value = self._get(name)
        if value is None:
            return ()
        if not isinstance(value, list) or not all(isinstance(v, str) and v for v in value):
            self.fault(f"needs {name} as a list of texts.")
            return ()
        if len(set(value)) < len(value):
            self.fault(f"lists something twice in {name}.")
        return tuple(value)

    def required_texts(self, name: str) -> tuple[str, ...]:
        """A list that may be empty but must have been thought about."""
        if self._get(name) is None:
            self.fault(f"needs {name}; write [] where there are none.")
        return self.texts(name)

    def choice(self, name: str, among: Sequence[str]) -> str:
        value = self._get(name)
        if isinstance(value, str) and value in among:
            return value
        self.fault(f"needs {name} as one of {', '.join(among)}.")
        return among[0]

    def whole(self, name: str) -> int:
        value = self._get(name)
        if isinstance(value, int) and not isinstance(value, bool) and value > 0:
            return value
        self.fault(f"needs {name} as a whole number above 0.")
        return 1

    def rows(self, name: str) -> list[Any]:
        value = self._get(name)
        if isinstance(value, list):
            return value
        self.fault(f"needs {name} as a list.")
        return []

    def numbers(self, name: str) -> tuple[float, ...]:
        value = self._get(name)
        if isinstance(value, list) and _all_numbers(value):
            return tuple(float(v) for v in value)
        self.fault(f"needs {name} as a list of numbers.")
        return ()

    def pair(self, name: str) -> tuple[float, float] | None:
        values = self.numbers(name)
        if len(values) == 2:
            return values[0], values[1]
        self.fault(f"needs {name} as [low, high].")
        return None

    def optional_pair(self, name: str) -> tuple[float, float] | None:
        return None if self._get(name) is None else self.pair(name)


def _all_numbers(values: Iterable[object]) -> bool:
    return all(isinstance(v, int | float) and not isinstance(v, bool) for v in values)
