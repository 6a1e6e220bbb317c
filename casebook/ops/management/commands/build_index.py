"""Builds the search index from the database."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from casebook.ops.console import CasebookCommand, progress
from search.adapter import build_index


class Command(CasebookCommand):
    help = "Builds the search index from the database; searches use it from the next one on."

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            with progress("Indexing cases") as shown:
                cases = build_index(on_case=shown.step)
        except OSError as error:
            raise CommandError(
                f"The index can't be written ({error.strerror}); the one in force stays."
            ) from error
        if cases is None:
            raise CommandError("Another process is building the index; wait for it.")
        self.stdout.write(f"Index built of {cases:,} cases.")
