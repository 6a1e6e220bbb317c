"""Looks the installation over and says what to do about each fault."""

from __future__ import annotations

from typing import Any

from django.core.management.base import CommandError

from casebook.ops.console import CasebookCommand
from casebook.ops.examination import FAULT, GOOD, examine


class Command(CasebookCommand):
    help = (
        "Checks settings, services, migrations, index and follow-ups; says what to do about "
        "each fault. Exit status 1 where there is one."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        faults = 0
        for seen in examine():
            faults += seen.state == FAULT
            style = self.style.SUCCESS if seen.state == GOOD else self.style.WARNING
            self.stdout.write(f"{style(f'{seen.state:5}')} {seen.about}: {seen.says}")
            if seen.remedy:
                self.stdout.write(f"      → {seen.remedy}")
        if faults:
            raise CommandError(f"{faults} fault{'s' if faults > 1 else ''} found.")
