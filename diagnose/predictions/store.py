"""Predictions on disk, so that the second job on a bike starts at once.

Part of the fourth arrow. One file a bike, named by the hash of everything that goes into it (the composed
bike, the instruments, this program's own source), so a changed bike or program never meets old numbers. A
corrupt, foreign or unreadable file is as good as none: everything can be computed again.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
import zipfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from diagnose.locations import user_cache
from diagnose.predictions.table import Column

FORMAT = 1
KEEP_BYTES = 400_000_000  # oldest files beyond this are removed: a bike's predictions are some megabytes


@cache
def source_stamp() -> bytes:
    """Differs whenever a source file of this package does; taken once a process, which loads it once."""
    root = Path(__file__).resolve().parent.parent
    stamp = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        info = path.stat()
        stamp.update(f"{path.relative_to(root)}:{info.st_size}:{info.st_mtime_ns}\n".encode())
    return stamp.digest()


def key_of(*values: Any) -> str:
    """Hash of frozen values (their reprs carry all their content) and of this program's source."""
    stamp = hashlib.sha256(source_stamp())
    for value in values:
        stamp.update(repr(value).encode())
        stamp.update(b"\0")
    return stamp.hexdigest()[:32]


class Store:
    """Arrays and small values by name, read once, written atomically when something was added."""

    def __init__(self, key: str, folder: Path | None = None):
        self.path = (folder or user_cache()) / f"predictions-{key}.npz"
        self._arrays: dict[str, np.ndarray] = {}
        self._plain: dict[str, Any] = {}
        self._changed = False
        self._read()

    def _read(self) -> None:
        try:
            with np.load(self.path, allow_pickle=False) as file:
                arrays = {name: file[name] for name in file.files}
            plain = msgspec.json.decode(arrays.pop("plain").tobytes())
            if not isinstance(plain, dict) or plain.get("format") != FORMAT:
                return
        except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile, msgspec.DecodeError):
            return  # none, or not to be trusted: computed again
        self._arrays, self._plain = arrays, plain

    def get(self, name: str) -> np.ndarray | None:
        """An array by name, or None."""
        return self._arrays.get(name)

    def array(self, name: str) -> np.ndarray:
        """An array that must be there; raises KeyError."""
        return self._arrays[name]

    def value(self, name: str) -> Any:
        """A small plain value by name, or None."""
        return self._plain.get(name)

    def put(self, name: str, array: np.ndarray) -> None:
        """Keep an array under a name."""
        self._arrays[name] = array
        self._changed = True

    def put_value(self, name: str, value: Any) -> None:
        """Keep a small plain value (text, numbers, lists) under a name."""
        self._plain[name] = value
        self._changed = True

    def put_columns(self, name: str, columns: Mapping[str, Column]) -> None:
        """Keep columns, packed into a few arrays."""
        numeric = [c for c in columns.values() if c.value is not None]
        worded = [c for c in columns.values() if c.value is None]
        self.put_value(
            name,
            {
                "numeric": [
                    [c.measurement, c.kind, c.unit, c.scale, _limit(c.low), _limit(c.high)] for c in numeric
                ],
                "worded": [[c.measurement, c.kind, list(c.choices), c.degree is not None] for c in worded],
            },
        )
        if numeric:
            for field in ("value", "spread", "shift"):
                self.put(f"{name}.{field}", np.array([getattr(c, field) for c in numeric], dtype=np.float32))
            degrees = [np.zeros_like(c.value) if c.degree is None else c.degree for c in numeric]
            self.put(f"{name}.degree", np.array(degrees, dtype=np.float32))
        for label, group, field in (
            ("numeric", numeric, "outcomes"),
            ("worded", worded, "outcomes"),
            ("worded", worded, "words"),
            ("worded", [c for c in worded if c.degree is not None], "degree"),
        ):
            if group:
                pieces = [np.asarray(getattr(c, field), dtype=np.float64) for c in group]
                pieces = [x if field == "outcomes" else x.reshape(len(x), -1).T for x in pieces]
                self.put(f"{name}.{label}.{field}", np.concatenate(pieces).astype(np.float32))
                self.put_value(f"{name}.{label}.{field}", [len(x) for x in pieces])

    def columns(self, name: str) -> dict[str, Column]:
        """Columns kept under a name; empty if there are none."""
        heads = self.value(name)
        if heads is None:
            return {}
        out: dict[str, Column] = {}
        if heads["numeric"]:
            values, spreads, shifts, degrees = (
                self._arrays[f"{name}.{x}"] for x in ("value", "spread", "shift", "degree")
            )
            outcomes = self._split(f"{name}.numeric.outcomes")
            for i, (m, kind, unit, scale, low, high) in enumerate(heads["numeric"]):
                out[m] = Column(
                    m,
                    kind,
                    unit,
                    values[i],
                    spreads[i],
                    shifts[i],
                    scale,
                    -np.inf if low is None else low,
                    np.inf if high is None else high,
                    degree=degrees[i],
                    outcomes=outcomes[i],
                )
        if heads["worded"]:
            outcomes = self._split(f"{name}.worded.outcomes")
            words = self._split(f"{name}.worded.words")
            by_degree = iter(
                self._split(f"{name}.worded.degree") if any(h[3] for h in heads["worded"]) else []
            )
            for i, (m, kind, choices, has_degree) in enumerate(heads["worded"]):
                degree = next(by_degree).T if has_degree else None
                out[m] = Column(
                    m,
                    kind,
                    "",
                    words=words[i].T.astype(np.float64),
                    degree=None if degree is None else degree.reshape(len(degree), -1, len(choices)),
                    choices=tuple(choices),
                    outcomes=outcomes[i],
                )
        return out

    def _split(self, name: str) -> list[np.ndarray]:
        return np.split(self._arrays[name], np.cumsum(self._plain[name])[:-1])

    def save(self) -> None:
        """Write what was added; a folder that cannot be written to costs time, never an answer."""
        if not self._changed:
            return
        plain = msgspec.json.encode({**self._plain, "format": FORMAT})
        arrays = {**self._arrays, "plain": np.frombuffer(plain, dtype=np.uint8)}
        part = ""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with tempfile.NamedTemporaryFile(dir=self.path.parent, suffix=".part", delete=False) as file:
                part = file.name
                np.savez(file, **arrays)  # type: ignore[arg-type]
            os.replace(file.name, self.path)
            self._tidy()
        except OSError:
            if part:
                with contextlib.suppress(OSError):
                    os.unlink(part)
            return
        self._changed = False

    def _tidy(self) -> None:
        found = [(p.stat(), p) for p in self.path.parent.glob("predictions-*.npz")]
        left = sum(info.st_size for info, _ in found) - KEEP_BYTES
        for info, old in sorted(found, key=lambda f: f[0].st_mtime):
            if left <= 0:
                return
            old.unlink(missing_ok=True)
            left -= info.st_size


def _limit(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
