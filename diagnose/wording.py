"""Sentences: templates in two forms (for a beginner, for the trade), read strictly and filled strictly.

Stands below the conversation. Knows which sentences exist and which values each may hold; what they say
is written in knowledge/wording/en.yaml and nowhere else.
"""

from __future__ import annotations

import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from diagnose.documents import Document, read_document
from diagnose.errors import KnowledgeError, Mark, Problem, unknown

FORMS = ("beginner", "trade")

_TWO_POINT = ("volts", "drop", "ohms", "diode", "ac_volts", "lowest_volts", "worked_volts", "lamp")
_ONE_THING = ("observe", "inspect", "amps", "count", "gravity", "swap", "wiggle", "heat", "wet")
_STIRS = ("wiggle", "heat", "wet")
_TRIGGERS = ("bars", "bumps", "heat", "wet", "chance")
_ENDS = ("nothing_found", "unmodelled", "same_to_us", "switch", "works_now")

# Which sentences the program says, and which values each may hold. A name with `?` is a value that a
# template may leave out, any other must appear in it.
SENTENCES: Mapping[str, tuple[str, ...]] = {
    # what things are called
    "suspect_no_fault": (),
    "suspect_unmodelled": (),
    "point_with_colour": ("point", "wires"),
    "wire_of_colour": ("colour",),
    "wire_with_stripe": ("colour", "stripe"),
    "point_with_wires": ("point", "count"),
    "battery_plus": (),
    "battery_minus": (),
    "range": ("low", "high"),
    "anything": (),
    "doubtful": (),
    "yes": (),
    "no": (),
    **{f"short_{kind}": ("plus", "?minus") for kind in _TWO_POINT},
    **{f"short_{kind}": ("what",) for kind in _ONE_THING},
    "short_jumper": ("what", "plus", "minus"),
    "short_watched": ("stirred", "plus", "minus"),
    "short_posts": (),
    "short_lamp_in_fuse": ("what",),
    "short_out": ("what",),
    "short_apart": ("what",),
    "short_battery_off": (),
    "short_engine_cranking": (),
    "short_engine_idle": (),
    "short_engine_rpm": ("rpm",),
    # what to do, one action a line
    "open_place": ("place",),
    "put_back_fuse": ("what",),
    "put_back_plug": ("what",),
    "put_back_battery": (),
    "undo_battery": (),
    "pull_fuse": ("what",),
    "unplug": ("what",),
    "undo_wire": ("what",),
    "put_back_wire": ("what",),
    "set_control_how": ("control", "position"),
    "set_control": ("control", "position"),
    "all_at_rest": (),
    "key_off": (),
    "all_off": (),
    "engine_cranking": (),
    "engine_idle": (),
    "engine_rpm": ("rpm",),
    "dial": ("setting",),
    "dial_volts": ("range",),
    "dial_drop": ("range",),
    "dial_ohms": ("range",),
    "dial_diode": ("?range",),
    "dial_ac_volts": ("range",),
    "dial_lowest_volts": ("range",),
    "dial_worked_volts": ("range",),
    "dial_amps": (),
    **{f"do_{kind}": ("plus", "minus") for kind in _TWO_POINT},
    **{f"do_{kind}": ("what",) for kind in _ONE_THING},
    **{f"do_{kind}_meter": ("what", "plus", "minus") for kind in _STIRS},
    **{f"first_{kind}": ("what",) for kind in _STIRS},
    "then_look": (),
    "do_amps_battery": (),
    "do_amps_battery_plus": (),
    "do_sweep": ("what",),
    "do_swap": ("what", "twin"),
    "after_swap": ("functions",),
    "do_lamp_in_fuse": ("what", "watts"),
    "do_posts": ("plus", "minus"),
    "do_jumper": ("plus", "?minus", "what"),
    "clip_jumper": ("minus",),
    "spark_gap": ("mm",),
    "close_clamp": ("what",),
    "do_clamp": (),
    "short_clamp": ("what",),
    "do_ac_volts_joined": ("plus", "minus"),
    "look_at": ("what",),
    "points_to": ("reading", "suspects"),
    "prove_meter": (),
    "prove_again": ("shown",),
    "prove_repair": (),
    "recheck": ("shown",),
    "widened": (),
    "reopened": (),
    "only_time": (),
    "ask_reopen": (),
    "estimate": ("minutes", "low", "high", "parts"),
    "parts_none": (),
    "parts_same": ("high",),
    "parts_range": ("low", "high"),
    "proved_before": ("when", "by", "?checks"),
    # what differs on this bike
    **{f"differs_{key}": ("what",) for key in ("not_fitted", "bypassed", "spliced")},
    **{f"differs_{key}": ("what", "value") for key in ("colour", "place")},
    "differs_load": ("what", "value", "at"),
    "differs_added": (),
    "differs_kept": ("what",),
    "differs_back": ("what",),
    "differs_lost": ("lost",),
    "differs_list": ("listed",),
    "differs_none": (),
    # doubt
    "doubt_again": (),
    "doubt_note": ("note",),
    "doubt_word": ("said", "expected"),
    "doubt_swapped": ("shown",),
    "doubt_unit": ("shown", "meant"),
    "doubt_zero": ("shown",),
    "doubt_unexplained": ("shown", "?nearest"),
    # intake
    "ask_complaint": (),
    "ask_kit": (),
    "ask_skill": (),
    "ask_history": (),
    "ask_switches": ("switches",),
    **{f"ask_shows_{trigger}": () for trigger in _TRIGGERS},
    "shows_yes": (),
    "shows_no": (),
    "ask_others": ("functions",),
    **{f"kit_{kit}": () for kit in ("hands", "lamp", "meter", "workshop")},
    **{f"skill_{skill}": () for skill in ("beginner", "trade")},
    "history_none": (),
    "switches_yes": (),
    "switches_no": (),
    # several complaints, waiting
    "ask_remaining": (),
    "goes_on": ("count",),
    "one_at_a_time": ("complaint",),
    "ask_agreement": ("what", "price", "limit"),
    "agreement_yes": (),
    "agreement_no": (),
    **{f"waits_{what}": () for what in ("charger", "customer", "ride", "part")},
    **{f"waited_{what}": () for what in ("charger", "customer", "ride", "part")},
    "came_back": ("waited", "what"),
    "ask_after_ride": (),
    # advice and ends
    "advise_try": ("part", "repair", "suspects", "sure", "minutes"),
    "advise_repair": ("part", "repair", "suspects", "sure", "minutes"),
    "advise_stop": ("part", "repair", "suspects", "sure", "?minutes"),
    **{f"stop_{end}_title": () for end in _ENDS},
    "stop_nothing_found": (),
    "stop_unmodelled": ("?odd",),
    "stop_same_to_us": ("suspects", "?further"),
    "stop_switch": (),
    "stop_works_now": ("?suspects", "?unseen"),
    "suspected_most": ("suspects",),
    "only_a_meter_shows": (),
    "odd_readings": ("readings",),
    "would_tell": ("measurements",),
    # proof
    "ask_exit_check": ("functions", "?first"),
    "close_first": ("places",),
    "left_open": ("places",),
    "as_it_stands": ("what",),
    "exit_line": ("functions", "condition"),
    "exit_yes": (),
    "exit_no": (),
    "ask_exit_which": (),
    "exit_skipped": (),
    "hand_over": ("repairs", "proof"),
    "hand_over_unproved": ("repairs",),
    "hand_over_against": ("against", "repairs"),
    "close_places": ("places",),
    # why
    "why_suspect": ("suspect", "sure", "?percent", "?pro", "?contra"),
    "why_for": ("readings",),
    "why_against": ("readings",),
    "why_decides": ("decides",),
    "other": ("measurement", "minutes", "tells"),
    # turns of the job
    "ask_reproduce": ("?touched",),
    "touched_last": ("what",),
    "hunts_asleep": (),
    "seen_awake": (),
    "reproduce_yes": (),
    "reproduce_no": (),
    "ask_still_there": ("complaints",),
    "still_yes": (),
    "still_no": (),
    "needs_kit": ("kit",),
    "needs_helper": (),
    "needs_engine": (),
    # a plain terminal
    "ask_bike": (),
    "demo_begins": ("bike",),
    "demo_ends": ("fault",),
    "ask_bike_again": ("most",),
    "ask_bike_unlisted": (),
    "as_last_time": ("used",),
    "taken_as": ("complaints",),
    "term_list": (),
    "term_together": ("more",),
    "term_together_tip": ("more",),
    "term_which": ("said",),
    "term_minutes": ("minutes",),
    "term_wait": ("minutes",),
    "term_helper": (),
    "term_caution": ("text",),
    "term_healthy": ("reading",),
    "term_compare": ("mine", "reading"),
    "term_suspect": ("suspect", "reading"),
    "new_fuse_too": ("fuses",),
    "term_root_cause": ("text",),
    "term_advise": ("text",),
    "term_get_home": ("text",),
    "term_prompt_advice": (),
    "term_prompt_confirm": (),
    "term_works": (),
    "term_yes_or_no": (),
    "term_works_several": (),
    "term_yes_no_some": (),
    "term_take": (),
    "term_take_what": (),
    "term_no_others": (),
    "term_understood": (),
    "term_unclear": ("why",),
    "term_noted": (),
    "term_pasted": (),
    "term_undone": (),
    "term_differs": (),
    "term_empty": (),
    "term_help": (),
    "term_glossary": ("words",),
    "term_no_word": ("word", "words"),
    "where_key": ("pole",),
    "where_key_lamp": ("pole",),
    "where_more": ("count",),
    "term_closed_repaired": ("?job", "minutes", "?steps"),
    "term_closed_stopped": ("job", "?minutes", "?steps"),
    "term_closed_paused": ("job", "?minutes", "?steps"),
}

