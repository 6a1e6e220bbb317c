"""The service with invented shops, people and cases in it."""

from __future__ import annotations

import json
import shlex
from typing import Any

from django.conf import settings
from django.core.management.base import CommandError, CommandParser
from django.utils import timezone

from casebook.ops.console import CasebookCommand
from casebook.ops.demo.loader import LoadedDemo, load_demo
from casebook.ops.management.commands.up import add_place_arguments
from casebook.ops.service import Service

# Typical of the demo: finds cases that were cured at several levels.
EXAMPLE_SEARCH: dict[str, Any] = {
    "vehicle": {"year": 2019, "make": "Corvane", "model": "Parcel 300"},
    "unit": {"kind": "dual_clutch_transmission", "family": "DX-6"},
    "complaint": "judders pulling away when hot, smells of clutch in traffic",
    "codes": ["P0730"],
    "findings": [{"check": "fluid_condition", "result": "dark_burnt"}],
    "limit": 5,
}
EXAMPLE_CASE: dict[str, Any] = {
    "shop_reference": "1001",
    **{name: value for name, value in EXAMPLE_SEARCH.items() if name != "limit"},
}


class Command(CasebookCommand):
    help = (
        "`up` with the demo's shops, people and cases, which are loaded at the first start. "
        "Prints one line of JSON with the address, sign-ins and keys, then the same for people."
    )
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        add_place_arguments(parser)
        parser.add_argument(
            "--empty", action="store_true", help="one shop with sign-ins and keys, and no cases"
        )
        parser.add_argument("--shops", type=int, metavar="N", help="N such shops, and no cases")

    def handle(self, *args: Any, host: str, port: int, **options: Any) -> None:
        empty_shops = _empty_shops(empty=options["empty"], shops=options["shops"])
        with Service(host=host, port=port) as service:
            service.prepare_database()
            loaded = load_demo(
                data_dir=settings.DATA_DIR,
                today=timezone.localdate(),
                empty_shops=empty_shops,
            )
            service.start()
            document = describe_demo(service.url, loaded, list_shops=options["shops"] is not None)
            self.stdout.write(json.dumps(document, ensure_ascii=False))
            self.stdout.write(for_people(document))
            self.stdout.flush()
            service.run()


def _empty_shops(*, empty: bool, shops: int | None) -> int | None:
    """How many shops without cases; None for the full demo."""
    if shops is not None and shops < 1:
        raise CommandError("--shops needs a number from 1.", returncode=2)
    if shops is not None:
        return shops
    return 1 if empty else None


def describe_demo(url: str, loaded: LoadedDemo, *, list_shops: bool) -> dict[str, Any]:
    access = loaded.shops[0].access
    shops: Any = len(loaded.shops)
    if list_shops:
        shops = [
            {"id": str(item.shop.pk), "name": item.shop.name, "keys": item.access.keys}
            for item in loaded.shops
        ]
    return {
        "url": url,
        "sign_ins": access.sign_ins,
        "keys": access.keys,
        "shops": shops,
        "cases": loaded.cases,
    }


def for_people(document: dict[str, Any]) -> str:
    lines = ["", f"Casebook is served at {document['url']} with {document['cases']:,} cases.", ""]
    lines += [
        f"  {role:<12}{person['email']}  {person['password']}"
        for role, person in document["sign_ins"].items()
    ]
    lines.append("")
    lines += [f"  key to {role:<12}{key}" for role, key in document["keys"].items()]
    if not document["cases"]:
        lines += ["", "Post a case:", "", *_curl(document, "cases", "contribute", EXAMPLE_CASE)]
    lines += [
        "",
        "Ask for cases like one:",
        "",
        *_curl(document, "search", "search", EXAMPLE_SEARCH),
    ]
    lines += ["", "Ctrl-C stops everything."]
    return "\n".join(lines)


def _curl(document: dict[str, Any], path: str, role: str, body: dict[str, Any]) -> list[str]:
    """One command over three lines, ready to be pasted."""
    return [
        f"  curl -sS {document['url']}/api/v1/{path} -H 'Content-Type: application/json' \\",
        f"    -H 'Authorization: Bearer {document['keys'][role]}' \\",
        f"    -d {shlex.quote(json.dumps(body))}",
    ]
