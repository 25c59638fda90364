"""How sections meet: `@port` in a wire or a bond becomes the terminal that some section offers by that name.

Part of the first arrow (catalogue -> one bike), before anything is joined. Knows names only; whether a
terminal exists is compose's to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from diagnose.catalogue.model import Port
from diagnose.errors import Mark, Problem, unknown

SIGN = "@"


class Ports:
    """The ports that a bike's sections offer, and the bike's own, which decide.

    offers   every offer of the sections, in their order
    decided  the bike's own ports: they fill what is missing and settle what two sections offer
    """

    def __init__(self, offers: Iterable[Port], decided: Iterable[Port], problems: list[Problem]):
        self.problems = problems
        self.decided: Mapping[str, Port] = {p.name: p for p in decided}
        self.offered: dict[str, list[Port]] = {}
        for port in offers:
            known = self.offered.setdefault(port.name, [])
            if port.terminal not in [p.terminal for p in known]:
                known.append(port)

    def terminal(self, end: str, mark: Mark, about: str) -> str:
        """The terminal behind an end of a wire or bond; an end without @ is one itself.

        Notes a problem at `mark` for a port that nobody offers, or that two sections do; returns '' then.
        """
        if not end.startswith(SIGN):
            return end
        name = end.removeprefix(SIGN)
        if name in self.decided:
            return self.decided[name].terminal
        offers = self.offered.get(name, [])
        if len(offers) == 1:
            return offers[0].terminal
        if offers:
            said = " and ".join(f"{p.terminal} ({p.mark.file}:{p.mark.line})" for p in offers)
            message = (
                f"port {name!r} is offered as {said}; expected one, or ports: {{{name}: ...}} in the bike"
            )
        else:
            known = sorted({*self.offered, *self.decided})
            message = f"{unknown('port', name, known)}; try a section that offers it, or ports: in the bike"
        self.problems.append(mark.problem(f"{about}: {message}"))
        return ""
