"""The one error of this room, and plain words for what the operating system says."""

from __future__ import annotations

import errno
from pathlib import Path


class EmbeddedError(Exception):
    """One line that says what is wrong with the embedded servers, and what to do about it."""


def explain_os_error(error: OSError, path: Path) -> EmbeddedError:
    """What stands in the way of keeping files under `path`."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return EmbeddedError(f"The disk that holds {path} is full; make room, then start again.")
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return EmbeddedError(
            f"{path} can't be written ({error.strerror}); "
            "give this user write access, or another --data-dir."
        )
    return EmbeddedError(f"{path} can't be used ({error.strerror}); give another --data-dir.")
