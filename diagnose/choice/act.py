"""The door to the choice: `next_act(problem, belief, paid) -> Act`."""

from __future__ import annotations

from diagnose.choice.rate import next_act
from diagnose.choice.weigh import Limits

__all__ = ["Limits", "next_act"]
