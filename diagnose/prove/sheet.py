"""The proving sheet: every check with its limit and why, reading, result, by whom and when; what stays open.

Self-contained HTML (no script, nothing fetched) and Markdown. Notes and names stay text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from diagnose.errors import UsageError
from diagnose.output import write_text
from diagnose.prove import ask
from diagnose.prove.bench import Bench
from diagnose.prove.model import Check
from diagnose.prove.order import minutes
from diagnose.prove.state import State

SUFFIXES = (".html", ".htm", ".md")

TEMPLATE = """\
<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'; img-src data:">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
:root { color-scheme: light; --ink: #14181c; --line: #c9d0d6; --soft: #f3f5f7; --bad: #a11212; --open: #7a4b00; --good: #14612c; }
* { box-sizing: border-box; }
body { font: 16px/1.45 system-ui, sans-serif; color: var(--ink); background: #fff; margin: 0 auto; padding: 1rem; max-width: 72rem; overflow-wrap: anywhere; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; } h2 { font-size: 1.15rem; margin: 1.6rem 0 .4rem; }
p { margin: .3rem 0; } .counts { font-weight: 600; }
table { border-collapse: collapse; width: 100%; table-layout: fixed; }
th, td { text-align: left; vertical-align: top; padding: .35rem .5rem; border-bottom: 1px solid var(--line); }
th { background: var(--soft); font-size: .85rem; }
td.why { font-size: .82rem; color: #444c53; } td.when { font-size: .82rem; }
.pass { color: var(--good); } .fail { color: var(--bad); font-weight: 700; } .open, .to_do { color: var(--open); font-style: italic; }
col.check { width: 27%; } col.limit { width: 15%; } col.why { width: 32%; } col.reading { width: 12%; } col.result { width: 14%; }
@media (max-width: 45rem) {
  thead, colgroup { display: none; } table, tbody, tr, td { display: block; width: 100%; }
  tr { border: 1px solid var(--line); border-radius: .4rem; margin: .6rem 0; padding: .3rem .4rem; }
  td { border: 0; padding: .15rem .2rem; } td::before { content: attr(data-head) ": "; font-weight: 600; }
}
@media print { body { font-size: 9.5pt; max-width: none; padding: 0; } tr { break-inside: avoid; } h2 { break-after: avoid; } thead { display: table-header-group; } }
</style>
</head>
<body>
<h1>{{ title }}</h1>
<p>{{ by }}</p>
<p class="counts">{{ counts }}</p>
<p>{{ ending }}</p>
{% for phase in phases %}<h2>{{ phase.title }}</h2>
<table>
<colgroup><col class="check"><col class="limit"><col class="why"><col class="reading"><col class="result"></colgroup>
<thead><tr>{% for head in heads %}<th scope="col">{{ head }}</th>{% endfor %}</tr></thead>
<tbody>
{% for row in phase.rows %}<tr><td data-head="{{ heads[0] }}">{{ row.check }}</td><td data-head="{{ heads[1] }}">{{ row.limit }}</td><td class="why" data-head="{{ heads[2] }}">{{ row.why }}</td><td data-head="{{ heads[3] }}">{{ row.reading or "-" }}</td><td data-head="{{ heads[4] }}"><span class="{{ row.result }}">{{ row.word }}</span>{% if row.when %} <span class="when">{{ row.when }}</span>{% endif %}</td></tr>
{% endfor %}</tbody>
</table>
{% endfor %}{% for part in lists %}<h2>{{ part.title }}</h2>
<ul>{% for line in part.lines %}<li>{{ line }}</li>{% else %}<li>{{ none }}</li>{% endfor %}</ul>
{% endfor %}</body>
</html>
"""  # noqa: E501


def facts(bench: Bench, state: State, when: Mapping[str, str], at: str = "") -> dict[str, Any]:
    """Everything the sheet says, as plain text in nested lists."""

    def say(sentence: str, **values: object) -> str:
        return bench.own.say(sentence, "trade", **values)

    phases: list[dict[str, Any]] = []
    for phase in sorted({c.phase for c in bench.plan.checks}):
        rows = [
            _row(bench, state, c, when) for c in bench.plan.checks if c.phase == phase and _shown(state, c)
        ]
        phases.append({"title": say(f"phase_{phase}"), "rows": rows})
    found = ask.counts(state)
    last = max(when.values(), default=at)
    opened = [
        r["check"] + (f": {r['note']}" if r["note"] else "")
        for p in phases
        for r in p["rows"]
        if r["result"] != "pass"
    ]
    repairs = [
        say("sheet_repair", check=ask.name(bench, state, bench.plan.by_id[c]), repair=_repair(bench, r))
        for c, r in state.repairs
    ]
    to_come = say("to_come", count=len(state.queue), minutes=_minutes(bench, state))
    ending = ask.closed_event(bench, state)["text"] if state.result else to_come
    return {
        "title": say("sheet_title", bike=bench.plan.title),
        "by": say("sheet_by", by=state.given.by or "-", when=_time(last) or "-"),
        "counts": say("sheet_counts", passed=found["pass"], failed=found["fail"], open=found["open"]),
        "ending": ending,
        "heads": [say(f"head_{h}") for h in ("check", "limit", "why", "reading", "result")],
        "phases": phases,
        "lists": [
            *([{"title": say("sheet_differs"), "lines": list(bench.differs)}] if bench.differs else []),
            {"title": say("sheet_open"), "lines": opened},
            {"title": say("sheet_repairs"), "lines": repairs},
            {"title": say("sheet_notes"), "lines": list(state.notes)},
        ],
        "none": say("sheet_none"),
    }  # fmt: skip


def _time(at: str) -> str:
    """A time of the journal as a sheet shows it: date and minute, UTC."""
    return f"{at[:10]} {at[11:16]} UTC" if len(at) >= 16 else at


def _minutes(bench: Bench, state: State) -> str:
    return f"{minutes(bench.sound, bench.plan, state.queue) * ask.factor(state):.0f}"


def _shown(state: State, check: Check) -> bool:
    """Checks that only decide for eyes are shown when they were made."""
    return check.sort != "by_meter" or state.outcome(check.id) is not None


def _repair(bench: Bench, repair: str) -> str:
    known = bench._world.repairs if bench._world is not None else {}
    found = known.get(repair)
    return found.title if found else repair.replace("_", " ")


def _row(bench: Bench, state: State, check: Check, when: Mapping[str, str]) -> dict[str, str]:
    o = state.outcome(check.id)
    result = o.result if o else "to_do"
    note = bench.own.say(o.why) if o and o.why else ""
    return {
        "check": ask.name(bench, state, check),
        "limit": ask.limit_words(bench, state, check),
        "why": " ".join(ask.reasons(bench, state, check.limit.reasons)),
        "reading": (ask.reading(bench, check, o) or note) if o else "",
        "result": result,
        "word": bench.own.say(f"result_{result}"),
        "when": _time(when.get(check.id, "")) if o and o.result != "open" else "",
        "note": note,
    }


def as_html(told: Mapping[str, Any]) -> str:
    """The sheet as one HTML page that needs nothing else."""
    from jinja2 import Environment, StrictUndefined

    # autoescape: names and notes of users are text wherever they stand
    page = Environment(autoescape=True, undefined=StrictUndefined).from_string(TEMPLATE)
    return page.render(**told)


def as_markdown(told: Mapping[str, Any]) -> str:
    """The sheet as Markdown."""
    lines = [
        f"# {_md(told['title'])}",
        "",
        _md(told["by"]),
        "",
        f"**{_md(told['counts'])}**",
        "",
        _md(told["ending"]),
    ]
    for phase in told["phases"]:
        lines += [
            "",
            f"## {_md(phase['title'])}",
            "",
            "| " + " | ".join(told["heads"]) + " |",
            "|---|---|---|---|---|",
        ]
        for r in phase["rows"]:
            result = " ".join(filter(None, (r["word"], r["when"])))
            cells = (r["check"], r["limit"], r["why"], r["reading"] or "-", result)
            lines.append("| " + " | ".join(_md(c) for c in cells) + " |")
    for part in told["lists"]:
        lines += ["", f"## {_md(part['title'])}", ""]
        lines += [f"- {_md(line)}" for line in part["lines"]] or [f"- {told['none']}"]
    return "\n".join(lines) + "\n"


def _md(text: str) -> str:
    """Text that stays text in Markdown: one line, no mark-up, no HTML."""
    return re.sub(r"([\\`*_{}\[\]<>|#!~&])", r"\\\1", " ".join(str(text).split()))


def write_sheet(told: Mapping[str, Any], output: str) -> None:
    """Write the sheet where asked: HTML or Markdown by the file's ending; raises UsageError."""
    suffix = Path(output).suffix.lower()
    if output != "-" and suffix not in SUFFIXES:
        raise UsageError(
            f"{output}: no sheet ends like that; expected {', '.join(SUFFIXES)}; try --output sheet.html"
        )
    write_text(as_html(told) if suffix in (".html", ".htm") else as_markdown(told), output)
