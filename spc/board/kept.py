"""Results that are costly to compute and depend on nothing but their data, kept between runs in a folder of this user.

What is kept is addressed by what it was computed from, so it can never be out of date; deleting the folder loses time
and nothing else. The folder: the environment variable LAPCELL_CACHE ('off' keeps nothing), else the user's own cache
folder. Only plain values and this package's own result classes are written and read, as JSON.

A long-running screen writes behind: what was made for a page goes to the folder when the page has been shown.
"""

import base64
import hashlib
import importlib
import json
import os
import tempfile
import threading
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, TypeVar, cast

import numpy as np

__all__ = ["digest_of_values", "find_kept", "keep", "keeps", "kept", "write_behind"]

T = TypeVar("T")

MOST_OF_A_KIND = 400  # unless a kind asks for more or fewer; of all kinds the oldest go first
_MOST_FILES = 4_000  # of all kinds together: more than a cell of a hundred laps asks for at one look


class _Waiting:
    """Results still to be written down, by kind and place: where to, the result, how many of its kind."""

    def __init__(self) -> None:
        self.after_s = 0.0
        self._lock = threading.Lock()
        self._results: dict[tuple[str, str], tuple[Path, object, int]] = {}

    def add(self, kind: str, place: str, path: Path, result: object, most: int) -> None:
        with self._lock:
            if not self._results:
                timer = threading.Timer(self.after_s, self._write)
                timer.daemon = True
                timer.start()
            self._results[kind, place] = path, result, most

    def find(self, path: Path) -> object | None:
        with self._lock:
            return next((result for where, result, _ in self._results.values() if where == path), None)

    def _write(self) -> None:
        with self._lock:
            results, self._results = self._results, {}
        for (kind, _), (path, result, most) in results.items():
            _put(path, result, kind=kind, most=most)


_WAITING = _Waiting()


def write_behind(after_s: float) -> None:
    """Write from now on what is kept so many seconds after it was made, 0 = at once; a program that ends loses it."""
    _WAITING.after_s = after_s


def kept(kind: str, digest: str, compute: Callable[[], T], *, place: str = "", most: int = MOST_OF_A_KIND) -> T:
    """Give the result of `compute`, from the folder when it was computed before.

    Parameters
    ----------
    kind : str
        Short name of the computation, part of the file's name.
    digest : str
        From `digest_of_values` over everything the result depends on.
    compute : callable
        Makes the result: a value of plain types, arrays and frozen result classes of this package.
    place : str, optional
        What the result is of; a newer one of the same place is written instead of one that still waits for it.
    most : int, default 400
        How many results of this kind are kept; the oldest go first.

    Returns
    -------
    object
        Equal to what `compute` gives. A folder that cannot be read or written is as good as none.
    """
    found = find_kept(kind, digest)
    if found is not None:
        return cast(T, found)
    result = compute()
    keep(kind, digest, result, place=place, most=most)
    return result


def keep(kind: str, digest: str, result: object, *, place: str = "", most: int = MOST_OF_A_KIND) -> None:
    """Put a result into the folder; arguments as of `kept`."""
    folder = _folder()
    if folder is None:
        return
    path = folder / _name(kind, digest)
    if _WAITING.after_s:
        _WAITING.add(kind, place or digest, path, result, most)
    else:
        _put(path, result, kind=kind, most=most)


def find_kept(kind: str, digest: str) -> object | None:
    """Give what was kept under this kind and digest, None when nothing was or it cannot be read."""
    folder = _folder()
    if folder is None:
        return None
    path = folder / _name(kind, digest)
    waiting = _WAITING.find(path)
    if waiting is not None:
        return waiting
    try:
        found: object = _decode(json.loads(path.read_text(encoding="utf-8")))
        os.utime(path)
        return found
    except (OSError, ValueError, TypeError, KeyError, AttributeError, ImportError):
        return None  # not there, or written by another version of the classes


def keeps() -> bool:
    """Whether there is a folder to keep results in."""
    return _folder() is not None


def digest_of_values(*values: object) -> str:
    """SHA-256 over values and the version of the software; arrays by their bytes, floats to the last bit."""
    found = hashlib.sha256(_software().encode())
    for value in values:
        if isinstance(value, np.ndarray):
            found.update(f"{value.dtype}{value.shape}".encode() + np.ascontiguousarray(value).tobytes())
        elif isinstance(value, float):
            found.update(value.hex().encode())
        else:
            found.update(repr(value).encode())
        found.update(b"\x1f")
    return found.hexdigest()


