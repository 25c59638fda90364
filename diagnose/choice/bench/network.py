"""The same posterior by a general-purpose Bayesian-network library, for numbers and time.

Needs pyagrum, which no other part of the program uses: `pip install pyagrum`. With a BIF file of win95pts
(shipped inside the pgmpy wheel) published posteriors are recomputed by our own variable elimination too.
"""

from __future__ import annotations

import gzip
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from diagnose.beliefs import posterior
from diagnose.predictions.table import Column

CANDIDATES, READINGS, CHOICES = 400, 12, 4

# P(query | evidence); computed with two engines that agreed to 1e-8
WIN95: tuple[tuple[str, str, Mapping[str, str], float], ...] = (
    ("Problem1", "No_Output", {}, 0.42744604),
    ("Problem2", "Too_Long", {}, 0.05209507),
    ("Problem3", "Yes", {}, 0.88945821),
    ("FllCrrptdBffr", "Full_or_Corrupt", {"Problem1": "No_Output"}, 0.27797377),
    ("PrtOn", "No", {"Problem1": "No_Output"}, 0.18420845),
    ("PrtDriver", "No", {"Problem1": "No_Output"}, 0.16682003),
    ("PTROFFLINE", "Offline", {"Problem1": "No_Output"}, 0.33860422),
    ("PrtCbl", "Loose", {"Problem1": "No_Output"}, 0.03604531),
    ("PrtPaper", "No_Paper", {"Problem1": "No_Output"}, 0.03574398),
)


def table(bif: Path | None) -> None:
    """Print largest difference and times."""
    try:
        import pyagrum  # type: ignore[import-not-found]
    except ImportError as err:
        raise SystemExit(
            "network: pyagrum is not installed; expected it for this comparison only; try pip install pyagrum"
        ) from err
    rng = np.random.default_rng(1)
    prior = rng.dirichlet(np.ones(CANDIDATES))
    words = rng.dirichlet(np.full(CHOICES, 0.3), size=(READINGS, CANDIDATES))
    names = tuple(f"w{i}" for i in range(CHOICES))
    columns = [
        Column(f"observe:f{t}@", "observe", "", words=words[t], choices=names) for t in range(READINGS)
    ]
    answers = rng.integers(0, CHOICES, READINGS)

    began = time.perf_counter()
    belief = posterior.start(prior, temper=1.0)
    for t, column in enumerate(columns):
        belief = posterior.update(belief, column, names[answers[t]])
    ours = posterior.marginal(belief)
    ours_s = time.perf_counter() - began

    began = time.perf_counter()
    net = pyagrum.BayesNet("job")
    net.add(pyagrum.LabelizedVariable("candidate", "", CANDIDATES))
    net.add(pyagrum.LabelizedVariable("rate", "", len(belief.rates)))
    net.cpt("candidate")[:] = prior
    net.cpt("rate")[:] = np.exp(belief.log_rate)
    for t in range(READINGS):
        net.add(pyagrum.LabelizedVariable(f"f{t}", "", CHOICES))
        net.addArc("candidate", f"f{t}")
        net.addArc("rate", f"f{t}")
        e = belief.rates[:, None, None]
        cpt = (1.0 - e) * words[t][None] + e / CHOICES  # (rate, candidate, word)
        for r in range(len(belief.rates)):
            for h in range(CANDIDATES):
                net.cpt(f"f{t}")[{"candidate": h, "rate": r}] = cpt[r, h]
    built_s = time.perf_counter() - began
    began = time.perf_counter()
    engine = pyagrum.LazyPropagation(net)
    for t in range(READINGS):
        engine.setEvidence({f"f{k}": int(answers[k]) for k in range(t + 1)})
        engine.makeInference()
        theirs = np.array(engine.posterior("candidate").toarray())
    theirs_s = time.perf_counter() - began
    gap = float(np.abs(ours - theirs).max())
    print(f"{CANDIDATES} candidates x 3 error rates, {READINGS} readings, posterior after each")
    print(f"largest difference {gap:.2e}" + ("" if gap <= 1e-9 else "  ABOVE 1e-9"))
    print(
        f"ours {1000 * ours_s:.1f} ms; library {1000 * theirs_s:.1f} ms after {1000 * built_s:.0f} ms of "
        f"building; library / ours {theirs_s / ours_s:.1f}"
    )
    if bif is not None:
        win95(read_bif(bif))


