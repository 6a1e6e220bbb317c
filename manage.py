#!/usr/bin/env python3
"""Casebook's commands. `manage.py help` lists them, `manage.py NAME --help` explains one."""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent

# Commands that only look at the code. All others get servers, unless some are given.
WITHOUT_SERVERS = {
    "check",
    "collectstatic",
    "compilemessages",
    "diffsettings",
    "findstatic",
    "help",
    "makemessages",
    "makemigrations",
    "spectacular",
    "startapp",
    "startproject",
    "test",
    "testserver",
    "version",
}


def take_data_dir(arguments: list[str]) -> list[str]:
    """Understands --data-dir for every command; returns the arguments without it."""
    rest: list[str] = []
    given: str | None = None
    waiting = iter(arguments)
    for argument in waiting:
        if argument == "--":
            rest += [argument, *waiting]
        elif argument == "--data-dir":
            given = next(waiting, "")
        elif argument.startswith("--data-dir="):
            given = argument.partition("=")[2]
        else:
            rest.append(argument)
    if given is not None:
        if not given:
            fail("--data-dir needs the path of a folder.", status=2)
        os.environ["CASEBOOK_DATA_DIR"] = str(Path(given).expanduser().absolute())
    return rest


def needs_servers(arguments: list[str]) -> bool:
    if not arguments or {"-h", "--help"} & set(arguments):
        return False
    return not arguments[0].startswith("-") and arguments[0] not in WITHOUT_SERVERS


def fail(line: str, *, status: int = 1) -> None:
    print(f"manage.py: {line}", file=sys.stderr)
    sys.exit(status)


def use_own_environment() -> None:
    """Goes on with the Python of .venv, whichever Python it was called with."""
    if importlib.util.find_spec("django") is not None:
        return
    python = ROOT / ".venv" / "bin" / "python"
    if not python.exists() or Path(sys.prefix) == ROOT / ".venv":
        fail("Its Python packages are not installed; run deploy/demo once.")
    os.execv(python, [str(python), *sys.argv])  # noqa: S606


def run(arguments: list[str]) -> None:
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import execute_from_command_line
    from django.db import OperationalError, ProgrammingError

    try:
        execute_from_command_line([sys.argv[0], *arguments])
    except KeyboardInterrupt:
        sys.exit(1)
    except ImproperlyConfigured as error:
        fail(" ".join(str(error).split()), status=2)
    except (OperationalError, ProgrammingError) as error:
        if os.environ.get("CASEBOOK_DEBUG") == "1":
            raise
        fail(
            f"The database does not answer as it should: {' '.join(str(error).split())} "
            "(manage.py up prepares a new one; manage.py doctor names faults)"
        )


def main() -> None:
    use_own_environment()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "casebook.settings")
    arguments = take_data_dir(sys.argv[1:])
    if needs_servers(arguments):
        # Before Django loads, for its settings want the addresses.
        from casebook.embedded import EmbeddedError, attach_environment

        try:
            attach_environment(Path(os.environ.get("CASEBOOK_DATA_DIR") or ROOT / "var"))
        except EmbeddedError as error:
            fail(str(error))
        except KeyboardInterrupt:
            sys.exit(1)
    run(arguments)


if __name__ == "__main__":
    main()