# list of words -> whether one way of saying may belong to one word only
WORD_LISTS: Mapping[str, bool] = {
    "joining": False,
    "colours": False,
    "sureness": False,
    "telling": False,
    "answers": False,
    "glossary": False,
    "states": False,
    "special": True,
    "functions": False,
    "hedges": False,
    "qualifiers": False,
    "before": True,
    "alike": True,
    "fillers": False,
}


@dataclass(frozen=True, slots=True)
class Wording:
    """sentences: id -> form -> template; words: list -> word -> ways of saying it; path: the file."""

    sentences: Mapping[str, Mapping[str, str]]
    words: Mapping[str, Mapping[str, tuple[str, ...]]]
    path: str = ""
    known: Mapping[str, tuple[str, ...]] = field(default_factory=lambda: SENTENCES)

    def say(self, sentence: str, skill: str = "beginner", /, **values: object) -> str:
        """Fill one sentence.

        skill   beginner | trade; anything else takes the beginner's form
        values  exactly what the sentence may hold; optional ones may be missing and are then ''
        raises  KnowledgeError for a sentence or value that does not exist
        """
        if sentence not in self.sentences:
            raise KnowledgeError([Problem(self.path, 0, 0, unknown("sentence", sentence, self.sentences))])
        template = self.sentences[sentence]["trade" if skill == "trade" else "beginner"]
        allowed = self.known[sentence]
        for name in values:
            if name not in allowed and f"?{name}" not in allowed:
                message = f"{sentence}: it holds no value {name!r}; expected {_list(allowed)}"
                raise KnowledgeError([Problem(self.path, 0, 0, message)])
        missing = [name for name in allowed if not name.startswith("?") and name not in values]
        if missing:
            message = f"{sentence}: no value for {', '.join(missing)}; expected {_list(allowed)}"
            raise KnowledgeError([Problem(self.path, 0, 0, message)])
        filled = {name.lstrip("?"): "" for name in allowed} | {k: str(v) for k, v in values.items()}
        return _tidy(template.format_map(filled))

    def word(self, group: str, word: str) -> str:
        """The first way of saying a word; the word itself, with spaces, when the list does not hold it."""
        ways = self.words.get(group, {}).get(word, ())
        return ways[0] if ways else word.replace("_", " ")


