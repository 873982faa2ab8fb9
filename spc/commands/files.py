"""Files that commands write: safe names, whole or not at all."""

import hashlib
import os
import re
import tempfile
from pathlib import Path

__all__ = ["file_name", "formats", "write_file"]

_LONGEST = 60


def file_name(text: str) -> str:
    """Make a name for a file from any text: letters, digits, dot and hyphen; a changed name carries a short digest."""
    plain = re.sub(r"[^A-Za-z0-9.-]+", "-", text.replace(" ", "-")).strip("-.")[:_LONGEST]
    if plain == text.replace(" ", "-"):
        return plain
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain}-{digest}" if plain else digest


def formats(text: str) -> tuple[str, ...]:
    """Read a list of formats such as 'html,pdf'.

    Raises
    ------
    ValueError
        If one is not known, or none is named.
    """
    from spc.report.render import FORMATS

    wanted = tuple(dict.fromkeys(word.strip().lower() for word in text.split(",") if word.strip()))
    unknown = [word for word in wanted if word not in FORMATS]
    if unknown or not wanted:
        raise ValueError(f"`--format` must be of {', '.join(FORMATS)}, got {text!r}")
    return wanted


def write_file(path: Path, data: bytes) -> str:
    """Write a file, whole or not at all, and give its path; folders are made where missing."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".lapcell-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.chmod(name, 0o644)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    return str(path)
