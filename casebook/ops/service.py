"""The whole service on one machine: claim the place, prepare the database, run the processes.

`up` and `demo` are thin doors over this.
"""

from __future__ import annotations

import errno
import http.client
import os
import shutil
import signal
import socket
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType, TracebackType
from typing import Self

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import CommandError
from django.db import OperationalError, connections
from django.db.migrations.executor import MigrationExecutor

from casebook.embedded import EmbeddedError, held_lease
from casebook.embedded.lease import publish
from casebook.embedded.locks import open_lock, try_lock
from casebook.ops.processes import Program, Supervisor
from casebook.ops.roles import RolesMissing, UnfitDatabase, ensure_roles

FREE_BYTES = 50_000_000  # below this the database may stop at any moment
WEB_WITHIN_S = 120.0
STOP_SERVERS_WITHIN_S = 40.0
# Two starts on one database take turns; any number will do that nothing else locks.
_MIGRATING = 0x0CA5EB001
_WILDCARDS = {"0.0.0.0", "::"}  # noqa: S104
_TICK_S = 0.1
_LOOK_AT_LEASE_EVERY_S = 1.0


def say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


@contextmanager
def saying(what: str) -> Iterator[None]:
    """Says how long it took, if it was long enough to wonder."""
    began = time.monotonic()
    yield
    if time.monotonic() - began > 2:
        say(f"{what}: {time.monotonic() - began:.0f} s")


