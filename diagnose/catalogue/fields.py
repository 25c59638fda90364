"""Reading checked fields out of a marked document: every problem is noted with its place, none raised.

A cursor stands on one value of a document. Asking it for a field returns the value, or a harmless
stand-in after noting what is wrong, so that one pass finds all the problems of a file.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

from diagnose.catalogue.model import Value
from diagnose.documents import KEY, Document, Route
from diagnose.errors import Mark, Problem, QuantityError, unknown
from diagnose.quantities import any_quantity, quantity

ID = re.compile(r"[a-z][a-z0-9_]{0,59}", re.ASCII)
LONGEST_TEXT = 2000


@dataclass(frozen=True, slots=True)
class Cursor:
    """A place in a document, and the list that its problems are noted in."""

    doc: Document
    route: Route
    data: Any
    problems: list[Problem]

    # ---- places ----

    @property
    def mark(self) -> Mark:
        """Where this value stands."""
        return self.doc.mark(self.route)

    def key_mark(self, key: str) -> Mark:
        """Where the key of an entry stands."""
        return self.doc.mark((*self.route, KEY, key))

    @property
    def own_key_mark(self) -> Mark:
        """Where the key of this value stands; the value itself if it is an item of a list."""
        if self.route and isinstance(self.route[-1], str):
            return self.doc.mark((*self.route[:-1], KEY, self.route[-1]))
        return self.mark

    @property
    def name(self) -> str:
        """How a message calls this value: the last words of its route."""
        words = [str(s) for s in self.route]
        return ".".join(words[-2:]) if words else "the file"

    def note(self, message: str, key: str | None = None) -> None:
        """Note a problem at the value of `key`; without it here, for a mapping at its own key."""
        here = self.own_key_mark if isinstance(self.data, dict) else self.mark
        mark = here if key is None else self.doc.mark((*self.route, key))
        self.problems.append(mark.problem(message))

    def at(self, key: str | int) -> Cursor:
        """The cursor on an entry; its data are None if there is no such entry."""
        data = None
        if isinstance(self.data, dict):
            data = self.data.get(key)
        elif isinstance(self.data, list) and isinstance(key, int) and key < len(self.data):
            data = self.data[key]
        return Cursor(self.doc, (*self.route, key), data, self.problems)

    def has(self, key: str) -> bool:
        """Whether the mapping has this entry."""
        return isinstance(self.data, dict) and key in self.data

    # ---- shape ----

    def is_mapping(self, required: Collection[str] = (), optional: Collection[str] = ()) -> bool:
        """Check that this is a mapping with these keys only; note unknown and missing ones."""
        if not isinstance(self.data, dict):
            known = ", ".join([*required, *optional])
            self.note(f"{self.name} is {_called(self.data)}; expected keys ({known})")
            return False
        allowed = [*required, *optional]
        for key in self.data:
            if key not in allowed:
                self.problems.append(self.key_mark(key).problem(unknown("key", key, allowed)))
        missing = [key for key in required if key not in self.data]
        if missing:
            self.problems.append(self.own_key_mark.problem(f"{self.name} lacks {', '.join(missing)}"))
        return not missing

    def entries(self, key: str | None = None) -> Iterator[tuple[str, Cursor]]:
        """(key, cursor) of each entry of a mapping of ids; nothing if absent; bad ids are noted."""
        here = self if key is None else self.at(key)
        if here.data is None:
            return
        if not isinstance(here.data, dict):
            here.note(f"{here.name} is {_called(here.data)}; expected a mapping of ids")
            return
        for entry in here.data:
            if not ID.fullmatch(entry):
                message = f"id {entry!r} is not snake_case; expected letters a-z, digits and '_'"
                here.problems.append(here.key_mark(entry).problem(message))
                continue
            yield entry, here.at(entry)

    def items(self, key: str) -> Iterator[Cursor]:
        """Cursors on the items of a list; nothing if absent."""
        here = self.at(key)
        if here.data is None:
            return
        if not isinstance(here.data, list):
            here.note(f"{here.name} is {_called(here.data)}; expected a list in [ ]")
            return
        for i in range(len(here.data)):
            yield here.at(i)

    # ---- values ----

    def text(self, key: str, default: str = "", most: int = LONGEST_TEXT) -> str:
        """A text field; default if absent."""
        if not self.has(key):
            return default
        data = self.data[key]
        if not isinstance(data, str):
            self.note(f"{key}={data!r} is {_called(data)}; expected text", key)
            return default
        if len(data) > most:
            self.note(f"{key} is {len(data)} characters long; expected at most {most}", key)
            return default
        return data

    def word(self, key: str, words: Collection[str], default: str = "", kind: str = "") -> str:
        """A text field out of a closed list."""
        found = self.text(key, default)
        if found and self.has(key) and found not in words:
            self.note(unknown(kind or key, found, words), key)
            return default
        return found

    def texts(self, key: str, words: Collection[str] | None = None, kind: str = "") -> tuple[str, ...]:
        """A list of texts, or one text; out of a closed list if `words` is given."""
        if not self.has(key):
            return ()
        data = self.data[key]
        if isinstance(data, str):
            if words is not None and data not in words:
                self.note(unknown(kind or key, data, words), key)
                return ()
            return (data,)
        found = []
        for item in self.items(key):
            if not isinstance(item.data, str):
                item.note(f"{item.name}={item.data!r} is {_called(item.data)}; expected text")
            elif words is not None and item.data not in words:
                item.note(unknown(kind or key, item.data, words))
            else:
                found.append(item.data)
        return tuple(found)

    def flag(self, key: str, default: bool = False) -> bool:
        """true or false."""
        if not self.has(key):
            return default
        data = self.data[key]
        if not isinstance(data, bool):
            self.note(f"{key}={data!r} is {_called(data)}; expected true or false", key)
            return default
        return data

    def number(self, key: str, unit: str, default: float = 0.0, low: float | None = None) -> float:
        """A quoted quantity of one unit without provenance, not below `low`; default if absent."""
        return self.at(key).amount(unit, default, low) if self.has(key) else default

    def amount(self, unit: str, default: float = 0.0, low: float | None = None) -> float:
        """This value as a quoted quantity of one unit, not below `low`."""
        try:
            found = quantity(self.data, unit)
        except QuantityError as err:
            self.note(f"{self.name}: {err}")
            return default
        if low is not None and found < low:
            self.note(f"{self.name}={self.data!r} is too small; expected at least {low:g}")
        return found

    def value(
        self,
        unit: str,
        sources: Collection[str],
        low: float | None = None,
    ) -> Value:
        """This mapping as a Value: {value, tolerance, source, why}. unit '' takes any unit."""
        blank = Value(0.0, unit or "1", mark=self.mark)
        if isinstance(self.data, str | int | float):
            self.note(f'{self.name}={self.data!r} has no source; expected {{value: "...", source: ...}}')
            return blank
        if not self.is_mapping(("value", "source"), ("tolerance", "why")):
            return blank
        here = self.at("value")
        try:
            number, found = (quantity(here.data, unit), unit) if unit else any_quantity(here.data)
        except QuantityError as err:
            here.note(f"{self.name}: {err}")
            return blank
        if low is not None and number < low:
            here.note(f"{self.name}={here.data!r} is too small; expected at least {low:g}")
        # people write a tolerance as plus-minus; two standard deviations of it are meant
        tolerance = self.number("tolerance", "%", low=0.0) / 2
        source, why = self.text("source"), self.text("why")
        if source and source not in sources:
            self.note(unknown("source", source, sources), "source")
        if source == "estimate" and not why:
            self.note(f"{self.name} is an estimate without a reason; expected why: a few words")
        return Value(number, found, tolerance, source, why, self.mark)


def _called(data: Any) -> str:
    if data is None:
        return "empty"
    if isinstance(data, bool):
        return "true or false"
    names = {dict: "a mapping", list: "a list", str: "text", int: "a number", float: "a number"}
    return names[type(data)]
