"""The service must run on its own lock file: the tests' environment has more and hides a lack."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

# Loads all that web server, worker, beat and relay load, in an environment in which packages that
# production does not install are not there.
LOAD_THE_SERVICE = """
import re, sys
from importlib.abc import MetaPathFinder
from importlib.metadata import packages_distributions
from pathlib import Path

canonical = lambda name: re.sub(r"[-_.]+", "-", name).lower()
lock = Path("deploy/requirements.lock").read_text()
left_out = sys.argv[1:]
locked = {canonical(name) for name in re.findall(r"(?m)^([A-Za-z0-9._-]+)==", lock)}
locked -= set(left_out)
owners = packages_distributions()

class NotInstalled(MetaPathFinder):
    def find_spec(self, name, path, target=None):
        of = owners.get(name.partition(".")[0])
        if of and not locked & {canonical(owner) for owner in of}:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, NotInstalled())
import celery.bin.celery, celery.beat, celery.worker, celery.concurrency.prefork
import gunicorn.app.wsgiapp, gunicorn.workers.gthread
import kombu.transport.redis
import django
django.setup()
import casebook.celery, casebook.urls, casebook.wsgi, casebook.ops.relay, search.core.kernel
casebook.celery.app.loader.import_default_modules()
"""


def load(*left_out: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", LOAD_THE_SERVICE, *left_out],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_service_loads_with_what_its_own_lock_file_brings():
    done = load()
    assert done.returncode == 0, done.stderr


def test_a_package_missing_from_the_lock_file_is_noticed():
    done = load("packaging")
    assert done.returncode != 0
    assert "No module named 'packaging" in done.stderr
