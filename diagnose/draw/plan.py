"""The drawing itself as a value: trees of parts in series, where they split, and where they end.

From the graph (draw.loom) to what text and SVG write. Each element is drawn once: a spanning tree from the
battery outwards; what closes a loop ends at a numbered joint, what reaches the frame ends at a ground.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace

import networkx as nx

from diagnose.draw.loom import INNER, Loom

BOXES = {"unit": "unit", "module": "unit", "charger": "unit", "ignition": "unit", "engine": "unit",
         "socket": "unit", "body": "unit"}  # fmt: skip
LEAST_SHARE = 0.005  # [1] below it a share would be written as 0 %
STARTS = ("winding", "ignition", "coil")  # words of the parts that give volts of their own, the first first
SYMBOLS = {"battery": "battery", "fuse": "fuse", "switch": "switch", "lamp": "lamp", "led": "led",
           "motor": "motor", "horn": "horn", "ground": "joint", "wire": "wire", "winding": "winding",
           "coil": "winding", "flasher": "flasher", "plug": "unit"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Item:
    """One part on a way. sort: which symbol; by: which of its terminals is meant, '' if that is clear.

    colour   of a wire, in letters
    is_open  a contact that is open in this condition
    share    how suspect the part is [1]; 0 if it is not
    """

    part: str
    title: str
    sort: str
    by: str = ""
    colour: str = ""
    is_open: bool = False
    share: float = 0.0


@dataclass(frozen=True, slots=True)
class Branch:
    """Parts in series, and what follows them.

    end       '' | ground | joint
    where     of a ground: its name; of a joint: its number
    joint     number of the joint that stands after the last part, 0 for none
    branches  what goes on from there
    """

    items: tuple[Item, ...]
    end: str = ""
    where: str = ""
    joint: int = 0
    branches: tuple[Branch, ...] = ()

    @property
    def size(self) -> int:
        """Parts in it and behind it."""
        return len(self.items) + sum(b.size for b in self.branches)


@dataclass(frozen=True, slots=True)
class Drawing:
    """title, subtitle; trees: (what it starts from, the tree); apart: parts that no current passes."""

    title: str
    subtitle: str
    trees: tuple[tuple[str, Branch], ...]
    apart: tuple[str, ...] = ()


def plan(
    loom: Loom,
    title: str,
    subtitle: str,
    only: Collection[str] | None = None,
    shares: Mapping[str, float] | None = None,
) -> Drawing:
    """Lay a loom out.

    only    elements to draw; None: all, and the parts that have none are named apart
    shares  part -> how suspect it is
    """
    planner = _Planner(loom, only, shares or {})
    spec = loom.built.spec
    trees = planner.trees()
    drawn = {i.part for _, t in trees for i in items_of(t)}
    drawn |= {p.partition(".")[0] for p in (spec.live_post, spec.ground_post) if spec.has_battery}
    apart = () if only is not None else tuple(p.title for p in spec.parts.values() if p.id not in drawn)
    return Drawing(title, subtitle, trees, apart)


def items_of(branch: Branch) -> Iterable[Item]:
    """Every item of a tree, outwards."""
    yield from branch.items
    for b in branch.branches:
        yield from items_of(b)


def parts_of(drawing: Drawing) -> set[str]:
    """Ids of the parts on the ways of a drawing."""
    return {i.part for _, tree in drawing.trees for i in items_of(tree)}


@dataclass(slots=True)
class _Planner:
    loom: Loom
    only: Collection[str] | None
    shares: Mapping[str, float]
    numbers: dict[str, int] = field(default_factory=dict)  # node -> number of its joint

    def trees(self) -> tuple[tuple[str, Branch], ...]:
        loom = self.loom
        wanted = [
            (u, v, k, d)
            for u, v, k, d in loom.graph.edges(keys=True, data=True)
            if self.only is None or k in self.only
        ]
        outer = nx.MultiGraph([e for e in wanted if not (e[0] in loom.core and e[1] in loom.core)])
        inner = nx.MultiGraph([e for e in wanted if e[0] in loom.core and e[1] in loom.core])
        found = []
        left = outer
        while left.number_of_edges():
            root = self._root(left)
            found.append((self._start(root), self._tree(left, root, loom.core)))
            outside = left.subgraph([n for n in left if n not in loom.core])
            seen = set(nx.node_connected_component(outside, root))
            left = nx.MultiGraph(
                [e for e in left.edges(keys=True, data=True) if not seen.intersection(e[:2])]
            )
        if inner.number_of_edges() and loom.earth in inner:
            found.append((self._start(loom.earth), self._tree(inner, loom.earth, frozenset())))
        return tuple(found)

    def _start(self, root: str) -> str:
        """What a tree starts from, and how suspect the battery is."""
        spec = self.loom.built.spec
        posts = {self.loom.live: spec.live_post, self.loom.earth: spec.ground_post}
        part = posts.get(root, "").partition(".")[0]
        share = self.shares.get(part, 0.0)
        return self._named(root) + (f" (suspect, {share:.0%})" if share >= LEAST_SHARE else "")

    def _root(self, graph: nx.MultiGraph) -> str:
        """Where a tree starts: the live post, else where a winding gives its volts, else the busiest node."""
        loom = self.loom
        if loom.live in graph:
            return loom.live
        spec = loom.built.spec
        outside = [n for n in graph if n not in loom.core]
        ranked = []
        for u, v, part in graph.edges(data="part"):
            rank = STARTS.index(word) if (word := spec.kinds[spec.parts[part].kind].word) in STARTS else 9
            ranked += [(rank, INNER not in n, -graph.degree(n), n) for n in (u, v) if n not in loom.core]
        return min(ranked)[3] if ranked else outside[0]

    def _tree(self, graph: nx.MultiGraph, root: str, ground: frozenset[str]) -> Branch:
        """Spanning tree of what is reached from a root without crossing the ground."""
        open_graph = nx.MultiGraph(graph.subgraph([n for n in graph if n not in ground or n == root]))
        distance = nx.single_source_dijkstra_path_length(open_graph, root, weight=_edge_length)
        follows: dict[str, list[tuple[str, str, str]]] = {n: [] for n in distance}  # (element, far node, end)
        taken: set[str] = set()
        for node in sorted(distance, key=lambda n: (distance[n], n)):
            if node == root:
                continue
            element, near = min(
                (k, u)
                for u, _, k, d in _around(open_graph, node)
                if u in distance and abs(distance[u] + _least(open_graph, u, node) - distance[node]) < 1e-9
                and d["length"] == _least(open_graph, u, node)
            )  # fmt: skip
            follows[near].append((element, node, ""))
            taken.add(element)
        for node in distance:
            for other, _, element, data in _around(graph, node):
                if element in taken:
                    continue
                taken.add(element)
                if other in ground and other != root:
                    if not any(e[2] == "ground" and self._same_part(e[0], element) for e in follows[node]):
                        follows[node].append((element, other, "ground"))
                elif not self._parallel(graph, node, other, data["part"], taken - {element}):
                    near, far = sorted((node, other), key=lambda n: (distance[n], n))
                    follows[near].append((element, far, "joint"))
                    self.numbers.setdefault(far, len(self.numbers) + 1)
        return self._branch((), root, follows)

    def _same_part(self, one: str, other: str) -> bool:
        return one.partition(".")[0] == other.partition(".")[0]

    def _parallel(self, graph: nx.MultiGraph, u: str, v: str, part: str, taken: set[str]) -> bool:
        """Whether the same part already joins the same two nodes in the drawing."""
        return any(d["part"] == part and k in taken for k, d in graph[u][v].items())

    def _branch(
        self, items: tuple[Item, ...], node: str, follows: Mapping[str, list[tuple[str, str, str]]]
    ) -> Branch:
        ways = follows.get(node, [])
        while len(ways) == 1 and node not in self.numbers and not ways[0][2]:
            element, node, _ = ways[0]
            items = _joined(items, self._item(element, node))
            ways = follows[node]
        branches = []
        for element, far, end in ways:
            item = self._item(element, far)
            if end:
                branches.append(Branch((item,), end, self._end(far, end)))
            else:
                branches.append(self._branch((item,), far, follows))
        branches.sort(key=lambda b: -b.size)
        joint = self.numbers.get(node, 0)
        if len(branches) == 1 and not joint:
            only = branches[0]
            return replace(only, items=_series(items, only.items))
        return Branch(items, joint=joint, branches=tuple(branches))

    def _end(self, node: str, end: str) -> str:
        return str(self.numbers[node]) if end == "joint" else self._named(node)

    def _named(self, node: str) -> str:
        """What a node of the frame or a root is called: a post, a ground joint, a body, else a part there."""
        spec = self.loom.built.spec
        posts = {self.loom.earth: spec.ground_post, self.loom.live: spec.live_post}
        if node in posts and spec.has_battery:
            part, _, pole = posts[node].partition(".")
            return f"{spec.parts[part].title}, {pole}"
        if INNER in node:
            return spec.parts[node.partition(".")[0]].title
        here = [p.partition(".")[0] for p, n in spec.nodes.items() if n == node]
        words = {p: spec.kinds[spec.parts[p].kind].word for p in here}
        rank = {"body": 0, "ground": 1, "winding": 2, "coil": 3}
        best = min(here, key=lambda p: (rank.get(words[p], 9), here.index(p)))
        return spec.parts[best].title

    def _item(self, element: str, far: str) -> Item:
        loom, spec = self.loom, self.loom.built.spec
        part = spec.parts[element.partition(".")[0]]
        kind = spec.kinds[part.kind]
        data = next(d for _, _, k, d in loom.graph.edges(keys=True, data=True) if k == element)
        wire = spec.wires.get(part.id)
        sort = _sort(self.loom, element, kind.word, bool(part.connector), data["is_load"])
        return Item(
            part.id,
            part.title,
            sort,
            "coil" if sort == "coil" else self._by(element, far),
            wire.colour if wire else "",
            data["is_open"],
            self.shares.get(part.id, 0.0),
        )

    def _by(self, element: str, far: str) -> str:
        """Of a part with more than two terminals the one that says which way is meant: the least shared."""
        loom, spec = self.loom, self.loom.built.spec
        part = spec.parts[element.partition(".")[0]]
        kind = spec.kinds[part.kind]
        if len(kind.terminals) < 3:
            return ""
        uses = [node for e in loom.of_part(part.id) for node in loom.ends(e)]
        at = {t: spec.nodes[f"{part.id}.{t}"] for t in kind.terminals if f"{part.id}.{t}" in spec.nodes}
        mine = [t for t in at if at[t] in loom.ends(element)]
        best = min(mine, key=lambda t: (uses.count(at[t]), at[t] != far), default="")
        return best.replace("_", " ")


def _sort(loom: Loom, element: str, word: str, is_way: bool, is_load: bool) -> str:
    """Which symbol stands for an element of a part with this word."""
    law = loom.built.elements[element].law
    if word == "connector":
        return "plug" if is_way else "splice"
    if word == "relay":
        return "coil" if is_load else "switch"
    if word in ("lamp", "led") and law == "resistor":
        return "joint"  # its holder's contact
    if law == "diode" and word not in ("led", "charger"):
        return "diode"
    return SYMBOLS.get(word) or BOXES.get(word, "unit")


def _joined(items: tuple[Item, ...], item: Item) -> tuple[Item, ...]:
    """Items with one more; two elements of one part in a row are one item."""
    if items and items[-1].part == item.part and items[-1].by in ("", item.by):
        last = items[-1]
        sort = item.sort if last.sort == "joint" else last.sort  # of a lamp in its holder the lamp is shown
        return (*items[:-1], replace(item, is_open=item.is_open or last.is_open, sort=sort))
    return (*items, item)


def _series(items: tuple[Item, ...], more: tuple[Item, ...]) -> tuple[Item, ...]:
    for item in more:
        items = _joined(items, item)
    return items


def _around(graph: nx.MultiGraph, node: str) -> Iterable[tuple[str, str, str, dict]]:
    """(other node, node, element, data) of every element at a node."""
    for _, other, element, data in graph.edges(node, keys=True, data=True):
        yield other, node, element, data


def _edge_length(u: str, v: str, edges: Mapping[str, Mapping[str, float]]) -> float:
    return min(d["length"] for d in edges.values())


def _least(graph: nx.MultiGraph, u: str, v: str) -> float:
    return _edge_length(u, v, graph[u][v])
