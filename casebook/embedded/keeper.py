"""The keeper: one process per data folder that runs its servers while anybody uses them."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from pathlib import Path
from types import FrameType

from casebook.embedded.errors import EmbeddedError, explain_os_error
from casebook.embedded.locks import lock_within, open_lock, try_lock, unlock
from casebook.embedded.servers import Postgres, Redis, Server

PATIENCE_S = 3.0  # between the last user and the end, for the next command to come
_BUSY_TICK_S, _CALM_TICK_S = 0.02, 0.2
_LONGEST_PAUSE_S = 30.0
_GOOD_RUN_S = 60.0


class Charge:
    """One server in the keeper's care: wanted or not, answering or not, when to try again."""

    def __init__(self, server: Server, users_lock: int) -> None:
        self.server = server
        self.users_lock = users_lock
        self.answering = False
        self.fault: dict[str, object] | None = None
        self._launched_at = 0.0
        self._unused_since: float | None = None
        self._try_at = 0.0
        self._pause_s = 0.5

    def is_unused(self, patience_s: float) -> bool:
        """No user for that long. If so the users' lock is ours, and newcomers wait for it."""
        if not try_lock(self.users_lock):
            self._unused_since = None
            return False
        now = time.monotonic()
        self._unused_since = self._unused_since or now
        if now - self._unused_since >= patience_s:
            return True
        unlock(self.users_lock)
        return False

    @property
    def is_wanted(self) -> bool:
        return self._unused_since is None

    def is_running(self) -> bool:
        return self.server.process is not None

    def is_starting(self) -> bool:
        return self.is_running() and not self.answering

    def start_if_due(self) -> None:
        if self.is_running() or time.monotonic() < self._try_at:
            return
        self._launched_at = time.monotonic()
        try:
            self.server.launch()
        except EmbeddedError as error:
            self._fail(str(error))
        except OSError as error:
            self._fail(str(explain_os_error(error, self.server.folder)))

    def look_after(self) -> None:
        """Notices that it answers, or that it has ended."""
        if not self.is_running():
            return
        ran_s = time.monotonic() - self._launched_at
        if self.server.has_ended():
            end = f"{self.server.label} ended: {self.server.last_words()}"
            if not self.answering and self.server.set_aside_damage():
                note(f"{end}; its data was set aside, and it starts with none")
                self.server.forget()
            else:
                self._fail(end)
        elif self.answering:
            if ran_s > _GOOD_RUN_S:
                self._pause_s = 0.5
        elif self.server.is_ready():
            self.answering, self.fault = True, None
            note(f"{self.server.label} answers on port {self.server.port} after {ran_s:.2f} s")
        elif ran_s > self.server.start_within_s:
            self.server.stop()
            self._fail(f"{self.server.label} did not answer in {self.server.start_within_s:.0f} s")

    def stop(self) -> None:
        if self.is_running():
            self.server.stop()
            note(f"{self.server.label} stopped")
        self.answering = False

    def release(self) -> None:
        self._unused_since = None
        unlock(self.users_lock)

    def _fail(self, line: str) -> None:
        note(line)
        self.server.forget()
        self.answering = False
        self.fault = {"line": line, "at": time.time()}
        self._try_at = time.monotonic() + self._pause_s
        self._pause_s = min(self._pause_s * 2, _LONGEST_PAUSE_S)


def note(line: str) -> None:
    stamp = time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime())
    print(f"{stamp} UTC keeper {os.getpid()}: {line}", file=sys.stderr, flush=True)


class Keeper:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stopping = False
        self._status = ""
        self.charges = [
            Charge(server, open_lock(folder / f"{server.name}.users"))
            for server in (Postgres(folder), Redis(folder))
        ]

    def run(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, self._ask_to_stop)
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        while not self._turn():
            starting = any(charge.is_starting() for charge in self.charges)
            time.sleep(_BUSY_TICK_S if starting else _CALM_TICK_S)

    def stop_servers(self) -> None:
        for charge in self.charges:
            charge.stop()

    def _turn(self) -> bool:
        """One look at everything; True when there is nothing left to keep."""
        if self.stopping:
            return True
        hint = self.folder / "stop_when_unused"
        patience_s = 0.0 if hint.exists() else PATIENCE_S
        unused = [charge.is_unused(patience_s) for charge in self.charges]
        if all(unused):
            return True
        for charge, is_unused in zip(self.charges, unused, strict=True):
            if is_unused:
                charge.stop()
                charge.release()
            elif charge.is_wanted:
                charge.start_if_due()
            charge.look_after()
        hint.unlink(missing_ok=True)
        self.write_status()
        return False

    def write_status(self) -> None:
        status = json.dumps(
            {
                "keeper": os.getpid(),
                "ports": {c.server.name: c.server.port for c in self.charges if c.answering},
                "errors": {c.server.name: c.fault for c in self.charges if c.fault},
            }
        )
        if status != self._status:
            draft = self.folder / "status.json.new"
            draft.write_text(status)
            draft.rename(self.folder / "status.json")
            self._status = status

    def _ask_to_stop(self, number: int, frame: FrameType | None) -> None:
        self.stopping = True


def keep(folder: Path) -> None:
    """Becomes the keeper of this folder, or ends at once where there is one already.

    Whoever started us waits for the end of our standard output: nothing said means all is well.
    """
    if os.fork():
        # The starter goes on; the keeper is nobody's child, so nobody must collect it.
        os._exit(0)
    try:
        _keep(folder)
    except EmbeddedError as error:
        _answer(str(error))
    except OSError as error:
        _answer(str(explain_os_error(error, folder)))


def _keep(folder: Path) -> None:
    mine = open_lock(folder / "keeper.lock")
    # A little patience: others' questions whether it is locked hold it for moments.
    if not lock_within(mine, 0.3):
        return
    os.umask(0o077)
    if os.geteuid() == 0:
        # The account of the servers passes through to its own folders, and sees no names.
        folder.chmod(0o711)
    keeper = Keeper(folder)
    keeper.write_status()
    ready = open_lock(folder / "keeper.ready")
    if not lock_within(ready, 5):
        raise EmbeddedError(f"Something else holds {folder / 'keeper.ready'}; stop it.")
    _hang_up()
    note("started")
    try:
        keeper.run()
    finally:
        # In this order: the status is void before the servers go, and who waits for the users'
        # locks, which end with this process, finds no keeper.
        os.close(ready)
        keeper.stop_servers()
        (folder / "stop_when_unused").unlink(missing_ok=True)
        note("ended")
        os.close(mine)


def _answer(line: str) -> None:
    note(line)
    try:
        print(line, flush=True)
    except BrokenPipeError:
        return  # who asked has gone; the log has it


def _hang_up() -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
