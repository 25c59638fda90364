"""Strict reading of YAML: plain data, and the file, line and column of every value.

The only module that imports `yaml`. Knows nothing about what the data mean. Stricter than YAML itself:
only `true`, `false`, `null`, plain whole numbers and plain decimals are anything but text (switch
positions such as `on` stay words, `010` and `12:30` stay text); duplicate keys, keys that are not text,
tags, merge keys, second documents, oversized files and anchors that multiply are refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from diagnose.errors import DiagnoseError, KnowledgeError, Mark, Problem

LARGEST_BYTES = 1_000_000  # a file of knowledge is written by hand; 1 MB is some 30,000 lines
MOST_VALUES = 200_000  # counted after anchors are expanded
DEEPEST = 24  # levels of nesting; knowledge needs 8 (libyaml itself stops at 1,000, before its stack ends)

_TEXT_TAG = "tag:yaml.org,2002:str"
_PLAIN_TAG = "plain"  # what our loader gives to every scalar without quotes and without a tag
_CONTAINER_TAGS = {"mapping": "tag:yaml.org,2002:map", "sequence": "tag:yaml.org,2002:seq"}
_INT = re.compile(r"[+-]?(?:0|[1-9][0-9]{0,14})", re.ASCII)
_FLOAT = re.compile(r"[+-]?(?:0|[1-9][0-9]{0,14})\.[0-9]{1,15}", re.ASCII)
_WORDS: dict[str, Any] = {"true": True, "false": False, "null": None, "~": None, "": None}

Step = str | int
Route = tuple[Step, ...]
KEY = "key!"  # in a route of marks: the next step is a key, and its own place is meant


@dataclass(frozen=True, slots=True)
class Document:
    """One file. data: dicts, lists, text, int, float, bool, None; marks: path of keys and indices -> Mark.

    The mark of a mapping's entry under `path` is where its value starts; `path + ('key!', key)` is
    where the key itself stands.
    """

    path: str
    data: Any
    marks: Mapping[Route, Mark]

    def mark(self, path: Route = ()) -> Mark:
        """Where the value at `path` stands, or the nearest value around it."""
        while path not in self.marks and path:
            path = path[:-1]
        return self.marks.get(path, Mark(self.path, 1, 1))


def read_document(path: str | Path) -> Document:
    """Read one YAML file strictly.

    returns  Document, its marks carrying `path` as given
    raises   KnowledgeError with one or more Problems, for whatever bytes the file holds
    """
    shown = str(path)
    try:
        with open(path, "rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except OSError as err:
        reason = err.strerror or type(err).__name__
        raise KnowledgeError([Problem(shown, 0, 0, f"cannot be read: {reason}")]) from err
    return parse_document(raw, shown)


def parse_document(raw: bytes | str, name: str) -> Document:
    """Read YAML that is already in memory; see read_document. name: what problems call it."""
    if isinstance(raw, str):
        raw = raw.encode("utf-8", "surrogatepass")
    if len(raw) > LARGEST_BYTES:
        message = f"is larger than {LARGEST_BYTES} bytes; try splitting it into several files"
        raise KnowledgeError([Problem(name, 0, 0, message)])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        line = raw.count(b"\n", 0, err.start) + 1
        column = err.start - (raw.rfind(b"\n", 0, err.start) + 1) + 1
        message = f"byte 0x{raw[err.start]:02x} is not UTF-8; expected a text file saved as UTF-8"
        raise KnowledgeError([Problem(name, line, column, message)]) from err
    node = _compose(text, name)
    walk = _Walk(name)
    data = None if node is None else walk.value(node, (), 0)
    if walk.problems:
        raise KnowledgeError(walk.problems)
    return Document(name, data, _Marks(name, walk.places))


@cache
def _loader_class() -> Any:
    import yaml

    if not hasattr(yaml, "CSafeLoader"):
        raise DiagnoseError("PyYAML was built without libyaml; try installing its ready-made wheel")

    class Loader(yaml.CSafeLoader):
        """libyaml without its own ideas of what a plain word means."""

        def resolve(self, kind: Any, value: Any, implicit: Any) -> str:
            if kind is yaml.ScalarNode:
                return _PLAIN_TAG if implicit[0] else _TEXT_TAG
            return _CONTAINER_TAGS[kind.id]

        def descend_resolver(self, current_node: Any, current_index: Any) -> None:
            """Path resolvers are not used."""

        def ascend_resolver(self) -> None:
            """Path resolvers are not used."""

    return Loader


def _compose(text: str, name: str) -> Any:
    import yaml

    loader = None
    try:
        loader = _loader_class()(text)
        return loader.get_single_node()
    except yaml.MarkedYAMLError as err:
        at = err.problem_mark or err.context_mark
        line, column = (at.line + 1, at.column + 1) if at else (0, 0)
        about = f" {err.context}" if err.context else ""
        message = f"is not valid YAML:{about} {err.problem or 'unknown reason'}".replace("  ", " ")
        if err.problem and "but found another document" in err.problem:
            message = "holds a second document; expected one document a file"
        raise KnowledgeError([Problem(name, line, column, message)]) from err
    except yaml.YAMLError as err:
        position = getattr(err, "position", 0)
        before = text[: position if isinstance(position, int) else 0]
        line, column = before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1
        reason = getattr(err, "reason", "") or "unknown reason"
        raise KnowledgeError([Problem(name, line, column, f"is not valid YAML: {reason}")]) from err
    finally:
        if loader is not None:
            loader.dispose()


class _Marks(Mapping[Route, Mark]):
    """Marks made when they are asked for: most never are, and a file has thousands."""

    def __init__(self, name: str, places: Mapping[Route, Any]):
        self._name, self._places = name, places

    def __getitem__(self, route: Route) -> Mark:
        place = self._places[route]
        return Mark(self._name, place.line + 1, place.column + 1)

    def __contains__(self, route: object) -> bool:
        return route in self._places

    def __iter__(self) -> Iterator[Route]:
        return iter(self._places)

    def __len__(self) -> int:
        return len(self._places)


class _Walk:
    """Turns composed nodes into plain data, noting places and problems."""

    def __init__(self, name: str):
        self.name = name
        self.problems: list[Problem] = []
        self.places: dict[Route, Any] = {}

    def refuse(self, node: Any, message: str) -> None:
        at = node.start_mark
        self.problems.append(Problem(self.name, at.line + 1, at.column + 1, message))

    def value(self, node: Any, path: Route, depth: int) -> Any:
        places = self.places
        places[path] = node.start_mark
        if len(places) > MOST_VALUES:
            self.refuse(node, f"holds more than {MOST_VALUES} values once its anchors are expanded")
            raise KnowledgeError(self.problems)
        if depth > DEEPEST:
            self.refuse(node, f"is nested too deeply; expected at most {DEEPEST} levels")
            raise KnowledgeError(self.problems)
        kind = node.id
        if kind == "scalar":
            return self.scalar(node)
        if node.tag != _CONTAINER_TAGS[kind]:
            self.refuse(node, f"tag {node.tag!r} is refused; expected plain YAML without tags")
            return None
        if kind == "sequence":
            return [self.value(item, (*path, i), depth + 1) for i, item in enumerate(node.value)]
        return self.mapping(node, path, depth)

    def scalar(self, node: Any) -> Any:
        tag = node.tag
        if not node.style:  # plain, without quotes
            if tag == _PLAIN_TAG:
                return _plain(node.value)
        elif tag == _TEXT_TAG:
            return node.value
        self.refuse(node, f"tag {tag!r} is refused; expected plain YAML without tags")
        return None

    def mapping(self, node: Any, path: Route, depth: int) -> dict[str, Any]:
        result: dict[str, Any] = {}
        for key_node, value_node in node.value:
            key = self.scalar(key_node) if key_node.id == "scalar" else None
            if not isinstance(key, str):
                shown = key_node.value if key_node.id == "scalar" else f"a {key_node.id}"
                self.refuse(key_node, f"key {shown!r} is not text; expected a word (quote a number)")
            elif key == "<<" and not key_node.style:
                self.refuse(key_node, "merge key '<<' is refused; expected every key to be written out")
            elif key in result:
                first = self.places[(*path, KEY, key)].line + 1
                self.refuse(key_node, f"key {key!r} appears twice (first at line {first})")
            else:
                self.places[(*path, KEY, key)] = key_node.start_mark
                result[key] = self.value(value_node, (*path, key), depth + 1)
        return result


def _plain(text: str) -> Any:
    if text in _WORDS:
        return _WORDS[text]
    if text[0] in "+-0123456789":  # most words need no pattern
        if _INT.fullmatch(text):
            return int(text)
        if _FLOAT.fullmatch(text):
            return float(text)
    return text