def _list(names: tuple[str, ...]) -> str:
    return ", ".join(name.lstrip("?") for name in names) or "none"


def _tidy(text: str) -> str:
    """Lines without trailing blanks, and without those that held only values that were left out."""
    lines = (" ".join(line.split()) for line in text.strip().split("\n"))
    return "\n".join(line for line in lines if line)


def read_wording(
    path: str | Path,
    known: Mapping[str, tuple[str, ...]] = SENTENCES,
    lists: Mapping[str, bool] = WORD_LISTS,
) -> Wording:
    """Read a file of sentences.

    known   sentence -> the values it may hold; lists: its word lists ({}: the file has none)
    raises  KnowledgeError with every problem: sentences missing or unknown, forms missing, values that a
            sentence cannot hold or must hold and does not, word lists missing or with one word said twice
    """
    document = read_document(path)
    problems: list[Problem] = []
    sentences = _sentences(document, problems, known)
    words = _words(document, problems, lists) if lists else {}
    if isinstance(document.data, dict):
        for key in document.data:
            if key not in ("sentences", "words"):
                problems.append(
                    document.mark(("key!", key)).problem(unknown("key", key, ("sentences", "words")))
                )
    if problems:
        raise KnowledgeError(problems)
    return Wording(sentences, words, str(path), known)


