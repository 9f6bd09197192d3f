"""How does a file that only grows stay whole, though the disk is full, the supply fails or somebody takes it away?

What the disk did not take stays in memory and is tried again, from the end of a whole line on.
"""

import os
from io import RawIOBase
from pathlib import Path

from kerfbeat.errors import DiskError, LogError

__all__ = ["GrowingFile"]

PIECE_BYTES = 1 << 20  # of a long file, written or copied at a time


class GrowingFile:
    """A new file of lines; LogError if one is there already or none can be made.

    rewritten : how often the file was taken away, and written anew.   path : where it is now.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rewritten = 0
        self._waiting = bytearray()
        self._size_bytes = 0  # of the file up to its last whole piece
        self._lines = 0  # appended so far
        self._file: RawIOBase | None = _create(path)

    @property
    def is_open(self) -> bool:
        """Until `close`."""
        return self._file is not None

    def append(self, text: str, *, lines: int) -> None:
        """Add whole lines, so many of which count; a large pile is written at once."""
        self._waiting += text.encode()
        self._lines += lines
        if len(self._waiting) >= PIECE_BYTES:
            self.write()

    def write(self) -> None:
        """Give what waits to the system; raises DiskError if it does not take all of it."""
        if self._file is None or not self._waiting:
            return
        done = 0
        failure: OSError | None = None
        try:
            while done < len(self._waiting):
                done += self._file.write(memoryview(self._waiting)[done:]) or 0
        except OSError as error:
            failure = error
            done = self._waiting.rfind(b"\n", 0, done) + 1
            self._cut_after_bytes(self._size_bytes + done)
        self._size_bytes += done
        del self._waiting[:done]
        if failure is not None:
            raise self._disk_error(failure) from failure

    def keep(self) -> None:
        """Hand everything to the disk; raises DiskError if it does not take it."""
        if self._file is None:
            return
        self.write()
        try:
            os.fsync(self._file.fileno())
            if not self._is_there(self._file):
                self._write_anew(self._file)
        except OSError as error:
            raise self._disk_error(error) from error

    def close(self) -> None:
        """Let go of the file as it is."""
        if self._file is not None:
            file, self._file = self._file, None
            file.close()

    def _is_there(self, file: RawIOBase) -> bool:
        """Whether the path still leads to the file that is written."""
        if os.name != "posix":
            return True  # Windows lets nobody take away a file that is open
        mine = os.fstat(file.fileno())
        try:
            there = self.path.stat()
        except OSError:
            return False
        return (mine.st_dev, mine.st_ino) == (there.st_dev, there.st_ino)

    def _write_anew(self, file: RawIOBase) -> None:
        """The file was removed, renamed or replaced: what was written is still in the open one, so copy it and go on in
        the copy, beside whatever has taken its place.
        """
        new_path, number = self.path, 1
        while new_path.exists():
            number += 1
            new_path = self.path.with_name(f"{self.path.stem}-{number}{self.path.suffix}")
        new_path.parent.mkdir(parents=True, exist_ok=True)
        fresh = _create(new_path)
        file.seek(0)
        while piece := file.read(PIECE_BYTES):
            fresh.write(piece)
        os.fsync(fresh.fileno())
        file.close()
        self._file, self.path = fresh, new_path
        self.rewritten += 1

    def _cut_after_bytes(self, size_bytes: int) -> None:
        """After a write that failed half way: end the file at a whole line, so that the rest can be tried again."""
        file = self._file
        assert file is not None
        try:
            file.truncate(size_bytes)
            file.seek(size_bytes)
        except OSError:
            pass  # the torn last line is then dropped by the reader

    def _disk_error(self, error: OSError) -> DiskError:
        said = error.strerror or str(error)
        waiting = min(self._lines, self._waiting.count(b"\n"))
        return DiskError(
            f"{self.path}: the disk does not take the log ({said}); {self._lines - waiting} rows are in the file, "
            f"{waiting} wait in memory; free some space or end here"
        )


def _create(path: Path) -> RawIOBase:
    try:
        file = path.open("x+b", buffering=0)
    except FileExistsError:
        raise LogError(f"{path}: the file exists and is not overwritten; choose another name or move it away") from None
    except OSError as error:
        raise LogError(f"{path}: cannot be made ({error.strerror or error}); check the folder") from error
    _keep_folder(path.parent)
    return file


def _keep_folder(folder: Path) -> None:
    """Have the disk remember that the file exists; Windows needs and offers nothing of the kind."""
    if os.name != "posix":
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return  # a folder that may be written but not listed
    try:
        os.fsync(handle)
    except OSError:
        pass  # some network folders cannot; the file is still written and kept
    finally:
        os.close(handle)
