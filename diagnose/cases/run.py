"""Play a case and compare what came out with what must come out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from diagnose.cases.read import Case
from diagnose.cases.rider import CaseRider, Given
from diagnose.conversation.step import fold
from diagnose.means import Opened
from diagnose.play import Played, Told, play
from diagnose.several import together
from diagnose.wiring import BikeWorld


@dataclass(frozen=True, slots=True)
class Result:
    """How a case came out. found: what differs from what must come out; given: its readings."""

    text: str
    found: tuple[str, ...]
    given: tuple[Given, ...] = ()
    played: Played | None = None

    @property
    def same(self) -> bool:
        """Whether everything came out as it must."""
        return not self.found


def run_case(
    case: Case, world: BikeWorld, opened: Opened, told: Told | None = None, watch: Any = None
) -> Result:
    """Play a case to its end; one without hidden faults is only said and compared.

    raises  UsageError for ids that the bike does not have, or faults that do not draw the complaint
    """
    if not case.truth:
        return _said(case, world, opened, told)
    rider = CaseRider(world, case)
    slips: set[str] = set()

    def hear(event: Mapping[str, Any]) -> None:
        slips.add((event.get("doubt") or {}).get("slip", ""))
        if told:
            told(event)

    played = play(
        world, opened.rulebase, opened.wording, case.options, rider, rider.mend,
        first=case.messages, told=hear, watch=watch,
    )  # fmt: skip
    right = [a.repair for a in played.advice if a.right]
    wrong = [a.repair for a in played.advice if not a.right and a.sort == "repair"]
    found = [f"a message was refused: {r}" for r in played.refused]
    found += _compared(case, [a.repair for a in played.advice], played.outcome)
    wanted = case.expect
    if "cause" in wanted and (not right or wanted["cause"] not in played.causes):
        found.append(f"expected the cause {wanted['cause']}, found {', '.join(played.causes) or 'nothing'}")
    if right and rider.sick.left:
        found.append(f"{together(rider.sick.left).id} was not repaired")
    for key, has in (("tool_steps_at_most", played.tool_steps), ("wrong_repairs_at_most", len(wrong))):
        if key in wanted and has > int(wanted[key]):
            found.append(
                f"{has} {key.removesuffix('_at_most').replace('_', ' ')}; expected at most {wanted[key]}"
            )
    if played.doubts < int(wanted.get("doubts_at_least", 0)):
        found.append(f"{played.doubts} readings were doubted; expected at least {wanted['doubts_at_least']}")
    if wanted.get("doubted_for", "") not in {"", *slips}:
        found.append(f"no reading was doubted for {wanted['doubted_for']}")
    if len(rider.slipped) < len(case.slips):
        found.append("a slip was never made: its measurement or step was not asked")
    text = f"{played.outcome}, {played.tool_steps} steps with a tool, {', '.join(right) or 'nothing found'}"
    text += f", wrong: {', '.join(wrong)}" if wrong else ""
    return Result("; ".join([text, *found]), tuple(found), tuple(rider.given), played)


def _said(case: Case, world: BikeWorld, opened: Opened, told: Told | None) -> Result:
    """A case of messages only, as a recorded job: what they come to."""
    _, events = fold(case.options, case.messages, world, opened.rulebase, opened.wording)
    flat = [e for group in events for e in group]
    for event in flat:
        if told:
            told(event)
    found = [f"a message was refused: {e['message']}" for e in flat if e["event"] == "problem"]
    repairs = [e["repair"] for e in flat if e["event"] == "advice" and e["repair"]]
    outcome = next((e["outcome"] for e in reversed(flat) if e["event"] == "closed"), "")
    found += _compared(case, repairs, outcome)
    text = f"{len(case.messages)} messages, {outcome or 'not closed'}, {', '.join(repairs) or 'no advice'}"
    return Result("; ".join([text, *found]), tuple(found))


def _compared(case: Case, repairs: list[str], outcome: str) -> list[str]:
    found = []
    if "repair" in case.expect and case.expect["repair"] not in repairs:
        found.append(f"expected the repair {case.expect['repair']}")
    if "outcome" in case.expect and outcome != case.expect["outcome"]:
        found.append(f"expected the outcome {case.expect['outcome']}")
    return found
