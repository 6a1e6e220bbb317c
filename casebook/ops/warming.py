"""Gets a process ready to search before its first user asks."""

from __future__ import annotations

import logging

from django.db import DatabaseError, connection

from casebook.errors import Unavailable
from search.adapter import warm_up

log = logging.getLogger("casebook.web")


def warm_up_quietly() -> None:
    try:
        warm_up()
    except (DatabaseError, Unavailable) as error:
        # Not lost: the first search does it.
        log.warning("not warmed up: %s", error)
    finally:
        connection.close()
