"""Supervision: what ends is started again, what is stopped is gone with all it started."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from casebook.ops import processes
from casebook.ops.processes import Program, Supervisor, describe_end
from tests.faults.processes import are_gone, kill_hard, parents, wait_until

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc")
ROOT = Path(__file__).resolve().parent.parent.parent


def shell(name: str, script: str) -> Program:
    return Program(name, ["/bin/sh", "-c", script])


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def supervisor(tmp_path, said, monkeypatch):
    monkeypatch.setattr(processes, "_SHORTEST_PAUSE_S", 0.05)
    running = Supervisor(folder=tmp_path, environment=dict(os.environ), say=said.append)
    yield running
    running.stop(hurried=lambda: True)


def test_a_program_that_ends_is_started_again_and_it_is_said(supervisor, said):
    supervisor.start(shell("worker", "exec sleep 600"))
    first = supervisor.pid_of("worker")
    kill_hard(first)

    def has_successor() -> bool:
        supervisor.look()
        return supervisor.pid_of("worker") not in (None, first)

    wait_until(has_successor)
    assert said == ["worker ended (killed by SIGKILL); starting it again in 0 s"]


def test_pauses_between_restarts_grow(supervisor):
    supervisor.start(shell("worker", "exit 3"))
    pauses = []

    def has_failed_three_times() -> bool:
        supervisor.look()
        pause = supervisor._pause_s.get("worker")
        if pause and pause not in pauses:
            pauses.append(pause)
        return len(pauses) == 3

    wait_until(has_failed_three_times)
    assert pauses == [0.05, 0.1, 0.2]


def test_stopping_ends_children_and_what_they_started(supervisor):
    supervisor.start(shell("web", "sleep 600 & sleep 600 & wait"))
    leader = supervisor.pid_of("web")
    wait_until(lambda: list(parents().values()).count(leader) == 2)
    family = {leader} | {pid for pid, parent in parents().items() if parent == leader}
    supervisor.stop()
    assert are_gone(family)


def test_a_child_that_ignores_the_first_signal_gets_its_own_and_then_no_choice(
    supervisor, monkeypatch, tmp_path
):
    monkeypatch.setattr(processes, "FINISH_WITHIN_S", 0.3)
    monkeypatch.setattr(processes, "HURRY_WITHIN_S", 0.3)
    script = f"trap '' TERM; trap 'echo hurried > {tmp_path}/heard' QUIT; touch {tmp_path}/ready; "
    script += "while true; do sleep 0.05; done"
    supervisor.start(Program("worker", ["/bin/sh", "-c", script], quit_signal=signal.SIGQUIT))
    stubborn = supervisor.pid_of("worker")
    wait_until(lambda: (tmp_path / "ready").exists())
    supervisor.stop()
    assert (tmp_path / "heard").read_text() == "hurried\n"
    assert are_gone({stubborn})


def test_a_hurried_stop_waits_for_nobody(supervisor):
    supervisor.start(shell("worker", "trap '' TERM QUIT; while true; do sleep 0.05; done"))
    stubborn = supervisor.pid_of("worker")
    began = time.monotonic()
    supervisor.stop(hurried=lambda: True)
    assert are_gone({stubborn})
    # Far from what a patient stop would have waited.
    assert time.monotonic() - began < processes.FINISH_WITHIN_S


def test_stopping_leaves_other_processes_alone(supervisor):
    stranger = subprocess.Popen(["/bin/sleep", "600"])
    supervisor.start(shell("web", "exec sleep 600"))
    supervisor.stop()
    assert stranger.poll() is None
    stranger.kill()
    stranger.wait()


def test_children_end_when_their_parent_is_killed():
    script = (
        "import os, sys, time; from pathlib import Path\n"
        "from casebook.ops.processes import Program, Supervisor\n"
        "running = Supervisor(folder=Path('/'), environment=dict(os.environ), say=print)\n"
        "running.start(Program('worker', ['/bin/sleep', '600']))\n"
        "print(running.pid_of('worker'), flush=True)\n"
        "time.sleep(600)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", script], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    child = int(parent.stdout.readline())
    assert child in parents()
    parent.kill()
    parent.communicate()
    wait_until(lambda: are_gone({child}))


def test_ends_are_described_in_words():
    assert describe_end(3) == "exit status 3"
    assert describe_end(-9) == "killed by SIGKILL"
