"""The two servers: how each is prepared, started, asked and stopped. Used by the keeper alone."""

from __future__ import annotations

import ctypes
import os
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from casebook.embedded.errors import EmbeddedError
from casebook.embedded.lease import DATABASE, OWNER, POSTGRES, REDIS
from casebook.embedded.locks import lock_within, open_lock
from casebook.embedded.places import (
    Account,
    choose_account,
    find_postgres,
    find_redis,
    make_reachable,
    view_from,
)

FIRST_START_BYTES = 150_000_000  # a new cluster with its first write-ahead log, and some air
LATER_START_BYTES = 40_000_000  # two files of write-ahead log, and some air
_LARGEST_LOG_BYTES = 5_000_000
_PR_SET_PDEATHSIG = 1


def die_with_parent(sign: signal.Signals) -> Callable[[], None] | None:
    """For Popen's preexec_fn: the kernel sends `sign` when the parent ends. Linux only."""
    if not sys.platform.startswith("linux"):
        return None
    prctl, parent = ctypes.CDLL(None).prctl, os.getpid()

    def ask_kernel() -> None:
        prctl(_PR_SET_PDEATHSIG, int(sign), 0, 0, 0)
        if os.getppid() != parent:
            os._exit(1)  # the parent was gone before the kernel was asked

    return ask_kernel


def _command_of(pid: int) -> str:
    """The command line of a process; empty where there is none, or it can't be told."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_text()
    except OSError:
        ps = shutil.which("ps")
        if ps is None:
            return ""
        command = [ps, "-o", "command=", "-p", str(pid)]
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout


class Server:
    """One server of a data folder. Raises EmbeddedError, or OSError from the file system."""

    name: str
    label: str
    # What ends it in good order, and what to send when that takes too long.
    stop_signal = signal.SIGTERM
    hurry_signal = signal.SIGKILL
    start_within_s = 60.0

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.data = folder / self.name
        self.log_path = folder / f"{self.name}.log"
        self.port = 0
        self.process: subprocess.Popen[bytes] | None = None
        self._lock = -1

    def launch(self) -> None:
        """Prepares what is missing and starts the program; it may not answer yet."""
        self._check_room()
        self._claim()
        account = choose_account(self.data)
        descriptor = os.open(self.folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            view = view_from(account, self.folder, descriptor)
            keep = (self._lock, descriptor)
            command = self._prepare(account, view, keep)
            self._rotate_log()
            with self.log_path.open("ab") as log:
                self.process = subprocess.Popen(
                    command,
                    stdin=subprocess.DEVNULL,
                    stdout=log,
                    stderr=log,
                    pass_fds=keep,
                    preexec_fn=die_with_parent(self.stop_signal),
                    start_new_session=True,
                    **account.popen_options(),  # type: ignore[call-overload]
                )
        finally:
            os.close(descriptor)

    def is_ready(self) -> bool:
        raise NotImplementedError

    def has_ended(self) -> bool:
        return self.process is not None and self.process.poll() is not None

    def stop(self) -> None:
        """In good order if it can be; harder after 20 s, and hard after 30 s."""
        if self.process is not None:
            for sign, seconds in (
                (self.stop_signal, 20.0),
                (self.hurry_signal, 10.0),
                (signal.SIGKILL, 10.0),
            ):
                self.process.send_signal(sign)
                try:
                    self.process.wait(seconds)
                    break
                except subprocess.TimeoutExpired:
                    continue
        self.forget()

    def forget(self) -> None:
        """After its end. What it left running keeps the lock until it is gone too."""
        self.process = None
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def last_words(self) -> str:
        """Why it ended: the last line of its log that sounds like a reason."""
        with self.log_path.open("rb") as log:
            log.seek(max(0, self.log_path.stat().st_size - 20_000))
            lines = log.read().decode(errors="replace").splitlines()
        reasons = [line for line in lines if any(word in line for word in self._reasons)]
        return (reasons or lines or ["it said nothing"])[-1].strip()[-300:]

    # Words in a line of the log that make it a reason; words in the program's command line.
    _reasons: tuple[str, ...] = ()
    _programs: tuple[str, ...] = ()

    def set_aside_damage(self) -> bool:
        """After an end before the first answer: True if data that is spoilt, and can be done
        without, was the cause and is out of the way now."""
        return False

    def _prepare(self, account: Account, view: Path, keep: Sequence[int]) -> list[str]:
        raise NotImplementedError

    def _check_room(self) -> None:
        free = shutil.disk_usage(self.folder).free
        needed = LATER_START_BYTES if self.data.exists() else FIRST_START_BYTES
        if free < needed:
            raise EmbeddedError(
                f"Only {free / 1e6:.0f} MB are free on the disk of {self.folder} and "
                f"{self.label} needs {needed / 1e6:.0f} MB to start; make room."
            )

    def _claim(self) -> None:
        """The server's own lock. Its processes inherit it, so having it proves that none is left
        of an earlier keeper's, whatever its pid file says."""
        self._lock = open_lock(self.folder / f"{self.name}.lock")
        if lock_within(self._lock, 10):
            return
        for sign, seconds in ((self.stop_signal, 10.0), (self.hurry_signal, 20.0)):
            self._signal_orphan(sign)
            if lock_within(self._lock, seconds):
                return
        raise EmbeddedError(
            f"An earlier {self.label} of {self.folder} does not end; "
            "stop it by hand (see the pid in its folder), then start again."
        )

    def _orphan_pid(self) -> int | None:
        raise NotImplementedError

    def _signal_orphan(self, sign: signal.Signals) -> None:
        pid = self._orphan_pid()
        if pid is None:
            return
        # Only if that number still belongs to such a server.
        if any(program in _command_of(pid) for program in self._programs):
            try:
                os.kill(pid, sign)
            except ProcessLookupError:
                return  # it went by itself

    def _choose_port(self) -> int:
        """The last one if it is free, so that addresses stay valid over restarts."""
        path = self.folder / f"{self.name}.port"
        last = int(path.read_text()) if path.exists() else 0
        for port in (last, 0):
            with socket.socket() as probe:
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
                try:
                    probe.bind(("127.0.0.1", port))
                except OSError:
                    continue
                chosen = int(probe.getsockname()[1])
                if chosen != last:
                    path.write_text(str(chosen))
                return chosen
        raise EmbeddedError("No port is free on 127.0.0.1.")

    def _password(self) -> str:
        path = self.folder / f"{self.name}.password"
        if not path.exists():
            draft = path.with_suffix(".password.new")
            draft.unlink(missing_ok=True)
            fd = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(fd, "w") as file:
                file.write(secrets.token_urlsafe(24))
            draft.rename(path)
        return path.read_text()

    def _rotate_log(self) -> None:
        if self.log_path.exists() and self.log_path.stat().st_size > _LARGEST_LOG_BYTES:
            self.log_path.rename(self.log_path.with_suffix(".log.old"))


