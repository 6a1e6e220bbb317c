"""Makes a sign-in and prints the one-time link where the person chooses a password."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from casebook.ops.console import CasebookCommand
from casebook.shops.queries import get_shop
from casebook.shops.roles import PERSON_ROLES
from casebook.shops.services import add_person, make_sign_in_link


class Command(CasebookCommand):
    help = "Makes a sign-in; prints a one-time link (good for 7 days) to choose a password."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("shop", help="id or name of the shop")
        parser.add_argument("email")
        parser.add_argument("--role", required=True, choices=PERSON_ROLES)
        parser.add_argument(
            "--base-url", default="http://127.0.0.1:8000", help="where people reach Casebook"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        person = add_person(
            shop=get_shop(options["shop"]), email=options["email"], role=options["role"]
        )
        self.stdout.write(options["base_url"].rstrip("/") + make_sign_in_link(person))
