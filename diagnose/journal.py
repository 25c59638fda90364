"""The journal of a job: one JSON object a line, only ever appended, on disk before the next question.

Eighth arrow of the flow (conversation -> record), in the form of a case without truth. Knows messages
and texts only; it must not know bikes, beliefs or rules.

Line 1 is the head: `{"journal": 1, "protocol": 1, "job": ID, "bike": BIKE, "started": TIME, "options": {}}`.
Each further line has a running number `n`, a time `at`, and either `message` (what the user said, with the
question it answered) or `told` (advice and endings, kept for the reader, never needed to go on).
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from diagnose.errors import JournalError, UsageError, unknown
from diagnose.locations import user_data

JOURNAL_VERSION = 1
PROTOCOL = 1
SUFFIX = ".jsonl"
LINE_LIMIT = 1 << 20  # bytes; the longest message accepted is far shorter
FILE_LIMIT = 64 << 20  # bytes; a job of a day is some 50 kB

_HEAD_KEYS: Mapping[str, type] = {"job": str, "bike": str, "started": str, "options": dict}


@dataclass(frozen=True, slots=True)
class Entry:
    """One line after the head. kind: message | told. line counts from 1 in the file."""

    number: int
    at: str
    kind: str
    data: Mapping[str, Any]
    line: int = 0


@dataclass(frozen=True, slots=True)
class Record:
    """A journal as read: head, entries, and what had to be dropped (sentences for the user).

    good_bytes   length of the part that is whole
    needs_newline  the last whole line lacks its line end
    """

    path: str
    job: str
    bike: str
    started: str
    options: Mapping[str, Any]
    entries: tuple[Entry, ...]
    notices: tuple[str, ...] = ()
    good_bytes: int = 0
    needs_newline: bool = False

    @property
    def messages(self) -> tuple[Mapping[str, Any], ...]:
        """What the user said, in order: what a job is replayed from."""
        return tuple(e.data for e in self.entries if e.kind == "message")

    @property
    def told(self) -> tuple[Mapping[str, Any], ...]:
        """Advice and endings that were shown, in order."""
        return tuple(e.data for e in self.entries if e.kind == "told")

    @property
    def outcome(self) -> str:
        """repaired | stopped | paused | open: how the job stands, without solving anything."""
        return str(self.ending.get("outcome", "open"))

    @property
    def ending(self) -> Mapping[str, Any]:
        """The last pause or end that still stands; empty while the job is open."""
        last = next((e for e in reversed(self.entries) if e.kind == "message" or _is_closing(e)), None)
        return last.data if last is not None and _is_closing(last) else {}

    @property
    def waiting(self) -> str:
        """What a job waits for: charger | customer | ride | part; '' for any other."""
        return str(self.ending.get("waiting") or "")


def _is_closing(entry: Entry) -> bool:
    return entry.kind == "told" and entry.data.get("event") == "closed"


class Journal:
    """An open journal: locked for this program, appended to with fsync. Close it, or use `with`."""

    def __init__(self, descriptor: int, path: Path, record: Record, clock: Callable[[], str]):
        self.path, self.record = path, record
        self._descriptor, self._clock = descriptor, clock
        self._number = record.entries[-1].number if record.entries else 0

    def append(self, kind: str, data: Mapping[str, Any]) -> None:
        """Write one line and wait until it is on the disk.

        kind    message | told
        raises  JournalError when it could not be written; the file is then as it was before
        """
        if self._descriptor < 0:
            raise JournalError(
                f"{self.path}: the journal is closed; expected an open one; try to resume the job"
            )
        line = _dump({"n": self._number + 1, "at": self._clock(), kind: data})
        if len(line) > LINE_LIMIT:
            raise JournalError(
                f"{self.path}: a message of {len(line)} bytes is too long; expected at most {LINE_LIMIT}; "
                "try a shorter one"
            )
        _write(self._descriptor, self.path, line)
        self._number += 1

    def close(self) -> None:
        """Give the lock back. Closing twice does no harm."""
        if self._descriptor >= 0:
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def now() -> str:
    """Time of this moment, UTC, to the second, as ISO 8601 text."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def minutes_between(before: str, after: str) -> float:
    """Minutes from one time of a journal to another, at least 0; 0 when either is no such time."""
    try:
        apart = datetime.fromisoformat(after) - datetime.fromisoformat(before)
    except (ValueError, TypeError):
        return 0.0
    return max(0.0, round(apart.total_seconds() / 60.0, 1))


def home(option: str | os.PathLike[str] | None = None) -> Path:
    """Folder of the user's own things: the option, else as `locations` finds it."""
    return Path(option) if option else user_data()


def jobs_folder(option: str | os.PathLike[str] | None = None) -> Path:
    """Folder that holds the journals."""
    return home(option) / "jobs"


