"""Child processes of the service: started, kept running, and stopped together.

Each child leads a process group of its own, so that Ctrl-C in the terminal reaches us alone and
we can end a child with everything it started, and nothing else. On Linux the kernel ends the
children when we are killed.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from casebook.embedded.servers import die_with_parent

FINISH_WITHIN_S = 10.0  # for requests and tasks at hand
HURRY_WITHIN_S = 5.0
_SHORTEST_PAUSE_S, _LONGEST_PAUSE_S = 1.0, 30.0
_GOOD_RUN_S = 60.0
_TICK_S = 0.1

Say = Callable[[str], None]


@dataclass(frozen=True)
class Program:
    """What to run. `quit_signal` makes it drop its work and end with its own children."""

    name: str
    command: Sequence[str]
    quit_signal: signal.Signals = signal.SIGTERM
    keep_fds: Sequence[int] = ()


@dataclass
class Child:
    program: Program
    process: subprocess.Popen[bytes]
    started_at: float = field(default_factory=time.monotonic)


class Supervisor:
    """Runs programs until told to stop. Not for use from several threads."""

    def __init__(self, *, folder: Path, environment: Mapping[str, str], say: Say) -> None:
        self._folder = folder
        self.environment = dict(environment)
        self._say = say
        self._children: dict[str, Child] = {}
        self._waiting: dict[str, tuple[Program, float]] = {}
        self._pause_s: dict[str, float] = {}

    def start(self, program: Program) -> None:
        process = subprocess.Popen(  # noqa: S603
            program.command,
            stdin=subprocess.DEVNULL,
            # Standard output is for what the command itself has to say.
            stdout=sys.stderr.fileno(),
            cwd=self._folder,
            env=self.environment,
            pass_fds=program.keep_fds,
            preexec_fn=die_with_parent(program.quit_signal),
            process_group=0,
        )
        self._children[program.name] = Child(program, process)

    def pid_of(self, name: str) -> int | None:
        child = self._children.get(name)
        return child.process.pid if child else None

    def look(self) -> None:
        """Restarts what has ended, each time after a longer pause."""
        for name, child in list(self._children.items()):
            if child.process.poll() is None:
                continue
            del self._children[name]
            _end_group(child.process.pid, signal.SIGKILL)
            ran_s = time.monotonic() - child.started_at
            pause_s = _SHORTEST_PAUSE_S if ran_s > _GOOD_RUN_S else self._next_pause(name)
            self._pause_s[name] = pause_s
            self._waiting[name] = (child.program, time.monotonic() + pause_s)
            how = describe_end(child.process.returncode)
            self._say(f"{name} ended ({how}); starting it again in {pause_s:.0f} s")
        for name, (program, at) in list(self._waiting.items()):
            if time.monotonic() >= at:
                del self._waiting[name]
                self.start(program)

    def _next_pause(self, name: str) -> float:
        before = self._pause_s.get(name)
        return min(before * 2, _LONGEST_PAUSE_S) if before else _SHORTEST_PAUSE_S

    def restart_all(self) -> None:
        """With the environment as it is now."""
        programs = [child.program for child in self._children.values()]
        programs += [program for program, _ in self._waiting.values()]
        self.stop()
        for program in programs:
            self.start(program)

    def stop(self, *, hurried: Callable[[], bool] = lambda: False) -> None:
        """All at once: time to finish, then a push, then an end. hurried: skip to the end."""
        self._waiting.clear()
        self._signal(lambda program: signal.SIGTERM)
        self._wait(FINISH_WITHIN_S, hurried, "finishing what is at hand")
        if self._children and not hurried():
            self._signal(lambda program: program.quit_signal)
            self._wait(HURRY_WITHIN_S, hurried, "dropping what is at hand")
        for child in self._children.values():
            _end_group(child.process.pid, signal.SIGKILL)
        for child in self._children.values():
            child.process.wait()
        self._children.clear()

    def _signal(self, choose: Callable[[Program], signal.Signals]) -> None:
        for child in self._children.values():
            child.process.send_signal(choose(child.program))

    def _wait(self, seconds: float, hurried: Callable[[], bool], what: str) -> None:
        began = said = time.monotonic()
        while self._children and not hurried():
            for name, child in list(self._children.items()):
                if child.process.poll() is not None:
                    del self._children[name]
                    # What it may have left behind.
                    _end_group(child.process.pid, signal.SIGKILL)
            now = time.monotonic()
            if now - began > seconds:
                return
            if now - said > 2:
                said = now
                self._say(f"{', '.join(self._children)}: {what} ({now - began:.0f} s)")
            time.sleep(_TICK_S / 5)


def _end_group(leader: int, sign: signal.Signals) -> None:
    try:
        os.killpg(leader, sign)
    except ProcessLookupError:
        return  # nobody is left of it


def describe_end(returncode: int) -> str:
    if returncode < 0:
        return f"killed by {signal.Signals(-returncode).name}"
    return f"exit status {returncode}"
