"""Everything the service needs, in one command."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.core.management.base import CommandParser

from casebook.ops.console import CasebookCommand
from casebook.ops.service import Service


def add_place_arguments(parser: CommandParser) -> None:
    parser.add_argument("--host", default="127.0.0.1", help="address to serve on (%(default)s)")
    parser.add_argument(
        "--port", type=int, default=8000, help="port to serve on, 0 for any (%(default)s)"
    )
    # manage.py has taken it before settings were read; here it is for --help.
    parser.add_argument(
        "--data-dir",
        default=str(settings.DATA_DIR),
        help="folder of database, index, exports and secrets (%(default)s)",
    )


class Command(CasebookCommand):
    help = (
        "Starts everything the service needs and serves it: PostgreSQL and Redis (unless "
        "DATABASE_URL and REDIS_URL are set), migrations, web server, worker, beat and relay. "
        "Ctrl-C or SIGTERM stops all of it."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        add_place_arguments(parser)

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        with Service(host=host, port=port) as service:
            service.prepare_database()
            service.start()
            self.stdout.write(f"Casebook is served at {service.url}")
            self.stdout.flush()
            service.run()
