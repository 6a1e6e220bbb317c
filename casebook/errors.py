"""The errors that Casebook's rooms raise, and nothing else.

    CasebookError
    ├── InvalidDocument   what was sent can't be accepted; says where and what to do
    ├── NotFound          not there, or not yours: the two are never told apart
    ├── NotAllowed        the key or person lacks the role
    ├── Conflict          the request contradicts what is stored
    ├── StaleVersion      somebody else changed it first
    └── Unavailable       a part that is needed is away just now; try again

Each has a stable `code`; doors turn them into problems, pages or exit codes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class FieldError:
    """One fault: a JSON pointer (RFC 6901) to the place and a sentence with the remedy."""

    pointer: str
    detail: str

    def as_dict(self) -> dict[str, str]:
        return {"pointer": self.pointer, "detail": self.detail}


class CasebookError(Exception):
    """Root of the tree. `code` is stable, `detail` is for people."""

    code = "error"

    def __init__(self, detail: str, *, code: str | None = None) -> None:
        super().__init__(detail)
        self.detail = detail
        if code is not None:
            self.code = code


class InvalidDocument(CasebookError):
    """All faults of one document at once."""

    code = "invalid"

    def __init__(self, errors: Sequence[FieldError], detail: str | None = None) -> None:
        self.errors = tuple(errors)
        count = len(self.errors)
        super().__init__(detail or f"{count} thing{'s' if count != 1 else ''} to correct.")


class NotFound(CasebookError):
    code = "not_found"

    def __init__(self, detail: str = "There is nothing here under that address.") -> None:
        super().__init__(detail)


class NotAllowed(CasebookError):
    code = "not_allowed"


class Conflict(CasebookError):
    """`case_id` names the stored case that stands in the way, where there is one."""

    code = "conflict"

    def __init__(self, detail: str, *, code: str | None = None, case_id: str | None = None) -> None:
        super().__init__(detail, code=code)
        self.case_id = case_id


class StaleVersion(CasebookError):
    code = "stale_version"

    def __init__(
        self, detail: str = "Somebody changed this case meanwhile; read it again and redo."
    ) -> None:
        super().__init__(detail)


class Unavailable(CasebookError):
    code = "unavailable"

    def __init__(self, detail: str, *, retry_after_s: int = 5) -> None:
        super().__init__(detail)
        self.retry_after_s = retry_after_s
