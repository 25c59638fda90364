"""The line protocol: one JSON object a line each way, on the same step as every other face of a job.

Beside the terminal. Whatever comes in gives an answer, never a traceback; end of input pauses the job.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any, BinaryIO

from diagnose.conversation.means import Event, problem
from diagnose.conversation.session import Session
from diagnose.journal import PROTOCOL

LINE_LIMIT = 64 * 1024  # bytes; a message has at most 4,000 characters


def run(session: Session, source: BinaryIO, sink: BinaryIO) -> int:
    """Talk until the end of input, a pause, or until nobody reads any more.

    returns  0
    """
    try:
        hello: Event = {"event": "hello", "job": session.job, "bike": session.journal.record.bike}
        hello |= {"title": session.world.view.title, "resumed": session.resumed}
        _write(sink, (hello, *(problem(n) for n in session.notices), *session.events))
        session.look_ahead()
        for event_or_message in _messages(source):
            if isinstance(event_or_message, _Bad):
                _write(sink, (problem(event_or_message.text),))
                continue
            events = session.take(event_or_message.value)
            _write(sink, events)
            session.look_ahead()
            if any(e["event"] == "closed" and e["outcome"] == "paused" for e in events):
                return 0
        _write(sink, session.pause())
    except BrokenPipeError:
        session.pause()  # nobody listens, but the journal should say so
    return 0


class _Bad:
    """A line that is no message."""

    def __init__(self, text: str):
        self.text = text


class _Good:
    """A line of JSON."""

    def __init__(self, value: Any):
        self.value = value


def _messages(source: BinaryIO) -> Iterator[_Bad | _Good]:
    while True:
        raw = source.readline(LINE_LIMIT + 1)
        if not raw:
            return
        if len(raw) > LINE_LIMIT and not raw.endswith(b"\n"):
            while raw and not raw.endswith(b"\n"):
                raw = source.readline(LINE_LIMIT)
            yield _Bad(f"the line is too long; expected at most {LINE_LIMIT} bytes; try a shorter message")
            continue
        if raw.strip():
            yield _parsed(raw)


def _parsed(raw: bytes) -> _Bad | _Good:
    try:
        return _Good(json.loads(raw.decode("utf-8")))
    except UnicodeDecodeError:
        return _Bad("the line is not UTF-8; expected one JSON object in UTF-8")
    except (ValueError, RecursionError):
        shown = raw[:60].decode("utf-8", "replace").strip()
        return _Bad(f'{shown!r} is not JSON; expected one object a line; try {{"answer":"12.4 V"}}')


def _write(sink: BinaryIO, events: tuple[Event, ...]) -> None:
    for event in events:
        sink.write(encode(event))
    sink.flush()


def encode(event: Event) -> bytes:
    """One event as a line. Numbers that JSON does not have are written as text: OL, or nothing."""
    value = {"event": event["event"], "protocol": PROTOCOL, **event}
    try:
        return (json.dumps(value, allow_nan=False) + "\n").encode("ascii")
    except ValueError:
        return (json.dumps(_finite(value), allow_nan=False) + "\n").encode("ascii")


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "OL" if value > 0 else None
    return value