def _section(document: Document, name: str, problems: list[Problem]) -> Mapping[str, object]:
    data = document.data
    found = data.get(name) if isinstance(data, dict) else None
    if not isinstance(found, dict):
        problems.append(document.mark((name,)).problem(f"no mapping under {name!r}; expected one entry each"))
        return {}
    return found


def _sentences(
    document: Document, problems: list[Problem], known: Mapping[str, tuple[str, ...]]
) -> dict[str, dict[str, str]]:
    found = _section(document, "sentences", problems)
    out: dict[str, dict[str, str]] = {}
    for sentence, entry in found.items():
        mark = document.mark(("sentences", sentence))
        if sentence not in known:
            problems.append(mark.problem(unknown("sentence", sentence, known)))
            continue
        forms = dict.fromkeys(FORMS, entry) if isinstance(entry, str) else entry
        if not isinstance(forms, dict) or set(forms) != set(FORMS):
            problems.append(
                mark.problem(f"{sentence}: expected one text, or the two forms {', '.join(FORMS)}")
            )
            continue
        for form, text in forms.items():
            at = mark if isinstance(entry, str) else document.mark(("sentences", sentence, form))
            problems.extend(_check(sentence, known[sentence], text, at))
        out[sentence] = {form: str(text) for form, text in forms.items()}
    start = document.mark(("sentences",))
    problems.extend(
        start.problem(f"sentence {name!r} is missing; expected a text for it")
        for name in known
        if found and name not in found
    )
    return out


def _check(sentence: str, holds: tuple[str, ...], text: object, mark: Mark) -> list[Problem]:
    if not isinstance(text, str) or not text.strip():
        return [mark.problem(f"{sentence}: {text!r} is not a text; expected a sentence in quotes")]
    try:
        fields = [(name, spec, conversion) for _, name, spec, conversion in string.Formatter().parse(text)]
    except ValueError as err:
        return [mark.problem(f"{sentence}: {err}; expected values as {{name}}; write {{{{ for a brace")]
    used = {name for name, _, _ in fields if name is not None}
    allowed = {name.lstrip("?") for name in holds}
    needed = {name for name in holds if not name.startswith("?")}
    problems = [
        mark.problem(f"{sentence}: holds {{{name}}}, which it cannot; expected {_list(holds)}")
        for name in sorted(used - allowed)
    ]
    problems += [
        mark.problem(f"{sentence}: does not hold {{{name}}}; expected a sentence that says it")
        for name in sorted(needed - used)
    ]
    if any(spec or conversion for name, spec, conversion in fields if name is not None):
        problems.append(mark.problem(f"{sentence}: values take no format; expected plain {{name}}"))
    return problems


def _words(
    document: Document, problems: list[Problem], lists: Mapping[str, bool]
) -> dict[str, dict[str, tuple[str, ...]]]:
    found = _section(document, "words", problems)
    out: dict[str, dict[str, tuple[str, ...]]] = {}
    for group, entry in found.items():
        mark = document.mark(("words", group))
        if group not in lists:
            problems.append(mark.problem(unknown("word list", group, lists)))
            continue
        if not isinstance(entry, dict):
            problems.append(mark.problem(f"{group}: expected word: [ways of saying it]"))
            continue
        said: dict[str, str] = {}
        out[group] = {}
        for word, ways in entry.items():
            at = document.mark(("words", group, word))
            if not isinstance(ways, list) or not ways or not all(isinstance(w, str) and w for w in ways):
                problems.append(at.problem(f"{group}.{word}: expected a list of texts"))
                continue
            for way in ways if lists[group] else ():
                if said.setdefault(way.lower(), word) != word:
                    message = (
                        f"{group}.{word}: {way!r} already means {said[way.lower()]!r}; expected one meaning"
                    )
                    problems.append(at.problem(message))
            out[group][word] = tuple(ways)
    problems.extend(
        document.mark(("words",)).problem(f"word list {name!r} is missing")
        for name in lists
        if found and name not in found
    )
    return out
