"""The port between a job and a screen, and what every screen needs: clean text, wrapped.

Part of the conversation, below its terminals. Knows no job.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence
from typing import Protocol

from diagnose.output import clean

NARROWEST, WIDEST = 24, 100  # columns; longer lines are hard to read
_UNIT = re.compile(r"\d (?:V|mV|A|mA|ohm|kohm|Mohm|mohm|k|M|min|rpm|W|%)(?![A-Za-z])")
_HARD = "\u00a0"


class Terminal(Protocol):
    """What a job needs of a screen and a keyboard."""

    def width(self) -> int:
        """Columns to write in."""
        ...

    def show(self, text: str, style: str = "") -> None:
        """Show lines that are wrapped already. style: '' | question | caution | advice | problem | aside."""
        ...

    def ask(self, prompt: str, choices: Sequence[tuple[str, str]] = ()) -> str:
        """Read one line. Raises EOFError at the end of input, KeyboardInterrupt when interrupted."""
        ...


def wrap(text: str, width: int, indent: str = "") -> str:
    """Wrap each line of a text; continued lines are indented under their first word."""
    out = []
    # a number and its unit stay on one line
    text = _UNIT.sub(lambda found: found[0].replace(" ", _HARD), clean(text))
    for line in text.split("\n"):
        lead = re.match(r"\s*(?:- |\d+  |[\d.]+ %  )?", line)
        hang = indent + " " * len(lead[0] if lead else "")
        out += textwrap.wrap(
            line,
            width,
            initial_indent=indent,
            subsequent_indent=hang,
            break_long_words=True,
            break_on_hyphens=False,
        ) or [""]
    return "\n".join(out).replace(_HARD, " ")
