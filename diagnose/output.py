"""Exit codes, and where a command's text goes. Knows nothing of what is written."""

from __future__ import annotations

import sys
from pathlib import Path

from diagnose.errors import UsageError

DONE, FAILED, WRONG_USE = 0, 1, 2


def write_text(text: str, output: str) -> None:
    """Write to a file or, for '-', to standard output; raises UsageError."""
    if output == "-":
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