class Service:
    """Use it in a `with`: the end stops all that was started, whatever happens between."""

    def __init__(self, *, host: str, port: int) -> None:
        self._host, self._port = host, port
        self._data_dir: Path = settings.DATA_DIR
        self._signals = 0
        self._preparing = True
        self._claim = -1
        self._socket: socket.socket | None = None
        self._supervisor: Supervisor | None = None

    def __enter__(self) -> Self:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            # Under nohup the end of the terminal is not meant for us.
            if number != signal.SIGHUP or signal.getsignal(number) is not signal.SIG_IGN:
                signal.signal(number, self._on_signal)
        try:
            self._claim_data_dir()
            self._socket = _listen_on(self._host, self._port)
        except KeyboardInterrupt:
            self._close()
            sys.exit(0)
        except BaseException:
            self._close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        self._preparing = False
        self._close()
        # Asked to stop while preparing: that is a good end.
        return kind is KeyboardInterrupt and self._signals > 0

    @property
    def url(self) -> str:
        host = "127.0.0.1" if self._host in _WILDCARDS else self._host
        return f"http://{f'[{host}]' if ':' in host else host}:{self._bound_port}"

    def prepare_database(self) -> None:
        """Roles and migrations, as the owner. Raises CommandError with one line."""
        try:
            with connections["owner"].cursor() as cursor:
                cursor.execute("SELECT pg_advisory_lock(%s)", [_MIGRATING])
                try:
                    changed = ensure_roles()
                    _migrate(always=changed)
                finally:
                    cursor.execute("SELECT pg_advisory_unlock(%s)", [_MIGRATING])
        except RolesMissing as missing:
            print("\n".join(missing.statements), flush=True)
            raise CommandError(
                "The owner of DATABASE_URL may not create roles; have an administrator run the "
                "SQL above, then start again.",
                returncode=2,
            ) from missing
        except UnfitDatabase as unfit:
            raise CommandError(str(unfit)) from unfit
        except OperationalError as error:
            reason = " ".join(str(error).split())
            raise CommandError(f"The database does not answer: {reason}") from error
        finally:
            connections.close_all()

    def start(self) -> None:
        """Web first; the others once it answers, so that it has the machine to itself."""
        self._supervisor = Supervisor(
            folder=settings.BASE_DIR, environment=self._environment(), say=say
        )
        settings.STATIC_ROOT.mkdir(exist_ok=True)  # where an operator may put collected files
        self._supervisor.start(self._web())
        began = said = time.monotonic()
        while not self._web_answers():
            self._supervisor.look()
            now = time.monotonic()
            if now - began > WEB_WITHIN_S:
                raise CommandError(
                    f"The web server did not answer in {WEB_WITHIN_S:.0f} s; its log is above."
                )
            if now - said > 2:
                said = now
                say(f"Starting the web server ({now - began:.0f} s)")
            time.sleep(_TICK_S / 4)
        for program in self._background():
            self._supervisor.start(program)

    def run(self) -> None:
        """Until a signal says stop."""
        self._preparing = False
        looked_at = time.monotonic()
        while not self._signals:
            if self._supervisor is None:
                raise RuntimeError("start() comes before run()")
            self._supervisor.look()
            if time.monotonic() - looked_at > _LOOK_AT_LEASE_EVERY_S:
                looked_at = time.monotonic()
                self._keep_servers()
            time.sleep(_TICK_S)

    def _keep_servers(self) -> None:
        """A keeper that was killed is replaced; everybody learns a changed address."""
        lease = held_lease()
        if lease is None or lease.is_kept() or self._supervisor is None:
            return
        say("The keeper of PostgreSQL and Redis is gone; starting another")
        try:
            # Not for long at a time: a signal to stop must be noticed.
            moved = lease.ensure(within_s=5)
        except (EmbeddedError, OSError) as error:
            say(str(error))  # and once more in a second
            return
        if moved:
            publish(lease, self._supervisor.environment)
            self._supervisor.restart_all()

    def _claim_data_dir(self) -> None:
        path = self._data_dir / "up.lock"
        try:
            self._data_dir.mkdir(parents=True, exist_ok=True)
            self._claim = open_lock(path)
            if not try_lock(self._claim):
                pid = path.read_text().strip()
                raise CommandError(
                    f"Casebook runs on {self._data_dir} already (process {pid}); stop that one, "
                    "or give another --data-dir."
                )
            os.ftruncate(self._claim, 0)
            os.pwrite(self._claim, f"{os.getpid()}\n".encode(), 0)
            free = shutil.disk_usage(self._data_dir).free
        except OSError as error:
            raise CommandError(
                f"{self._data_dir} can't be written ({error.strerror}); "
                "make room or give write access, or give another --data-dir."
            ) from error
        if free < FREE_BYTES:
            raise CommandError(
                f"Only {free / 1e6:.0f} MB are free on the disk of {self._data_dir}; make room."
            )

    @property
    def _bound_port(self) -> int:
        if self._socket is None:
            raise RuntimeError("not listening")
        return int(self._socket.getsockname()[1])

    def _environment(self) -> dict[str, str]:
        environment = dict(os.environ)
        environment["CASEBOOK_DATA_DIR"] = str(self._data_dir)
        if not environment.get("CASEBOOK_ALLOWED_HOSTS"):
            hosts = [*settings.ALLOWED_HOSTS, *_names_of(self._host)]
            environment["CASEBOOK_ALLOWED_HOSTS"] = ",".join(dict.fromkeys(hosts))
        # Requests and tasks share the machine by processes; number threads would only compete.
        for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
            environment.setdefault(variable, "1")
        return environment

    def _web(self) -> Program:
        if self._socket is None:
            raise RuntimeError("not listening")
        number = self._socket.fileno()
        options = {
            "config": "python:casebook.ops.web_server",
            "bind": f"fd://{number}",
            "workers": "2",
            "worker-class": "gthread",
            "threads": "4",
            "graceful-timeout": "8",
            "keep-alive": "5",
            "timeout": "60",
            "log-level": "warning",
        }
        if Path("/dev/shm").is_dir():  # noqa: S108
            options["worker-tmp-dir"] = "/dev/shm"  # noqa: S108  # a full disk must not stop the pulse
        flags = [f"--{key}={value}" for key, value in options.items()]
        return Program(
            "web",
            # --preload: what is read and compiled once is shared by all workers.
            [
                *(sys.executable, "-m", "gunicorn", "--no-control-socket", "--preload", *flags),
                "casebook.wsgi:application",
            ],
            quit_signal=signal.SIGQUIT,
            keep_fds=(number,),
        )

    def _background(self) -> list[Program]:
        # As root in a container Celery would print a page of advice.
        python = [sys.executable, "-W", "ignore:You're running the worker with superuser"]
        celery = [*python, "-m", "celery", "--quiet", "-A", "casebook.celery"]
        beat = self._data_dir / "beat"
        beat.mkdir(exist_ok=True)
        quiet = ["--without-gossip", "--without-mingle", "--without-heartbeat"]
        return [
            Program(
                "worker",
                [*celery, "worker", "--loglevel=WARNING", "--concurrency=2", *quiet],
                quit_signal=signal.SIGQUIT,
            ),
            Program(
                "beat",
                [
                    *(*celery, "beat", "--loglevel=WARNING", "--pidfile="),
                    f"--schedule={beat / 'schedule'}",
                ],
            ),
            Program("relay", [sys.executable, str(settings.BASE_DIR / "manage.py"), "relay"]),
        ]

    def _web_answers(self) -> bool:
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self._host, self._host)  # noqa: S104
        client = http.client.HTTPConnection(host, self._bound_port, timeout=10)
        try:
            # As a TLS proxy would ask, so that it is not sent elsewhere.
            client.request("GET", "/livez", headers={"X-Forwarded-Proto": "https"})
            return client.getresponse().status == 200
        except (ConnectionError, TimeoutError, http.client.HTTPException):
            return False
        finally:
            client.close()

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._signals += 1
        if self._preparing and self._signals == 1:
            # Nothing here waits for a flag.
            raise KeyboardInterrupt

    def _close(self) -> None:
        if self._signals:
            say("Stopping")
        if self._supervisor is not None:
            self._supervisor.stop(hurried=lambda: self._signals > 1)
        if self._socket is not None:
            self._socket.close()
        connections.close_all()
        lease = held_lease()
        if lease is not None:
            # The servers end by themselves in any case; this only waits to see it.
            lease.close(stop_within_s=0.0 if self._signals > 1 else STOP_SERVERS_WITHIN_S)
        if self._claim >= 0:
            os.close(self._claim)