def create(
    folder: Path,
    bike: str,
    options: Mapping[str, Any],
    *,
    about: str = "",
    clock: Callable[[], str] = now,
) -> Journal:
    """Start a journal under a fresh readable id such as `2026-11-25-no-spark-1`, locked and on disk.

    about   what the id says, for example the complaint; '' gives `job`
    raises  JournalError when the folder or file cannot be written
    """
    word = re.sub(r"[^a-z0-9]+", "-", about.lower()).strip("-")[:40] or "job"
    started = clock()
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError as err:
        raise JournalError(_cannot_write(folder, err)) from err
    for number in range(1, 10_000):
        job = f"{started[:10]}-{word}-{number}"
        path = folder / f"{job}{SUFFIX}"
        try:
            descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        except FileExistsError:
            continue
        except OSError as err:
            raise JournalError(_cannot_write(path, err)) from err
        try:
            _lock(descriptor, path)
            head = {"journal": JOURNAL_VERSION, "protocol": PROTOCOL, "job": job, "bike": bike}
            _write(descriptor, path, _dump({**head, "started": started, "options": dict(options)}))
            _sync_folder(folder)
        except JournalError:
            os.close(descriptor)
            path.unlink(missing_ok=True)
            raise
        return Journal(descriptor, path, Record(str(path), job, bike, started, dict(options), ()), clock)
    raise JournalError(f"{folder}: no free job id left for {word!r} today; try another folder")


def open_journal(path: Path, *, clock: Callable[[], str] = now) -> Journal:
    """Open an existing journal to go on with it; a torn last line is cut off, with a notice in the record.

    raises  JournalError when it is missing, foreign, broken in the middle, not writable, or in use
    """
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CLOEXEC)
    except OSError as err:
        raise JournalError(_cannot_write(path, err)) from err
    try:
        _lock(descriptor, path)
        record = read(path)
        if os.fstat(descriptor).st_size != record.good_bytes:
            os.ftruncate(descriptor, record.good_bytes)
        if record.needs_newline:
            _write(descriptor, path, b"\n")
    except (JournalError, OSError) as err:
        os.close(descriptor)
        if isinstance(err, JournalError):
            raise
        raise JournalError(_cannot_write(path, err)) from err
    return Journal(descriptor, path, record, clock)


def read(path: Path) -> Record:
    """Read a journal without locking it.

    A last line that was cut short (power, kill) is left out and named in `notices`; anything else that
    is not right raises JournalError with file:line.
    """
    try:
        size = path.stat().st_size
        if size > FILE_LIMIT:
            raise JournalError(
                f"{path}: {size} bytes is too large for a journal; expected at most {FILE_LIMIT}; "
                "try the file of a single job"
            )
        data = path.read_bytes()
    except OSError as err:
        raise JournalError(
            f"{path}: cannot be read ({_reason(err)}); expected a journal; try `diagnose jobs`"
        ) from err

    head: Mapping[str, Any] | None = None
    entries: list[Entry] = []
    notices: list[str] = []
    good, needs_newline = 0, False
    lines = re.findall(rb"[^\n]*\n|[^\n]+", data)  # a line ends at a newline and nowhere else
    for index, raw in enumerate(lines, start=1):
        is_last = index == len(lines)
        try:
            value = _parse(raw)
            if head is None:
                head = _head(value)
            else:
                entries.append(_entry(value, len(entries) + 1, index))
        except ValueError as err:
            torn = is_last and head is not None and not raw.endswith(b"\n")
            if not torn:
                raise JournalError(f"{path}:{index}: {err}") from err
            notices.append(
                f"{path}:{index}: the last line was cut short and is left out; "
                "the answer it held was never acknowledged"
            )
            break
        good += len(raw)
        needs_newline = not raw.endswith(b"\n")
    if head is None:
        raise JournalError(
            f"{path}:1: the file is empty; expected the head of a journal; try `diagnose jobs`"
        )
    return Record(
        path=str(path),
        job=head["job"],
        bike=head["bike"],
        started=head["started"],
        options=head["options"],
        entries=tuple(entries),
        notices=tuple(notices),
        good_bytes=good,
        needs_newline=needs_newline,
    )


def list_jobs(folder: Path) -> tuple[tuple[Record, ...], tuple[str, ...]]:
    """Every journal of a folder, newest first, and one sentence for each file that cannot be read."""
    records: list[Record] = []
    troubles: list[str] = []
    for path in sorted(folder.glob(f"*{SUFFIX}")) if folder.is_dir() else ():
        try:
            records.append(read(path))
        except JournalError as err:
            troubles.append(str(err))
    return tuple(sorted(records, key=lambda r: (r.started, r.job), reverse=True)), tuple(troubles)


