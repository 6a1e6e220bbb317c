"""Brings stored cases in line with a vocabulary in which terms were renamed or merged."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import CommandError

from casebook.cases.renaming import rename_terms
from casebook.ops.console import CasebookCommand, one_line, progress
from casebook.shops.queries import get_shop, list_shops
from casebook.vocabulary import load_vocabulary


class Command(CasebookCommand):
    help = (
        "Gives stored cases today's keys where terms of the vocabulary were renamed or merged, and "
        "refreshes what other shops see. May be stopped and repeated; what is done stays done."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--shop", help="id or name of one shop (default: all)")

    def handle(self, *args: Any, **options: Any) -> None:
        renames = load_vocabulary().renames
        if not renames:
            self.stdout.write("No term of the vocabulary was ever renamed.")
            return
        shops = [get_shop(options["shop"])] if options["shop"] else list(list_shops())
        changed, refused = 0, 0
        with progress("Cases renamed") as shown:
            for shop in shops:
                done = rename_terms(shop=shop, on_case=shown.step)
                changed += done.changed
                refused += len(done.left)
                for case_id, error in done.left:
                    self.stderr.write(f"{shop.name}, case {case_id}: {one_line(error)}")
        self.stdout.write(f"{changed:,} cases of {len(shops):,} shops brought up to date.")
        if refused:
            raise CommandError(
                f"{refused:,} cases keep their old terms: today's rules refuse them as named above."
            )