class Postgres(Server):
    name = POSTGRES
    label = "PostgreSQL"
    stop_signal = signal.SIGINT  # ends sessions, writes a checkpoint
    hurry_signal = signal.SIGQUIT  # leaves the rest to recovery
    start_within_s = 300.0  # recovery after a crash may read much write-ahead log
    _reasons = ("FATAL", "PANIC", "ERROR", "initdb: error", "could not")
    _programs = ("postgres",)

    def is_ready(self) -> bool:
        try:
            lines = (self.data / "postmaster.pid").read_text().splitlines()
        except FileNotFoundError:
            return False
        return len(lines) > 7 and lines[7].strip() == "ready"

    def _orphan_pid(self) -> int | None:
        try:
            return int((self.data / "postmaster.pid").read_text().split()[0])
        except (FileNotFoundError, IndexError, ValueError):
            return None

    def _prepare(self, account: Account, view: Path, keep: Sequence[int]) -> list[str]:
        version = self.data / "PG_VERSION"
        install = find_postgres(version.read_text().strip() if version.exists() else None)
        program = make_reachable(install / "bin/postgres", install, account, self.folder)
        if not version.exists():
            self._make_cluster(program, account, view, keep)
        # No process of this cluster lives (see _claim), so this is a leftover.
        (self.data / "postmaster.pid").unlink(missing_ok=True)
        self.port = self._choose_port()
        options = {
            "listen_addresses": "127.0.0.1",
            "port": str(self.port),
            "unix_socket_directories": "",
            # A failing statement carries what people typed; that belongs in no log.
            "log_min_error_statement": "panic",
            "log_error_verbosity": "terse",
        }
        command = [str(program), "-D", str(view / self.name)]
        for key, value in options.items():
            command += ["-c", f"{key}={value}"]
        return command

    def _make_cluster(
        self, program: Path, account: Account, view: Path, keep: Sequence[int]
    ) -> None:
        """Made aside and renamed, so that a cluster that is there is whole."""
        for left_over in self.folder.glob("postgres.new-*"):
            shutil.rmtree(left_over)
        draft = Path(tempfile.mkdtemp(prefix="postgres.new-", dir=self.folder))
        password_file = draft / "password"
        password_file.write_text(self._password())
        for path in (draft, password_file):
            account.give(path)
        seen = view / draft.name
        self._run_tool(
            [
                str(program.with_name("initdb")),
                f"--pgdata={seen / 'data'}",
                f"--username={OWNER}",
                f"--pwfile={seen / 'password'}",
                "--auth=scram-sha-256",
                "--encoding=UTF8",
                # The same order and letter case on every machine.
                "--locale=C",
                *self._locale_options(program),
                "--no-instructions",
            ],
            account,
            keep,
        )
        self._run_tool(
            [str(program), "--single", "-D", str(seen / "data"), "postgres"],
            account,
            keep,
            feed=f"CREATE DATABASE {DATABASE};\n",
        )
        (draft / "data").rename(self.data)
        shutil.rmtree(draft)

    @staticmethod
    def _locale_options(program: Path) -> list[str]:
        # From 17 on PostgreSQL brings Unicode's letter case itself.
        version = subprocess.run([program, "--version"], capture_output=True, text=True, check=True)
        major = int(version.stdout.split()[-1].split(".")[0])
        return ["--locale-provider=builtin", "--builtin-locale=C.UTF-8"] if major >= 17 else []

    def _run_tool(
        self, command: list[str], account: Account, keep: Sequence[int], feed: str = ""
    ) -> None:
        with self.log_path.open("ab") as log:
            done = subprocess.run(
                command,
                input=feed.encode(),
                stdout=log,
                stderr=log,
                pass_fds=keep,
                check=False,
                preexec_fn=die_with_parent(signal.SIGKILL),
                **account.popen_options(),  # type: ignore[call-overload]
            )
        if done.returncode:
            raise EmbeddedError(
                f"PostgreSQL could not set up its data: {self.last_words()} (see {self.log_path})"
            )


