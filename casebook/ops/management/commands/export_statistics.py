"""Outcome statistics of the pool as a file, with its description beside it."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import CommandError

from casebook.errors import FieldError, InvalidDocument
from casebook.ops.console import CasebookCommand
from casebook.outcomes.exports import write_statistics
from casebook.outcomes.requests import FORMATS, GROUPS, read_statistics_address
from casebook.outcomes.statistics import outcome_statistics


class Command(CasebookCommand):
    help = (
        "Writes outcome statistics to FILE (CSV) and their dictionary, query and state to "
        "FILE.json. What small numbers would give away is withheld, as everywhere."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--group-by",
            default="unit_kind",
            help=f"one to three, with commas between: {', '.join(GROUPS)}",
        )
        parser.add_argument(
            "--where",
            action="append",
            default=[],
            metavar="NAME=VALUE",
            help="a filter, as in the address of the statistics; may repeat",
        )
        parser.add_argument("--horizon-days", default="365")
        parser.add_argument("--format", choices=FORMATS, default="csv")

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        filters = dict(_split(text) for text in options["where"])
        query = read_statistics_address(
            filters | {"group_by": options["group_by"], "horizon_days": options["horizon_days"]}
        )
        answer = outcome_statistics(query)
        beside = path.with_name(f"{path.name}.json")
        try:
            description = write_statistics(answer, path, beside)
        except OSError as error:
            raise CommandError(f"{path}: {error.strerror}") from error
        lines = description["resources"][0]["rows"]
        withheld = sum(row["suppressed"] for row in answer["rows"])
        self.stdout.write(
            f"{lines} lines, {len(answer['rows'])} groups ({withheld} withheld). "
            f"What they mean: {beside}"
        )


def _split(text: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals:
        raise InvalidDocument([FieldError("/where", f"Write {text!r} as NAME=VALUE.")])
    return name.strip(), value
