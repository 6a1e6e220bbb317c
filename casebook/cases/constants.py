"""Closed lists of the case resource. Pure; the vocabulary holds the lists that grow."""

from __future__ import annotations

from typing import Final

LEVELS: Final = ("none", "service", "component", "overhaul", "replacement")
LEVEL_RANK: Final = {level: rank for rank, level in enumerate(LEVELS)}
UNIT_SOURCES: Final = ("used", "remanufactured", "new")
RESULTS: Final = ("fixed", "not_fixed", "no_fault_found", "unknown")
STAGES: Final = ("intake", "repair", "after")
CODE_STATUSES: Final = ("stored", "pending", "permanent", "active", "history", "unknown")
ODOMETER_UNITS: Final = ("km", "mi", "h")
FOLLOW_UP_STATES: Final = ("holding", "came_back", "other_fault", "gone", "no_contact")
CASE_STATES: Final = ("open", "repaired", "followed")

# Days after the last attempt at which a follow-up is owed.
FOLLOW_UP_DAYS: Final = (30, 180, 365)
HORIZON_DAYS: Final = 365
