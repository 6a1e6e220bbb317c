"""Makes .venv in the checkout from a lock file with hashes, unless it is there and current.

Usage: python3 deploy/install.py demo|test

Standard library only, and pip with whatever configuration it has here (mirrors, proxies). Safe to
run twice at once: the second waits for the first and finds its work done. Interrupted, it leaves no
stamp, so the next run starts over.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import subprocess
import sys
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


def run(what: str, *command: str) -> None:
    """Runs quietly; says what takes so long, and everything once it fails."""
    started = time.monotonic()
    say(f"{what} …")
    done = subprocess.run(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    if done.returncode:
        say(done.stdout.decode(errors="replace").strip())
        sys.exit(f"{what}: failed, see above. Correct that and run it again.")
    say(f"{what}: {time.monotonic() - started:.0f} s")


def install(purpose: str) -> None:
    say(f"Installing Casebook into {ENVIRONMENT} (once; a few hundred MB)")
    STAMP.unlink(missing_ok=True)
    if not (ENVIRONMENT / "bin" / "python").exists() or not _same_python():
        shutil.rmtree(ENVIRONMENT, ignore_errors=True)
        venv.create(ENVIRONMENT, with_pip=True)
    python = str(ENVIRONMENT / "bin" / "python")
    run(
        "Fetching and unpacking packages",
        *(python, "-m", "pip", "install", "--quiet", "--disable-pip-version-check"),
        *("--no-compile", "--require-hashes"),
        *("-r", str(LOCKS[purpose])),
    )
    # In parallel, and now rather than at the first start, which would take ten seconds longer. What
    # does not compile (templates that packages carry) is not ours to judge.
    say("Compiling …")
    compiling = [python, "-m", "compileall", "-qq", "-j", "0", str(ENVIRONMENT / "lib")]
    subprocess.run(compiling, stdout=subprocess.DEVNULL)
    STAMP.write_text(fingerprint(purpose))


def _same_python() -> bool:
    done = subprocess.run(
        [ENVIRONMENT / "bin" / "python", "-c", "import sys; print(*sys.version_info[:2])"],
        capture_output=True,
        text=True,
    )
    return done.stdout.split() == [str(number) for number in sys.version_info[:2]]


def main() -> None:
    purpose = sys.argv[1]
    if is_current(purpose):
        return
    try:
        guard = os.open(ROOT / ".venv.lock", os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        sys.exit(f"Can't write to {ROOT} ({error.strerror}): make the checkout writable.")
    fcntl.flock(guard, fcntl.LOCK_EX)
    try:
        if not is_current(purpose):
            install(purpose)
    except OSError as error:
        sys.exit(f"Can't install into {ENVIRONMENT}: {error.strerror or error}.")


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        sys.exit(130)
