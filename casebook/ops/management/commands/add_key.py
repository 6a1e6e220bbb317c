"""Makes an API key and prints it, once, alone on the last line."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from casebook.ops.console import CasebookCommand
from casebook.shops.queries import get_shop
from casebook.shops.roles import KEY_ROLES
from casebook.shops.services import add_key


class Command(CasebookCommand):
    help = "Makes an API key; prints it once, alone on the last line. Keep it: only a hash stays."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("shop", help="id or name of the shop")
        parser.add_argument(
            "--role", required=True, action="append", choices=KEY_ROLES, help="may be repeated"
        )
        parser.add_argument("--name", default="", help="to tell keys apart later")

    def handle(self, *args: Any, **options: Any) -> None:
        shop = get_shop(options["shop"])
        _, secret = add_key(shop=shop, roles=options["role"], name=options["name"])
        self.stderr.write(f"A key for {shop.name}, role {', '.join(options['role'])}:")
        self.stdout.write(secret)