class Redis(Server):
    name = REDIS
    label = "Redis"
    _reasons = (" # ", "FATAL")
    _programs = ("valkey-server", "redis-server")

    def is_ready(self) -> bool:
        try:
            with socket.create_connection(("127.0.0.1", self.port), timeout=1) as client:
                client.sendall(f"AUTH {self._password()}\r\nPING\r\n".encode())
                answer = b""
                while answer.count(b"\r\n") < 2:
                    part = client.recv(100)
                    if not part:
                        return False
                    answer += part
        except OSError:
            return False
        return answer.startswith(b"+OK\r\n+PONG")

    def _orphan_pid(self) -> int | None:
        try:
            return int((self.data / "redis.pid").read_text())
        except (FileNotFoundError, ValueError):
            return None

    def _prepare(self, account: Account, view: Path, keep: Sequence[int]) -> list[str]:
        program = find_redis()
        program = make_reachable(program, program.parent, account, self.folder)
        self.data.mkdir(exist_ok=True, mode=0o700)
        account.give(self.data)
        self.port = self._choose_port()
        # In a file, for a command line can be read by everybody.
        config = self.data / "redis.conf"
        config.unlink(missing_ok=True)
        fd = os.open(config, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(fd, "w") as file:
            file.write(
                f"bind 127.0.0.1\nport {self.port}\nrequirepass {self._password()}\n"
                f'dir "{view / self.name}"\npidfile "{view / self.name / "redis.pid"}"\n'
                # Tasks survive a restart; what a crash may lose of the last second, the outbox
                # and the schedule bring again.
                'save ""\nappendonly yes\nappendfsync everysec\n'
            )
        account.give(config)
        return [str(program), str(view / self.name / "redis.conf")]

    def set_aside_damage(self) -> bool:
        # Empty rather than not at all: it holds nothing that does not follow from PostgreSQL.
        if "append only file" not in self.last_words().lower():
            return False
        self.data.rename(self.data.with_name(f"redis.damaged-{int(time.time())}"))
        return True
