"""Makes a shop and prints its id."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from casebook.ops.console import CasebookCommand
from casebook.shops.services import add_shop


class Command(CasebookCommand):
    help = "Makes a shop and prints its id."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("name", help="the shop's name, for its own people only")
        parser.add_argument("--region", required=True, help="where it works, for example 'north'")

    def handle(self, *args: Any, **options: Any) -> None:
        shop = add_shop(name=options["name"], region=options["region"])
        self.stdout.write(str(shop.pk))
