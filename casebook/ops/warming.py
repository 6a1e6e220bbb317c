"""Keeps a web process ready to search, so that no user waits for what others posted meanwhile."""

from __future__ import annotations

import logging
import time

from django.db import DatabaseError, InterfaceError, connection

from casebook.errors import Unavailable
from search.adapter import catch_up, warm_up

log = logging.getLogger("casebook.web")

LOOK_EVERY_S = 2.0


def keep_ready() -> None:
    """Compiles and loads once, then reads what is new every two seconds; never returns.

    Searches are right without it: each looks for itself. It only has less to read then.
    """
    ready = False
    while True:
        try:
            if ready:
                catch_up()
            else:
                warm_up()
                ready = True
        except (DatabaseError, InterfaceError, Unavailable) as error:
            log.info("not caught up: %s", str(error).strip().splitlines()[:1])
            connection.close()
        time.sleep(LOOK_EVERY_S)
