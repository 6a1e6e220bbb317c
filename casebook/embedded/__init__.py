"""PostgreSQL and Redis out of Python wheels, for installations that bring neither.

`attach` makes sure that both run for a data folder and hands back a lease. A lease is a shared
file lock, which the kernel frees even when its process is killed. One keeper process per data
folder (casebook/embedded/keeper.py) runs the servers for as long as anybody holds one.

Files in `<data folder>/servers`:
    postgres.users, redis.users    locked (shared) by everybody who uses that server
    keeper.lock                    locked by the keeper for as long as it lives
    keeper.ready                   locked by the keeper once status.json is its own
    status.json                    ports, and what went wrong; no secrets
    postgres.lock, redis.lock      locked by the server's own processes
    *.password                     readable by their owner alone
    postgres/, redis/              the data

Standard library only, and no Django: it runs before settings are loaded.
"""

from __future__ import annotations

from casebook.embedded.errors import EmbeddedError
from casebook.embedded.lease import Lease, attach, attach_environment, held_lease

__all__ = ["EmbeddedError", "Lease", "attach", "attach_environment", "held_lease"]
