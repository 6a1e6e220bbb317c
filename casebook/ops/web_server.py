"""Hooks of the web server: each worker gets ready to search while it already answers."""

from __future__ import annotations

import threading
from typing import Any


def post_worker_init(worker: Any) -> None:
    """Called by gunicorn in the forked worker, once the application is loaded."""
    # Here and not above: gunicorn reads this file before Django is set up.
    from casebook.ops.warming import keep_ready

    threading.Thread(target=keep_ready, name="casebook-keep-ready", daemon=True).start()
