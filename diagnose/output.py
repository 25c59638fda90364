"""Exit codes, and where a command's text goes. Knows nothing of what is written."""

from __future__ import annotations

import re
import sys
from pathlib import Path

from diagnose.errors import UsageError

DONE, FAILED, WRONG_USE = 0, 1, 2
_CONTROL = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def clean(text: str) -> str:
    """Text without control characters: names and answers stay text on any screen."""
    return _CONTROL.sub("", text)


def write_text(text: str, output: str) -> None:
    """Write to a file or, for '-', to standard output without control characters; raises UsageError."""
    if output == "-":
        text = "\t".join(clean(part) for part in text.split("\t"))
        sys.stdout.write(text if text.endswith("\n") else text + "\n")
        sys.stdout.flush()
        return
    try:
        Path(output).write_text(text if text.endswith("\n") else text + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{output}: cannot be written ({error.strerror}); expected a file in a folder that you may "
            "write to; try --output -"
        ) from error
