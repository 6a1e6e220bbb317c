"""`up` from outside: refusals, restarts, ends. The whole service, in processes of its own."""

from __future__ import annotations

import http.client
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import psycopg
import pytest

from tests.faults.processes import (
    are_gone,
    child_named,
    kill_hard,
    parents,
    processes_of,
    wait_until,
)

ROOT = Path(__file__).resolve().parent.parent.parent
NOWHERE = {
    "DATABASE_URL": "postgresql://owner:x@127.0.0.1:1/none",
    "REDIS_URL": "redis://127.0.0.1:1/0",
}


class Up:
    """`manage.py up` on a folder of its own and any free port."""

    def __init__(self, data_dir: Path, *options: str, **environment: str) -> None:
        self.data_dir = data_dir
        data_dir.mkdir(exist_ok=True)
        self.log = data_dir.with_suffix(".stderr")
        own = {"DATABASE_URL": "", "REDIS_URL": "", "CASEBOOK_SECRET_KEY": ""} | environment
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                [
                    *(sys.executable, "manage.py", "up", "--data-dir", str(data_dir)),
                    *(options or ("--port", "0")),
                ],
                cwd=ROOT,
                env=dict(os.environ) | own,
                stdout=subprocess.PIPE,
                stderr=log,
                text=True,
            )

    def wait_until_served(self) -> Self:
        line = self.process.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, f"{line!r}\n{self.log.read_text()}"
        self.url = found[0]
        return self

    def get(self, path: str) -> int:
        client = http.client.HTTPConnection(self.url.removeprefix("http://"), timeout=30)
        try:
            client.request("GET", path)
            return client.getresponse().status
        finally:
            client.close()

    def said(self) -> str:
        return self.log.read_text()

    def end(self) -> int:
        """Its exit status, once it has ended."""
        self.process.communicate(timeout=60)
        return self.process.returncode


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Up]:
    up = Up(tmp_path_factory.mktemp("up") / "data").wait_until_served()
    # The background comes after the web server.
    wait_until(lambda: len(_children(up)) == 4)
    yield up
    up.process.terminate()
    up.end()
    left = processes_of(up.data_dir)
    kill_hard(*left)


def _children(up: Up) -> list[int]:
    return [pid for pid, parent in parents().items() if parent == up.process.pid]


def test_it_serves_with_the_database_prepared(running):
    assert running.get("/livez") == 200
    assert running.get("/readyz") == 200


def test_a_second_one_on_the_same_folder_is_refused(running):
    second = Up(running.data_dir, "--port", "0", **NOWHERE)
    assert second.end() == 1
    assert (
        f"CommandError: Casebook runs on {running.data_dir} already (process "
        f"{running.process.pid}); stop that one, or give another --data-dir.\n" in second.said()
    )
    assert running.get("/livez") == 200


def test_a_child_that_is_killed_is_started_again(running):
    relay = child_named(running.process.pid, "relay")
    kill_hard(relay)
    line = "relay ended (killed by SIGKILL); starting it again in 1 s"
    wait_until(lambda: line in running.said())
    wait_until(lambda: len(_children(running)) == 4)
    assert relay not in _children(running)


def test_a_killed_web_server_comes_back_on_the_same_port(running):
    web = child_named(running.process.pid, "gunicorn")
    workers = [pid for pid, parent in parents().items() if parent == web]
    kill_hard(web)
    wait_until(lambda: are_gone(workers))
    # Held open by the parent meanwhile: callers wait instead of being refused.
    assert running.get("/livez") == 200


def test_a_killed_keeper_is_replaced_and_the_service_goes_on(running):
    assert running.get("/readyz") == 200
    status = running.data_dir / "servers/status.json"
    keeper = int(re.search(r'"keeper": (\d+)', status.read_text())[1])
    kill_hard(keeper)

    def works() -> bool:
        try:
            return f'"keeper": {keeper}' not in status.read_text() and running.get("/readyz") == 200
        except OSError:
            return False  # 503 while the database is away

    wait_until(works)


def test_a_taken_port_is_refused_before_anything_is_started(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        up = Up(tmp_path / "data", "--port", str(port), **NOWHERE)
        assert up.end() == 1
    assert up.said() == (
        f"CommandError: Port {port} of 127.0.0.1 is taken by another program; "
        "give another --port.\n"
    )


def test_an_address_of_another_machine_is_refused(tmp_path):
    # Reserved for documentation: nobody's address.
    up = Up(tmp_path / "data", "--host", "192.0.2.1", "--port", "0", **NOWHERE)
    assert up.end() == 1
    assert "192.0.2.1 is not an address of this machine" in up.said()


def test_a_database_that_does_not_answer_is_one_line(tmp_path):
    up = Up(tmp_path / "data", "--port", "0", **NOWHERE)
    assert up.end() == 1
    assert "CommandError: The database does not answer: connection failed" in up.said()
    assert up.said().count("\n") == 1


def test_killed_hard_it_leaves_nothing_and_starts_again_with_everything_kept(data_dir):
    first = Up(data_dir).wait_until_served()
    add = [sys.executable, "manage.py", "add_shop", "Quay Street Motors", "--region", "north"]
    shop = subprocess.run(
        [*add, "--data-dir", str(data_dir)],
        cwd=ROOT,
        env=dict(os.environ) | {"DATABASE_URL": "", "REDIS_URL": "", "CASEBOOK_SECRET_KEY": ""},
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    everything = processes_of(data_dir)
    kill_hard(first.process.pid)
    first.end()
    second = Up(data_dir).wait_until_served()
    assert are_gone(everything - processes_of(data_dir))
    assert second.get("/readyz") == 200
    assert shop in _shops(second)
    wait_until(lambda: len(_children(second)) == 4)
    everything = processes_of(data_dir) | {second.process.pid}
    second.process.send_signal(signal.SIGTERM)
    assert second.end() == 0
    wait_until(lambda: are_gone(everything))
    assert processes_of(data_dir) == set()


def _shops(up: Up) -> set[str]:
    environment = Path(f"/proc/{child_named(up.process.pid, 'gunicorn')}/environ").read_text()
    variables = dict(part.split("=", 1) for part in environment.split("\0") if "=" in part)
    with psycopg.connect(variables["DATABASE_URL"]) as connection:
        return {str(row[0]) for row in connection.execute("SELECT id FROM shops_shop")}


def test_asked_to_stop_while_it_prepares_it_stops(data_dir):
    up = Up(data_dir)
    # It has made its claim, and the database is not prepared yet.
    wait_until(lambda: (data_dir / "up.lock").exists())
    up.process.send_signal(signal.SIGINT)
    assert up.end() == 0
    assert "Traceback" not in up.said()
    wait_until(lambda: not processes_of(data_dir))
