"""Imports a file of cases for one shop; faults go to a file beside it."""

from __future__ import annotations

import gzip
import hashlib
import json
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TextIO

from django.core.management.base import CommandError

from casebook.cases.importing import read_csv, read_ndjson
from casebook.cases.imports import import_lines, start_import
from casebook.cases.services import today
from casebook.errors import CasebookError, InvalidDocument
from casebook.ops.console import CasebookCommand, progress
from casebook.shops.queries import get_shop


class Command(CasebookCommand):
    help = (
        "Imports cases from an NDJSON file (one case a line, as the API takes it) or a CSV file "
        "(columns in README). A bad line harms no other; run it again after a crash and it goes on."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("shop", help="id or name of the shop")
        parser.add_argument("file", type=Path, help="*.ndjson, *.jsonl or *.csv, may end in .gz")
        parser.add_argument(
            "--errors", type=Path, help="where faults go (default: FILE.errors.ndjson)"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        path: Path = options["file"]
        faults_path: Path = options["errors"] or path.with_name(path.name + ".errors.ndjson")
        reader = self._reader_for(path)
        shop = get_shop(options["shop"])
        try:
            run = start_import(shop=shop, file_hash=_hash_file(path))
            if run.state == "finished":
                self.stdout.write(f"This file is already imported: {run.stored} cases stored.")
                return
            with _open_text(path) as lines, _open_faults(faults_path, run.lines) as faults:

                def refuse(line: int, error: CasebookError) -> None:
                    errors = error.errors if isinstance(error, InvalidDocument) else ()
                    fault = {"line": line, "errors": [item.as_dict() for item in errors]}
                    faults.write(json.dumps(fault, ensure_ascii=False) + "\n")

                with progress("Lines read") as shown:
                    counts = import_lines(
                        shop=shop,
                        run=run,
                        lines=reader(lines),
                        today=today(),
                        refuse=refuse,
                        step=shown.step,
                    )
        except (OSError, UnicodeDecodeError, EOFError) as error:
            raise CommandError(f"{path}: {error}") from error
        self.stdout.write(f"{counts.stored} cases stored, {counts.refused} lines refused.")
        if counts.refused:
            self.stdout.write(f"What was wrong with them: {faults_path}")

    def _reader_for(self, path: Path) -> Any:
        suffix = path.with_suffix("").suffix if path.suffix == ".gz" else path.suffix
        readers = {".ndjson": read_ndjson, ".jsonl": read_ndjson, ".csv": read_csv}
        if suffix.lower() not in readers:
            raise CommandError(
                f"{path.name}: the name must end in .ndjson, .jsonl or .csv (or these with .gz).",
                returncode=2,
            )
        return readers[suffix.lower()]


def _hash_file(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def _open_text(path: Path) -> Iterator[TextIO]:
    opener: Any = gzip.open if path.suffix == ".gz" else open
    with opener(path, "rt", encoding="utf-8", newline="") as file:
        yield file


@contextmanager
def _open_faults(path: Path, lines_done: int) -> Iterator[TextIO]:
    """Goes on where the last run stopped: faults of lines not yet counted will be told again."""
    kept = []
    if lines_done and path.exists():
        kept = [
            line
            for line in path.read_text(encoding="utf-8").splitlines()
            if json.loads(line)["line"] <= lines_done
        ]
    with path.open("w", encoding="utf-8") as file:
        file.writelines(line + "\n" for line in kept)
        yield file
