"""What of a long work is done already, should it have been interrupted?

One line of JSON for each file that is done, in the user's own cache folder, taken away when all is done.  Only numbers,
texts and the result classes named are read back: the file could not run anything if somebody else had written it.
"""

import dataclasses
import hashlib
import json
import os
import sys
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

__all__ = ["Shelf", "cache_folder"]


def cache_folder() -> Path:
    """Where this user's programs keep what can be worked out again."""
    if sys.platform == "win32":
        named, usual = os.environ.get("LOCALAPPDATA"), Path.home() / "AppData" / "Local"
    elif sys.platform == "darwin":
        named, usual = None, Path.home() / "Library" / "Caches"
    else:
        named, usual = os.environ.get("XDG_CACHE_HOME"), Path.home() / ".cache"
    return (Path(named) if named else usual) / "kerfbeat"


def _packed(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {field.name: _packed(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return {"is": type(value).__name__, "of": fields}
    if isinstance(value, np.ndarray):
        return {"array": value.tolist(), "of": str(value.dtype)}
    if isinstance(value, Mapping):
        return {"map": [[_packed(key), _packed(each)] for key, each in value.items()]}
    if isinstance(value, tuple | list):
        return [_packed(each) for each in value]
    if isinstance(value, datetime):
        return {"time": value.isoformat()}
    return value.item() if isinstance(value, np.generic) else value


def _unpacked(packed: Any, known: Mapping[str, type]) -> Any:
    if isinstance(packed, list):
        return tuple(_unpacked(each, known) for each in packed)
    if not isinstance(packed, dict):
        return packed
    if "is" in packed:
        return known[packed["is"]](**{name: _unpacked(each, known) for name, each in packed["of"].items()})
    if "array" in packed:
        return np.array(packed["array"], dtype=packed["of"])
    if "time" in packed:
        return datetime.fromisoformat(packed["time"])
    return {_unpacked(key, known): _unpacked(each, known) for key, each in packed["map"]}


class Shelf:
    """Results of a work on many files, kept as they come.

    work : what is done, in words that change whenever the result would.  known : the classes results are made of.
    """

    def __init__(self, work: str, files: Iterable[Path], known: Iterable[type]) -> None:
        self._known = {each.__name__: each for each in known}
        named = "\n".join([work, *(str(path.resolve()) for path in files)])
        self._path = cache_folder() / f"{hashlib.sha256(named.encode()).hexdigest()[:24]}.jsonl"

    @staticmethod
    def _state(path: Path) -> list[Any]:
        """What changes when a file does."""
        seen = path.stat()
        return [str(path.resolve()), seen.st_size, seen.st_mtime_ns]

    def held(self, files: Iterable[Path]) -> dict[Path, Any]:
        """Results of those files that have not changed since; whatever cannot be read is worked out anew."""
        found: dict[str, Any] = {}
        try:
            lines = self._path.read_text(encoding="utf-8").splitlines()
        except (OSError, ValueError):
            return {}
        for line in lines:
            try:
                state, packed = json.loads(line)
                found[json.dumps(state)] = _unpacked(packed, self._known)
            except (ValueError, TypeError, KeyError):
                continue  # a torn last line, or of another version
        held = {}
        for path in files:
            try:
                state = json.dumps(self._state(path))
            except OSError:
                continue
            if state in found:
                held[path] = found[state]
        return held

    def keep(self, path: Path, result: Any) -> None:
        """Add a result; where nothing can be kept the work goes on all the same."""
        try:
            line = json.dumps([self._state(path), _packed(result)])
            self._path.parent.mkdir(parents=True, exist_ok=True)
            with self._path.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
        except OSError:
            return

    def clear(self) -> None:
        """All is done."""
        self._path.unlink(missing_ok=True)
