"""Every rule against every choice of facts, straight from the YAML: the slow answer that engines must match.

Shares no code with diagnose.rules; knows the written form of a rule only.
"""

from itertools import permutations

COMPARE = {
    "is": lambda mine, value: mine == value,
    "below": lambda mine, value: mine < value,
    "at_least": lambda mine, value: mine >= value,
}


def meets(tests: dict, fact: dict, bound: dict) -> bool:
    for name, wanted in tests.items():
        if name not in fact:
            return False
        for op, value in wanted.items() if isinstance(wanted, dict) else [("is", wanted)]:
            if op == "same_as":
                other, field = value.split(".")
                op, value = "is", bound[other].get(field)
            if not COMPARE[op](fact[name], value):
                return False
    return True


def brute_force(rules: dict, facts: list[dict]) -> set[tuple[str, tuple]]:
    """(rule id, facts bound to its aliases in order) for every way in which distinct facts meet a rule."""
    distinct = [dict(f) for f in {tuple(sorted(f.items())) for f in facts}]
    found = set()
    for rule, body in rules.items():
        when = body["when"]
        for chosen in permutations(distinct, len(when)):
            bound = dict(zip(when, chosen, strict=True))
            if all(meets(tests, bound[alias], bound) for alias, tests in when.items()):
                found.add((rule, tuple(tuple(sorted(f.items())) for f in chosen)))
    return found