def _migrate(*, always: bool) -> None:
    executor = MigrationExecutor(connections["owner"])
    waiting = executor.migration_plan(executor.loader.graph.leaf_nodes())
    if waiting or always:
        with saying("Preparing the tables"):
            call_command("migrate", database="owner", interactive=False, verbosity=0)


def _listen_on(host: str, port: int) -> socket.socket:
    """Bound here and handed to the web server: a restart of it refuses nobody."""
    deadline = time.monotonic() + 3
    while True:
        try:
            family = socket.AF_INET6 if ":" in host else socket.AF_INET
            listener = socket.socket(family, socket.SOCK_STREAM)
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((host, port))
        except OSError as error:
            listener.close()
            # A predecessor that was killed may take a moment to let go.
            if error.errno == errno.EADDRINUSE and time.monotonic() < deadline:
                time.sleep(_TICK_S)
                continue
            raise CommandError(_why_not_bound(error, host, port)) from error
        return listener


def _why_not_bound(error: OSError, host: str, port: int) -> str:
    if error.errno == errno.EADDRINUSE:
        return f"Port {port} of {host} is taken by another program; give another --port."
    if error.errno == errno.EACCES:
        return f"Port {port} needs more rights than this user has; give a --port above 1023."
    return f"{host} is not an address of this machine ({error.strerror}); give another --host."


def _names_of(host: str) -> list[str]:
    """How this machine may be called by those who reach it through `host`."""
    if host not in _WILDCARDS:
        return [f"[{host}]" if ":" in host else host]
    name = socket.gethostname()
    names = [name, f"{name}.local"]
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            # Sends nothing; asks which of our addresses would be used. A documentation address.
            probe.connect(("192.0.2.1", 9))
            names.append(probe.getsockname()[0])
        except OSError:
            return names  # no network, no address
    return names
