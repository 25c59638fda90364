"""The order of the modules: data flows one way, and the code shows it."""

from __future__ import annotations

import ast
import functools
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "diagnose"

# Rooms from the bottom up. A module may import from its own room and from rooms before it.
ORDER = (
    ("errors",),
    ("quantities", "ties", "documents", "locations", "remembered", "output"),
    ("catalogue",),
    ("circuit",),
    ("bike",),
    ("predictions",),
    ("beliefs",),
    ("choice",),
    ("rules",),
    ("wording", "journal", "kept"),
    ("conversation",),
    ("widening", "verifying"),
    ("expect", "differing", "wiring", "ngspice"),
    ("decks", "audit", "means"),
    ("players", "play", "calibration"),
    ("prove",),
    ("replay", "trial", "demo", "bench", "several", "cases"),
    ("robust", "newbike", "yardstick"),
    ("jobs", "own_bike"),
    ("draw",),
    ("commands",),
    ("cli", "__main__"),
)
FEWEST_IMPORTS = 120
LONGEST = 500

ROOM_OF = {room: rank for rank, rooms in enumerate(ORDER) for room in rooms}


def module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@functools.cache
def statements() -> list[tuple[str, ast.Import | ast.ImportFrom]]:
    """(module, import statement in it), also inside functions and under TYPE_CHECKING."""
    return [
        (module_name(path), node)
        for path in sorted(PACKAGE.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
    ]


@functools.cache
def imports() -> list[tuple[str, str]]:
    """(importer, imported) for every import of our own."""
    known = {module_name(p) for p in PACKAGE.rglob("*.py")}
    out = []
    for me, node in statements():
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        elif node.module and node.level == 0:
            # `from diagnose.circuit import instruments` names a module
            names = [
                f"{node.module}.{a.name}" if f"{node.module}.{a.name}" in known else node.module
                for a in node.names
            ]
        out += [(me, n) for n in dict.fromkeys(names) if n in known and n != "diagnose"]
    return out


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else "diagnose"


def test_every_module_stands_in_a_known_room():
    rooms = {room(module_name(p)) for p in PACKAGE.rglob("*.py")} - {"diagnose"}
    assert rooms - set(ROOM_OF) == set()


def test_imports_only_go_up_the_order_and_there_are_enough_of_them_to_mean_something():
    found = imports()
    assert len(found) >= FEWEST_IMPORTS
    wrong = [(a, b) for a, b in found if ROOM_OF[room(b)] > ROOM_OF[room(a)]]
    assert wrong == []


def test_no_two_modules_import_each_other_in_a_circle():
    graph = nx.DiGraph(imports())
    loops = [sorted(c) for c in nx.strongly_connected_components(graph) if len(c) > 1]
    assert loops == []


@pytest.mark.parametrize(
    ("from_room", "never"),
    [
        ("circuit", "catalogue"),
        ("circuit", "bike"),
        ("beliefs", "circuit"),
        ("beliefs", "bike"),
        ("beliefs", "catalogue"),
        ("choice", "circuit"),
        ("choice", "bike"),
        ("choice", "catalogue"),
    ],
)
def test_some_rooms_never_reach_others_even_indirectly(from_room, never):
    graph = nx.DiGraph(imports())
    starts = [m for m in graph if room(m) == from_room]
    assert starts, f"no module of {from_room} imports anything; the check would see nothing"
    for start in starts:
        reached = {room(m) for m in nx.descendants(graph, start)}
        assert never not in reached, f"{start} reaches {never}"


def test_no_job_can_read_the_yardsticks():
    """What the trade would do is only compared with: nothing outside its own room imports it."""
    found = [(a, b) for a, b in imports() if room(b) == "yardstick"]
    assert found
    assert {room(a) for a, _ in found} == {"yardstick"}


@pytest.mark.parametrize(
    ("package", "only"),
    [
        ("durable", {"diagnose.rules.durable_engine"}),
        ("yaml", {"diagnose.documents"}),
    ],
)
def test_a_fenced_library_is_imported_by_its_own_module_only(package, only):
    users = set()
    for module, node in statements():
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
        if any(n == package or n.startswith(package + ".") for n in names):
            users.add(module)
    assert users == only


def test_init_files_hold_a_docstring_and_nothing_else():
    seen = list(PACKAGE.rglob("__init__.py"))
    assert len(seen) >= 9
    for path in seen:
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert len(body) == 1 and isinstance(body[0], ast.Expr), path


def test_no_module_is_longer_than_five_hundred_lines():
    lengths = {p: len(p.read_text(encoding="utf-8").splitlines()) for p in PACKAGE.rglob("*.py")}
    assert len(lengths) >= 40
    assert {module_name(p): n for p, n in lengths.items() if n > LONGEST} == {}
