"""How is a file written whole, or not at all?

Beside its place first, then into it, so that what stood there stands until the new one is whole.  A link is followed;
what is no plain file (a device, a pipe) is only written to, and never put aside or removed.
"""

import errno
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["gone_unless_whole", "write_whole"]


@contextmanager
def gone_unless_whole(path: str | Path) -> Iterator[None]:
    """Take away the file that was begun meanwhile if it does not become whole; one that was there before stays."""
    there = os.path.lexists(path)
    try:
        yield
    except BaseException:  # an interruption, too
        if not there:
            Path(path).unlink(missing_ok=True)
        raise


def write_whole(path: str | Path, content: bytes, *, new: bool = False) -> None:
    """Write a file and hand it to the disk.

    new : refuse a file, or a link, that exists already.
    Raises OSError that names `path`; nothing half written is left then.
    """
    target = Path(path) if new else Path(os.path.realpath(path))
    try:
        if target.exists() and not target.is_file():
            target.write_bytes(content)  # a folder refuses
        elif new:
            _write_new(target, content)
        else:
            _write_beside(target, content)
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from error


def _write_beside(target: Path, content: bytes) -> None:
    if target.exists() and not os.access(target, os.W_OK):
        raise OSError(errno.EACCES, os.strerror(errno.EACCES))
    # No name that somebody could lay a link under, or that may hold something of the user's.
    beside = target.with_name(f".kerfbeat-{secrets.token_hex(8)}")
    with gone_unless_whole(beside):
        _write_new(beside, content)
        if target.exists():
            beside.chmod(target.stat().st_mode & 0o777)
        beside.replace(target)


def _write_new(path: Path, content: bytes) -> None:
    with gone_unless_whole(path), path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
