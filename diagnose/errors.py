"""The family of errors, and the record of one problem: where, what, expected, what to try.

Bottom of the import order. Sentences follow one form:
*where: what is wrong with name=value; expected ...; try ...*
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Problem:
    """One thing wrong in a file. line and column count from 1; 0 means the file as a whole."""

    file: str
    line: int
    column: int
    message: str

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        return f"{where}: {self.message}"


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a value stands: file and, from 1, line and column."""

    file: str = ""
    line: int = 0
    column: int = 0

    def problem(self, message: str) -> Problem:
        """The problem with this message at this place."""
        return Problem(self.file, self.line, self.column, message)


class DiagnoseError(Exception):
    """Anything this program reports to its user instead of a traceback."""


class KnowledgeError(DiagnoseError):
    """For the author of YAML: every problem found, sorted by place."""

    def __init__(self, problems: Iterable[Problem]):
        self.problems: tuple[Problem, ...] = tuple(sorted(problems))
        super().__init__(self.problems)

    def __str__(self) -> str:
        return "\n".join(str(p) for p in self.problems)


class QuantityError(DiagnoseError, ValueError):
    """A quantity in a file that does not say what was asked; the reader of the file adds the place."""


class CircuitError(DiagnoseError):
    """The circuit cannot be solved; says why in physical terms."""


class SingularCircuit(CircuitError):
    """Nodes without a path to ground. nodes: their names."""

    def __init__(self, nodes: Iterable[str], reasons: Iterable[str] = ()):
        self.nodes = tuple(nodes)
        self.reasons = tuple(reasons) or tuple(f"no path from {n} to ground" for n in self.nodes)
        super().__init__(self.nodes, self.reasons)

    def __str__(self) -> str:
        return "the circuit has no solution: " + "; ".join(self.reasons)


class DidNotConverge(CircuitError):
    """Newton's method did not settle. iterations: how many were done; residual [A]: worst current sum."""

    def __init__(self, iterations: int, residual: float, case: str = ""):
        self.iterations, self.residual, self.case = iterations, residual, case
        super().__init__(iterations, residual, case)

    def __str__(self) -> str:
        about = f" for {self.case}" if self.case else ""
        return (
            f"no operating point found{about} after {self.iterations} iterations: currents still miss by "
            f"{self.residual:.3g} A at the worst node; look for two sources joined without resistance"
        )


class ObservationError(DiagnoseError):
    """An answer that could not be understood; the conversation asks again."""

    def __init__(self, text: str, expected: str, hint: str = "", wrong: str = "is not understood"):
        self.text, self.expected, self.hint, self.wrong = text, expected, hint, wrong
        super().__init__(text, expected, hint, wrong)

    def __str__(self) -> str:
        tail = f"; try {self.hint}" if self.hint else ""
        return f"{self.text!r} {self.wrong}; expected {self.expected}{tail}"


class NoCandidateExplains(DiagnoseError):
    """Every suspect gives the readings a likelihood of zero; nothing is renormalised in silence."""


class UsageError(DiagnoseError):
    """Wrong use of a command: unknown id, missing option. Exit code 2."""


class JournalError(DiagnoseError):
    """A journal that cannot be read, written or locked."""


class RuleError(DiagnoseError):
    """A rule engine that failed while judging facts."""


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """Sentence for an id that does not exist, with the nearest ones that do."""
    import difflib

    names = sorted(known)
    near = difflib.get_close_matches(name, names, n=3, cutoff=0.5)
    hint = (
        f"try {', '.join(near)}"
        if near
        else f"expected one of {', '.join(names[:12])}"
        if names
        else "there are none"
    )
    return f"unknown {kind} {name!r}; {hint}"
