"""The embedded servers when things go wrong around them. Real processes, really killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import psycopg
import pytest
import redis

from casebook.embedded import EmbeddedError, Lease, attach
from tests.faults.processes import (
    are_gone,
    child_named,
    kill_hard,
    parents,
    processes_of,
    wait_until,
)

ROOT = Path(__file__).resolve().parent.parent.parent
# Takes a lease, says so, and holds it until it is killed.
HOLD = """
import sys, time
from pathlib import Path
from casebook.embedded import attach
lease = attach(Path(sys.argv[1]))
print(lease.database_url, lease.redis_url, flush=True)
time.sleep(600)
"""


def keeper_of(data_dir: Path) -> int:
    return int(json.loads((data_dir / "servers/status.json").read_text())["keeper"])


def write_row(lease: Lease, value: int) -> None:
    with psycopg.connect(lease.database_url) as connection:
        connection.execute("CREATE TABLE IF NOT EXISTS kept (value int)")
        connection.execute("INSERT INTO kept VALUES (%s)", [value])


def read_rows(lease: Lease) -> list[int]:
    with psycopg.connect(lease.database_url) as connection:
        return [row[0] for row in connection.execute("SELECT value FROM kept ORDER BY value")]


def database_answers(lease: Lease) -> bool:
    try:
        with psycopg.connect(lease.database_url, connect_timeout=2):
            return True
    except psycopg.OperationalError:
        return False


def redis_answers(lease: Lease) -> bool:
    try:
        with redis.from_url(lease.redis_url, socket_timeout=2) as client:
            return bool(client.ping())
    except redis.RedisError:
        return False


def test_servers_want_a_password_and_listen_on_loopback_alone(lease, data_dir):
    without = lease.database_url.replace(lease.database_url.split("@")[0], "postgresql://owner")
    with pytest.raises(psycopg.OperationalError, match="password"):
        psycopg.connect(without, passfile="/nonexistent")
    with (
        redis.from_url("redis://" + lease.redis_url.split("@")[1]) as client,
        pytest.raises(redis.AuthenticationError),
    ):
        client.ping()
    with psycopg.connect(lease.database_url) as connection:
        listening = connection.execute("SHOW listen_addresses").fetchone()
        safe = connection.execute("SHOW fsync").fetchone()
    assert listening == ("127.0.0.1",)
    assert safe == ("on",)
    secret = (data_dir / "servers/postgres.password").stat()
    assert secret.st_mode & 0o077 == 0


def test_a_second_user_joins_the_servers_of_the_first(lease, data_dir):
    second = attach(data_dir)
    assert second.database_url == lease.database_url
    assert second.redis_url == lease.redis_url
    second.close(stop_within_s=5)
    # The first one still uses them.
    assert database_answers(lease)
    assert redis_answers(lease)


def test_servers_stop_when_the_last_user_leaves_and_keep_what_they_held(data_dir):
    lease = attach(data_dir)
    write_row(lease, 1)
    with redis.from_url(lease.redis_url) as client:
        client.rpush("waiting", "task")
    running = processes_of(data_dir)
    lease.close(stop_within_s=40)
    wait_until(lambda: are_gone(running))
    again = attach(data_dir)
    assert read_rows(again) == [1]
    with redis.from_url(again.redis_url) as client:
        assert client.lrange("waiting", 0, -1) == [b"task"]
    again.close(stop_within_s=40)


def test_five_first_starts_at_once_make_one_set_of_servers(data_dir):
    users = [
        subprocess.Popen(
            [sys.executable, "-c", HOLD, str(data_dir)], cwd=ROOT, stdout=subprocess.PIPE, text=True
        )
        for _ in range(5)
    ]
    addresses = {user.stdout.readline() for user in users}
    assert len(addresses) == 1
    assert addresses != {""}
    keepers = [pid for pid in processes_of(data_dir) if parents().get(pid) == 1]
    assert len(keepers) == 1
    for user in users:
        user.kill()
        user.communicate()


def test_a_killed_user_frees_its_lease_and_the_servers_stop(data_dir):
    user = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(data_dir)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )
    assert user.stdout.readline()
    servers = processes_of(data_dir) - {user.pid}
    assert len(servers) > 2
    user.kill()
    user.communicate()
    wait_until(lambda: are_gone(servers))


def test_a_killed_keeper_takes_its_servers_along_and_is_replaced_at_the_same_address(
    lease, data_dir
):
    write_row(lease, 1)
    before = (lease.database_url, lease.redis_url)
    old = processes_of(data_dir)
    kill_hard(keeper_of(data_dir))
    wait_until(lambda: not lease.is_kept())
    moved = lease.ensure()
    assert not moved
    assert (lease.database_url, lease.redis_url) == before
    assert read_rows(lease) == [1]
    assert redis_answers(lease)
    assert are_gone(old)


def test_killed_servers_come_back_with_what_was_committed(lease, data_dir):
    write_row(lease, 1)
    keeper = keeper_of(data_dir)
    # Its stale postmaster.pid stays behind.
    kill_hard(child_named(keeper, "postgres"), child_named(keeper, "-server"))
    wait_until(lambda: not (database_answers(lease) or redis_answers(lease)))
    wait_until(lambda: database_answers(lease) and redis_answers(lease))
    assert keeper_of(data_dir) == keeper
    assert read_rows(lease) == [1]


def test_everything_killed_at_once_starts_again_with_what_was_committed(data_dir):
    lease = attach(data_dir)
    write_row(lease, 1)
    keeper = keeper_of(data_dir)
    everything = processes_of(data_dir)
    os.kill(keeper, signal.SIGSTOP)  # so that it can't tidy up after the others
    kill_hard(*everything)
    wait_until(lambda: are_gone(everything))
    lease.close()
    again = attach(data_dir)
    assert read_rows(again) == [1]
    again.close(stop_within_s=40)


def test_a_pid_file_that_names_a_living_stranger_is_no_obstacle(data_dir):
    lease = attach(data_dir)
    write_row(lease, 1)
    lease.close(stop_within_s=40)
    # As after a power cut, when numbers are given out anew: PostgreSQL alone would refuse.
    (data_dir / "servers/postgres/postmaster.pid").write_text(f"{os.getpid()}\n/elsewhere\n")
    again = attach(data_dir)
    assert read_rows(again) == [1]
    again.close(stop_within_s=40)


def test_an_interrupted_first_start_is_made_anew(data_dir):
    half = data_dir / "servers/postgres.new-half/data"
    half.mkdir(parents=True)
    (half / "PG_VERSION").write_text("18\n")
    lease = attach(data_dir, redis=False)
    assert database_answers(lease)
    assert not half.parent.exists()
    lease.close(stop_within_s=40)


def test_a_damaged_queue_is_set_aside(data_dir):
    lease = attach(data_dir, postgres=False)
    with redis.from_url(lease.redis_url) as client:
        client.rpush("waiting", "task")
    lease.close(stop_within_s=40)
    for file in (data_dir / "servers/redis/appendonlydir").glob("*.incr.aof"):
        file.write_bytes(b"*9\r\nthis is no command\r\n" * 50)
    again = attach(data_dir, postgres=False)
    assert redis_answers(again)
    assert len(list((data_dir / "servers").glob("redis.damaged-*"))) == 1
    again.close(stop_within_s=40)


def test_only_what_is_wanted_is_started_and_the_other_when_it_is(data_dir):
    queue = attach(data_dir, postgres=False)
    assert not (data_dir / "servers/postgres").exists()
    with pytest.raises(EmbeddedError, match="does not cover postgres"):
        _ = queue.database_url
    both = attach(data_dir)
    assert both.redis_url == queue.redis_url
    assert database_answers(both)
    queue.close()
    both.close(stop_within_s=40)


def test_a_folder_that_can_not_be_written_is_one_clear_line(tmp_path):
    if os.geteuid() == 0:
        folder = Path("/sys/casebook")  # where even root may not
    else:
        tmp_path.chmod(0o500)
        folder = tmp_path / "data"
    with pytest.raises(EmbeddedError) as caught:
        attach(folder)
    assert str(folder) in str(caught.value)
    assert "--data-dir" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a small disk")
def test_a_full_disk_is_one_clear_line(tmp_path):
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(tmp_path)], check=False
    )
    if mounted.returncode:
        pytest.skip("mounting is not allowed here")
    try:
        with pytest.raises(EmbeddedError, match="make room") as caught:
            attach(tmp_path / "data")
        assert "\n" not in str(caught.value)
        wait_until(lambda: not processes_of(tmp_path / "data"))
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)
