"""The checked library kept on disk, so that a second start does not read YAML.

Beside the first arrow. The cache is keyed by the content of every file of knowledge and of the code that
reads it, so it is never stale; whatever is wrong with it, the library is read again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterable
from pathlib import Path

from diagnose.catalogue.model import Library
from diagnose.catalogue.read import FILES, FOLDERS, load_library
from diagnose.locations import user_cache

KEPT = 8  # files; older ones belong to knowledge or code that has changed since
SEAL = 16  # bytes of hash before the content


def load_library_cached(
    path: str | Path, extra: Iterable[str | Path] = (), folder: Path | None = None
) -> Library:
    """As load_library, from the cache if nothing has changed since it was written.

    folder   where cache files lie; default the user's cache folder. One that cannot be written to is no
             error: the library is then read each time
    raises   KnowledgeError as load_library does; problems are never cached
    """
    extra = tuple(extra)
    folder = folder or user_cache()
    try:
        file = folder / f"library-{content_key(path, extra)}.msgpack"
    except OSError:  # a file vanished or is unreadable: reading will say so
        return load_library(path, extra)
    found = _read(file)
    if found is not None:
        return found
    library = load_library(path, extra)
    _write(file, library)
    return library


def content_key(path: str | Path, extra: Iterable[str | Path] = ()) -> str:
    """Hash of all YAML files of the knowledge and of the code that reads them, with their paths."""
    digest = hashlib.blake2b(digest_size=20)
    here = Path(__file__).resolve().parent
    code = [*here.glob("*.py"), here.parent / "documents.py", here.parent / "quantities.py"]
    files = [(str(place), file) for place in (path, *extra) for file in knowledge_files(Path(place))]
    for name, file in [*(("", c) for c in sorted(code)), *files]:
        content = file.read_bytes()
        digest.update(f"{name}\0{file}\0{len(content)}\0".encode("utf-8", "surrogateescape"))
        digest.update(content)
    return digest.hexdigest()


def knowledge_files(place: Path) -> list[Path]:
    """Every file that load_library would look at under one path, in a fixed order."""
    if place.is_file():
        return [place]
    files = [place / name for name in FILES if (place / name).is_file()]
    return files + [f for name in FOLDERS for f in sorted((place / name).glob("*.yaml"))]


def _read(file: Path) -> Library | None:
    import msgspec

    try:
        raw = file.read_bytes()
        seal, content = raw[:SEAL], raw[SEAL:]
        if _seal(content) != seal:  # a flipped bit would still decode, into another number
            return None
        return msgspec.msgpack.decode(content, type=Library)
    except (OSError, msgspec.MsgspecError):
        return None


def _seal(content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=SEAL).digest()


def _write(file: Path, library: Library) -> None:
    import tempfile

    import msgspec

    content = msgspec.msgpack.encode(library)
    # a cache that cannot be written costs time, not correctness
    with contextlib.suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=file.parent, prefix=file.stem, suffix=".tmp")
        try:
            with os.fdopen(handle, "wb") as stream:
                stream.write(_seal(content) + content)
            os.replace(name, file)
        finally:
            Path(name).unlink(missing_ok=True)
        for old in sorted(file.parent.glob("library-*.msgpack"), key=_age)[KEPT:]:
            old.unlink(missing_ok=True)


def _age(file: Path) -> float:
    return -file.stat().st_mtime