@cache
def _software() -> str:
    """Version, and in a checkout the newest change of the code: a result of older code is not taken for new."""
    packages = Path(__file__).parents[1], Path(__file__).parents[2] / "dashboard"
    code = (p for root in packages for p in root.rglob("*.*") if p.suffix in (".py", ".css"))
    newest = max(p.stat().st_mtime_ns for p in code)
    try:
        return f"{version('lapcell')}/{newest}"
    except PackageNotFoundError:
        return str(newest)


def _folder() -> Path | None:
    named = os.environ.get("LAPCELL_CACHE", "")
    if named == "off":
        return None
    home = os.environ.get("XDG_CACHE_HOME") or os.environ.get("LOCALAPPDATA") or "~/.cache"
    try:
        folder = Path(named or Path(home) / "lapcell").expanduser()
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, RuntimeError):
        return None
    return folder


def _name(kind: str, digest: str) -> str:
    return f"{kind}-{digest[:40]}.json"


def _put(path: Path, result: object, *, kind: str, most: int) -> None:
    text = json.dumps(_encode(result))
    try:
        _write(path, text, kind=kind, most=most)
    except OSError:
        pass  # a full or read-only disk costs time only


def _write(path: Path, text: str, *, kind: str, most: int) -> None:
    handle, name = tempfile.mkstemp(dir=path.parent, suffix=".new")
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
    os.replace(name, path)
    for begins, room in ((f"{kind}-", most), ("", _MOST_FILES)):
        names = [name for name in os.listdir(path.parent) if name.startswith(begins) and name.endswith(".json")]
        if len(names) > room:
            files = sorted((path.parent / name for name in names), key=lambda p: p.stat().st_mtime)
            for old in files[: len(files) - room]:
                old.unlink(missing_ok=True)


def _encode(value: Any) -> Any:
    if isinstance(value, (np.bool_, np.integer, np.floating)):
        return value.item()
    if value is None or isinstance(value, (bool, int, float, str)):
        return value
    if isinstance(value, np.ndarray):
        if value.dtype == object:
            return {"kind": "objects", "items": [_encode(v) for v in value.tolist()]}
        data = base64.b64encode(np.ascontiguousarray(value).tobytes()).decode()
        return {"kind": "array", "type": value.dtype.str, "shape": list(value.shape), "data": data}
    if isinstance(value, tuple):
        return {"kind": "tuple", "items": [_encode(v) for v in value]}
    if isinstance(value, list):
        return [_encode(v) for v in value]
    if isinstance(value, Mapping):
        return {"kind": "map", "items": [[_encode(k), _encode(v)] for k, v in value.items()]}
    if is_dataclass(value) and type(value).__module__.startswith("spc."):
        held = {f.name: _encode(getattr(value, f.name)) for f in fields(value)}
        return {"kind": "class", "name": f"{type(value).__module__}:{type(value).__qualname__}", "fields": held}
    raise TypeError(f"`value` must be plain, an array or a result class of this package, got {type(value).__name__}")


def _decode(value: Any) -> Any:
    if isinstance(value, list):
        return [_decode(v) for v in value]
    if not isinstance(value, dict):
        return value
    kind = value["kind"]
    if kind == "array":
        flat = np.frombuffer(base64.b64decode(value["data"]), dtype=np.dtype(value["type"]))
        return flat.reshape(value["shape"]).copy()
    if kind == "objects":
        return np.array([_decode(v) for v in value["items"]], dtype=object)
    if kind == "tuple":
        return tuple(_decode(v) for v in value["items"])
    if kind == "map":
        return {_decode(k): _decode(v) for k, v in value["items"]}
    module, _, name = value["name"].partition(":")
    if kind != "class" or not module.startswith("spc."):
        raise ValueError(f"`kind` must be one that was written here, got {kind!r}")
    made = getattr(importlib.import_module(module), name)
    if not is_dataclass(made):
        raise TypeError(f"{value['name']} is no result class")
    return cast(type, made)(**{k: _decode(v) for k, v in value["fields"].items()})