@dataclass(frozen=True, slots=True, eq=False)
class Factor:
    """A table over named variables, one axis each."""

    names: tuple[str, ...]
    values: np.ndarray


def win95(net: tuple[Mapping[str, tuple[str, ...]], Sequence[Factor]]) -> None:
    """Print published posteriors beside our own exact elimination."""
    states, factors = net
    print(f"win95pts: {len(states)} variables")
    for query, state, evidence, published in WIN95:
        found = eliminate(states, factors, query, evidence)[states[query].index(state)]
        given = " given " + ", ".join(f"{k}={v}" for k, v in evidence.items()) if evidence else ""
        print(
            f"  P({query}={state}{given}) = {found:.8f}  quoted {published:.8f}  off {found - published:+.1e}"
        )


def eliminate(
    states: Mapping[str, tuple[str, ...]], factors: Sequence[Factor], query: str, evidence: Mapping[str, str]
) -> np.ndarray:
    """(n_states,) posterior of one variable: sum out the others, cheapest table first."""
    work = []
    for factor in factors:
        names, values = list(factor.names), factor.values
        for name in factor.names:
            if name in evidence:
                axis = names.index(name)
                values = np.take(values, states[name].index(evidence[name]), axis=axis)
                names.pop(axis)
        work.append(Factor(tuple(names), values))
    hidden = {n for f in work for n in f.names} - {query}
    while hidden:
        name = min(sorted(hidden), key=partial(_size, work, states))
        joined = _product([f for f in work if name in f.names])
        work = [f for f in work if name not in f.names]
        axis = joined.names.index(name)
        work.append(Factor(tuple(n for n in joined.names if n != name), joined.values.sum(axis=axis)))
        hidden.discard(name)
    whole = _product(work).values
    return whole / whole.sum()


def _size(work: Sequence[Factor], states: Mapping[str, tuple[str, ...]], name: str) -> int:
    """Cells of the table that summing out this variable would make."""
    around = {n for f in work if name in f.names for n in f.names} - {name}
    return int(np.prod([len(states[n]) for n in around], dtype=float))


def _product(factors: Sequence[Factor]) -> Factor:
    names = tuple(dict.fromkeys(n for f in factors for n in f.names))
    index = {n: i for i, n in enumerate(names)}
    values = np.ones((1,) * len(names))
    for f in factors:
        order = np.argsort([index[n] for n in f.names])
        shape = [1] * len(names)
        for n, size in zip(f.names, f.values.shape, strict=True):
            shape[index[n]] = size
        values = values * f.values.transpose(order).reshape(shape)
    return Factor(names, values)


def read_bif(path: Path) -> tuple[Mapping[str, tuple[str, ...]], Sequence[Factor]]:
    """Read variables and tables of a discrete network in the interchange format BIF."""
    raw = path.read_bytes()
    text = (gzip.decompress(raw) if path.suffix == ".gz" else raw).decode()
    states = {
        m[1]: tuple(s.strip() for s in m[2].split(","))
        for m in re.finditer(r"variable\s+(\S+)\s*\{[^}]*?\{([^}]*)\}", text)
    }
    factors = []
    for m in re.finditer(r"probability\s*\(([^)]*)\)\s*\{([^}]*)\}", text):
        child, _, given = m[1].partition("|")
        names = [child.strip(), *(p.strip() for p in given.split(",") if p.strip())]
        values = np.full([len(states[n]) for n in names], np.nan)
        for row in re.finditer(r"(?:table|\(([^)]*)\))\s*([^;]*);", m[2]):
            numbers = [float(x) for x in row[2].split(",")]
            if row[1] is None:
                values[:] = np.array(numbers).reshape(values.shape)
            else:
                given_states = zip(names[1:], row[1].split(","), strict=True)
                at: tuple[int, ...] = tuple(states[n].index(s.strip()) for n, s in given_states)
                np.moveaxis(values, 0, -1)[at] = numbers
        if np.isnan(values).any():
            raise SystemExit(
                f"{path}: table of {names[0]} is incomplete; expected one row for every parent state"
            )
        factors.append(Factor(tuple(names), values))
    return states, factors