def find_job(folder: Path, text: str) -> Path:
    """Path of the journal that `text` means: a file, a job id, or the only id that contains the text.

    raises  UsageError when there is none, or more than one
    """
    direct = Path(text)
    if direct.suffix == SUFFIX and direct.is_file():
        return direct
    jobs = sorted(p.name.removesuffix(SUFFIX) for p in folder.glob(f"*{SUFFIX}")) if folder.is_dir() else []
    hits = [text] if text in jobs else [j for j in jobs if text and text in j]
    if len(hits) == 1:
        return folder / f"{hits[0]}{SUFFIX}"
    if hits:
        raise UsageError(
            f"job {text!r} could be {', '.join(hits[:6])}; expected one of them; try the whole id"
        )
    raise UsageError(unknown("job", text, jobs) + "; `diagnose jobs` lists them")


def as_case(record: Record) -> dict[str, Any]:
    """The journal as a case: what was asked of the program, without truth and without expectation."""
    return {
        "case": "job_" + record.job.replace("-", "_"),
        "bike": record.bike,
        **{k: v for k, v in record.options.items() if v not in (None, "", [], {})},
        "messages": [dict(m) for m in record.messages],
    }


# --- the file ----------------------------------------------------------------------------------


def _dump(value: Mapping[str, Any]) -> bytes:
    # ASCII only: a lone surrogate in a rider's note must not make the file unwritable
    return (json.dumps(value, ensure_ascii=True, separators=(",", ":")) + "\n").encode("ascii")


def _write(descriptor: int, path: Path, data: bytes) -> None:
    """Append all of data and fsync, or leave the file as it was and raise JournalError."""
    before = os.fstat(descriptor).st_size
    try:
        done = 0
        while done < len(data):
            done += os.write(descriptor, data[done:])
        os.fsync(descriptor)
    except OSError as err:
        # if even this fails, what stays is a cut last line, which reading leaves out
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, before)
        raise JournalError(_cannot_write(path, err)) from err


def _lock(descriptor: int, path: Path) -> None:
    try:
        import fcntl
    except ImportError as err:
        raise JournalError(f"{path}: files cannot be locked on this system; expected a POSIX system") from err
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as err:
        raise JournalError(
            f"{path}: another program is working on this job; expected one at a time; "
            "try to close it there, or start a new job"
        ) from err


def _sync_folder(folder: Path) -> None:
    # a new file's name is on disk only when its folder is
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as err:
        if err.errno not in (errno.EINVAL, errno.ENOTSUP):  # some file systems cannot sync a folder
            raise JournalError(_cannot_write(folder, err)) from err
    finally:
        os.close(descriptor)


def _reason(err: OSError) -> str:
    if err.errno == errno.ENOSPC:
        return "the disk is full"
    if err.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return "not allowed: the folder or file is read-only"
    return (err.strerror or type(err).__name__).lower()


def _cannot_write(path: Path, err: OSError) -> str:
    return (
        f"{path}: cannot be written ({_reason(err)}); nothing recorded before is lost; "
        "expected a writable journal; try another folder with DIAGNOSE_HOME, or free some space, "
        "and answer again"
    )


# --- the lines ---------------------------------------------------------------------------------


def _parse(raw: bytes) -> Mapping[str, Any]:
    if len(raw) > LINE_LIMIT:
        raise ValueError(f"a line of {len(raw)} bytes is too long; expected at most {LINE_LIMIT}")
    try:
        value = json.loads(raw.decode("utf-8"))
    except (UnicodeDecodeError, ValueError, RecursionError) as err:
        raise ValueError("not a line of JSON; expected one object a line; try a copy of the journal") from err
    if not isinstance(value, dict):
        raise ValueError(f"a JSON {type(value).__name__}; expected an object")
    return value


def _head(value: Mapping[str, Any]) -> Mapping[str, Any]:
    version = value.get("journal")
    if version is None:
        raise ValueError("not the head of a journal; expected a key 'journal'; try `diagnose jobs`")
    if version != JOURNAL_VERSION or isinstance(version, bool):
        raise ValueError(
            f"journal={version!r} is a version this program does not know; expected {JOURNAL_VERSION}; "
            "try the program that wrote it"
        )
    for key, kind in _HEAD_KEYS.items():
        if not isinstance(value.get(key), kind):
            raise ValueError(f"{key}={value.get(key)!r} in the head; expected {_words(kind)}")
    return value


def _entry(value: Mapping[str, Any], number: int, line: int) -> Entry:
    if value.get("n") != number:
        raise ValueError(
            f"n={value.get('n')!r} is out of order; expected {number}; lines are missing or mixed up"
        )
    kind = "message" if "message" in value else "told"
    data = value.get(kind)
    if not isinstance(data, dict):
        raise ValueError(f"{kind}={data!r}; expected an object under 'message' or 'told'")
    at = value.get("at")
    if not isinstance(at, str):
        raise ValueError(f"at={at!r}; expected a time as text")
    return Entry(number, at, kind, data, line)


def _words(kind: type) -> str:
    return "text" if kind is str else "an object"
