"""A terminal with line editing, completion and weight: prompt-toolkit asks, rich shows.

The second adapter of the port `conversation.screen.Terminal`. Inline: nothing is redrawn but the line
being typed, the scrollback stays. Heavy imports live here and nowhere else.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from contextlib import suppress
from typing import Any, TextIO

from prompt_toolkit import PromptSession
from prompt_toolkit.completion import CompleteEvent, Completer, Completion
from prompt_toolkit.document import Document
from prompt_toolkit.key_binding import KeyBindings, KeyPressEvent
from prompt_toolkit.keys import Keys
from prompt_toolkit.output import ColorDepth
from rich.console import Console
from rich.text import Text

from diagnose.conversation.screen import NARROWEST, WIDEST
from diagnose.output import clean

# Weight first, colour second: nothing is told by colour alone (a caution also says CAUTION)
STYLES = {
    "question": "bold",
    "caution": "bold yellow",
    "advice": "bold",
    "problem": "yellow",
    "aside": "dim",
}
COMMANDS = ("why", "suspects", "figures", "others", "undo", "pause", "skip", "help")
SHORTEST = 2  # letters typed before anything is offered


class RichTerminal:
    """Typed lines with history and completion, shown text with weight.

    source, sink  prompt-toolkit's own input and output (tests pass their own); None: the real ones
    """

    def __init__(self, source: Any = None, sink: Any = None, file: TextIO | None = None, columns: int = 0):
        self.console = Console(file=file, width=columns or None, highlight=False, markup=False, emoji=False)
        self.columns = columns
        # https://no-color.org: set and not empty
        depth = ColorDepth.DEPTH_1_BIT if os.environ.get("NO_COLOR") else None
        self.session: PromptSession[str] = PromptSession(
            input=source, output=sink, color_depth=depth, key_bindings=_keys()
        )

    def width(self) -> int:
        """Columns of the window now, within what reads well.

        The window itself is asked first: an exported COLUMNS outlives a change of size.
        """
        found = self.columns or self.console.width
        if not self.columns and self.console.file.isatty():
            with suppress(OSError, ValueError):  # a window that does not tell: what rich believes
                found = os.get_terminal_size(self.console.file.fileno()).columns or found
        return max(NARROWEST, min(found, WIDEST))

    def show(self, text: str, style: str = "") -> None:
        """Show wrapped lines; what looks like markup is only text."""
        if style in ("question", "advice", "caution"):
            self.console.print()
        self.console.print(Text(clean(text), style=STYLES.get(style, "")), soft_wrap=True)

    def ask(self, prompt: str, choices: Sequence[tuple[str, str]] = ()) -> str:
        """Read one line. Raises EOFError on Ctrl-D, KeyboardInterrupt on Ctrl-C."""
        return self.session.prompt(
            [("", clean(prompt))], completer=ChoiceCompleter(choices), complete_while_typing=False
        )


def _keys() -> KeyBindings:
    """What is pasted is shown as text, too: what turns or paints the line is left out before it is drawn."""
    keys = KeyBindings()

    @keys.add(Keys.BracketedPaste)
    def _(event: KeyPressEvent) -> None:
        event.current_buffer.insert_text(clean(event.data.replace("\r\n", "\n").replace("\r", "\n")))

    return keys


class ChoiceCompleter(Completer):
    """Offers choices and commands that hold the typed letters in their order, nearest first."""

    def __init__(self, choices: Sequence[tuple[str, str]] = ()):
        self.offers = [*choices, *((c, "") for c in COMMANDS)]

    def get_completions(self, document: Document, complete_event: CompleteEvent) -> Iterable[Completion]:
        """Completions of what stands before the cursor; nothing for a number or a single letter."""
        typed = document.text_before_cursor.strip().lower()
        if len(typed) < SHORTEST or typed[0].isdigit():
            return
        found = []
        for value, title in self.offers:
            gaps = min(_gaps(typed, value.lower()), _gaps(typed, title.lower()))
            if gaps < len(value) + len(title) + 1:
                found.append((gaps, value, title))
        for _, value, title in sorted(found):
            yield Completion(value, -len(document.text_before_cursor), display_meta=title)


def _gaps(typed: str, text: str) -> int:
    """Letters skipped to find the typed ones in their order; a large number if they are not there."""
    at, skipped = 0, 0
    for letter in typed:
        found = text.find(letter, at)
        if found < 0:
            return 1_000_000
        skipped += found - at
        at = found + 1
    return skipped
