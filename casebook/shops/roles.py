"""Who may do what: the roles of people and of keys, in one table."""

from __future__ import annotations

CONTRIBUTE = "contribute"
SEARCH = "search"
ANALYST = "analyst"
KEY_ROLES = (CONTRIBUTE, SEARCH, ANALYST)

TECHNICIAN = "technician"
MANAGER = "manager"

# What a signed-in person may do, in the words that keys use.
GRANTED_TO_PERSON: dict[str, frozenset[str]] = {
    TECHNICIAN: frozenset({CONTRIBUTE, SEARCH}),
    MANAGER: frozenset({CONTRIBUTE, SEARCH, ANALYST}),
    ANALYST: frozenset({SEARCH, ANALYST}),
}
PERSON_ROLES = tuple(GRANTED_TO_PERSON)
