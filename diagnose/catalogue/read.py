"""A knowledge folder read into a Library; every problem of every file at once.

First arrow of the flow (YAML -> catalogue). Bikes are only listed: compose reads the one that is wanted.
Rules and wording have readers of their own; they are not part of the catalogue.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from diagnose.catalogue.fields import ID, Cursor
from diagnose.catalogue.model import (
    Complaint,
    HistoryFact,
    Instrument,
    Kind,
    Library,
    Section,
    Source,
    Symptom,
    Value,
)
from diagnose.catalogue.read_kinds import read_kind
from diagnose.catalogue.read_sections import CONTENT, read_section
from diagnose.catalogue.words import INSTRUMENT_UNITS, INSTRUMENTS, KITS, SOURCE_STATUSES, STATES, TRIGGERS
from diagnose.documents import Document, read_document
from diagnose.errors import KnowledgeError, Mark, Problem, unknown

FOLDERS = ("components", "sections", "bikes", "rules", "wording")
FILES = ("sources.yaml", "complaints.yaml", "measurements.yaml", "history.yaml")

# unit of the values that instruments share; others may have any unit
INSTRUMENT_VALUES: Mapping[str, str] = {"accuracy": "1", "minutes": "min", "wait": "min"}


class _Reading:
    """Everything gathered so far, and what is wrong with it."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []
        self.marks: dict[tuple[str, str], Mark] = {}
        self.sources: dict[str, Source] = {}
        self.kinds: dict[str, Kind] = {}
        self.sections: dict[str, Section] = {}
        self.complaints: dict[str, Complaint] = {}
        self.instruments: dict[str, Instrument] = {}
        self.history: dict[str, HistoryFact] = {}
        self.bikes: dict[str, str] = {}

    def document(self, path: Path) -> Document | None:
        try:
            return read_document(path)
        except KnowledgeError as err:
            self.problems += err.problems
            return None

    def is_new(self, kind: str, id: str, mark: Mark) -> bool:
        first = self.marks.setdefault((kind, id), mark)
        if first is mark:
            return True
        self.problems.append(
            mark.problem(f"{kind} {id!r} appears twice (first at {first.file}:{first.line})")
        )
        return False

    def each(self, path: Path, top: str, kind: str, read: Callable[[Cursor, str], None]) -> None:
        """Read one file whose only key is `top`, a mapping of ids."""
        doc = self.document(path)
        if doc is None:
            return
        here = Cursor(doc, (), doc.data, self.problems)
        if not here.is_mapping((top,)):
            return
        for id, item in here.entries(top):
            if self.is_new(kind, id, item.own_key_mark):
                read(item, id)


def load_library(path: str | Path, extra: Iterable[str | Path] = ()) -> Library:
    """Read a knowledge folder, and further ones (or single bike files) on top of it.

    path     folder with sources.yaml, components/, sections/, bikes/ ...
    extra    folders of the same form, or bike files, for example the user's own
    returns  Library; bikes are listed by file name and not read
    raises   KnowledgeError holding all Problems, sorted by file and line
    """
    reading = _Reading()
    folders = []
    for each in (path, *extra):
        place = Path(each)
        if place.is_file():
            _list_bike(reading, place)
        elif not any((place / name).exists() for name in (*FOLDERS, *FILES)):
            message = f"is not a knowledge folder; expected {', '.join(FILES)} or {', '.join(FOLDERS)}/ in it"
            reading.problems.append(Problem(str(each), 0, 0, message))
        else:
            folders.append(place)
    # in the order of reference: sources, kinds, sections, and then what refers to all of them
    for folder in folders:
        if (folder / "sources.yaml").exists():
            reading.each(folder / "sources.yaml", "sources", "source", lambda c, i: _source(reading, c, i))
    for file in _yaml_files(folders, "components"):
        reading.each(file, "components", "kind of part", lambda c, i: _kind(reading, c, i))
    for file in _yaml_files(folders, "sections"):
        _section_file(reading, file)
    for folder in folders:
        for name, top, kind, read in (
            ("complaints.yaml", "complaints", "complaint", _complaint),
            ("measurements.yaml", "instruments", "instrument", _instrument),
            ("history.yaml", "history", "history fact", _history),
        ):
            if (folder / name).exists():
                reading.each(folder / name, top, kind, lambda c, i, read=read: read(reading, c, i))  # type: ignore[misc]
    for file in _yaml_files(folders, "bikes"):
        _list_bike(reading, file)
    if reading.problems:
        raise KnowledgeError(reading.problems)
    return Library(
        path=str(path),
        sources=reading.sources,
        kinds=reading.kinds,
        sections=reading.sections,
        complaints=reading.complaints,
        instruments=reading.instruments,
        history=reading.history,
        bike_files=reading.bikes,
    )


def _yaml_files(folders: Iterable[Path], name: str) -> list[Path]:
    return [file for folder in folders for file in sorted((folder / name).glob("*.yaml"))]


def _list_bike(reading: _Reading, file: Path) -> None:
    if not ID.fullmatch(file.stem):
        message = f"file name {file.name!r} is not snake_case.yaml; a bike is called by its file's name"
        reading.problems.append(Problem(str(file), 0, 0, message))
    elif reading.is_new("bike", file.stem, Mark(str(file), 1, 1)):
        reading.bikes[file.stem] = str(file)


def _source(reading: _Reading, here: Cursor, id: str) -> None:
    here.is_mapping(("title", "status"), ("issuer", "year", "clause"))
    reading.sources[id] = Source(
        id=id,
        title=here.text("title"),
        status=here.word("status", SOURCE_STATUSES),
        issuer=here.text("issuer"),
        year=here.text("year"),
        clause=here.text("clause"),
    )


def _kind(reading: _Reading, here: Cursor, id: str) -> None:
    reading.kinds[id] = read_kind(here, id, reading.sources)


def _section_file(reading: _Reading, file: Path) -> None:
    doc = reading.document(file)
    if doc is None:
        return
    here = Cursor(doc, (), doc.data, reading.problems)
    if not here.is_mapping(("section", "title"), ("text", *CONTENT)):
        return
    id = here.text("section")
    if id != file.stem:
        here.note(f"section={id!r} differs from the file's name; expected {file.stem!r}", "section")
    if reading.is_new("section", id, here.mark):
        reading.sections[id] = read_section(here, id, reading.kinds, reading.sources)


def _complaint(reading: _Reading, here: Cursor, id: str) -> None:
    here.is_mapping(("title", "says"), ("any_of", "all_of", "none_of", "kinds", "engine", "intermittent"))
    if isinstance(here.data, dict) and not any(here.has(k) for k in ("any_of", "all_of", "kinds")):
        here.note(f"{id} says nothing about the bike; expected any_of, all_of or kinds")
    reading.complaints[id] = Complaint(
        id=id,
        title=here.text("title"),
        says=here.texts("says"),
        any_of=tuple(_symptom(c) for c in here.items("any_of")),
        all_of=tuple(_symptom(c) for c in here.items("all_of")),
        none_of=tuple(_symptom(c) for c in here.items("none_of")),
        kinds=here.texts("kinds", _faults(reading.kinds), "kind of part"),
        mark=here.own_key_mark,
        engine=here.word("engine", ("may_run", "stands"), "may_run"),
        intermittent=here.word("intermittent", tuple(TRIGGERS), "") if here.has("intermittent") else "",
    )


def _faults(kinds: Mapping[str, Kind]) -> set[str]:
    """Every kind of part, and every kind.mode."""
    return set(kinds) | {f"{kind.id}.{mode.id}" for kind in kinds.values() for mode in kind.modes}


def _symptom(here: Cursor) -> Symptom:
    keys = ("function", "states", "condition", "opened", "standing", "charging", "overlit")
    if not here.is_mapping((), (*keys, "looked_at", "every")):
        return Symptom()
    said = [key for key in ("function", "opened", "standing", "charging", "overlit") if here.has(key)]
    if len(said) != 1:
        expected = "expected function, opened, standing, charging or overlit"
        here.note(f"{here.name} says {', '.join(said) or 'nothing'}; {expected}")
    if here.has("function") and not here.has("states"):
        here.note(f"{here.name} lacks states; expected such as [dead]")
    low = high = None
    if here.has("charging"):
        ends = list(here.items("charging"))
        if len(ends) == 2:
            low, high = (c.amount("V", low=0.0) for c in ends)
        else:
            here.note('charging is not two voltages; expected ["13.2 V", "15.0 V"]', "charging")
    return Symptom(
        function=here.text("function"),
        states=here.texts("states", STATES, "state"),
        condition=here.text("condition"),
        opened=here.flag("opened"),
        standing=here.number("standing", "A", low=0.0) if here.has("standing") else None,
        charging_low=low,
        charging_high=high,
        looked_at=here.flag("looked_at"),
        every=here.flag("every"),
        overlit=here.number("overlit", "V", low=0.0) if here.has("overlit") else None,
    )


def _instrument(reading: _Reading, here: Cursor, id: str) -> None:
    here.is_mapping(("title", "kit", "unit", "values", "beginner", "trade"), ("cautions",))
    if id not in INSTRUMENTS:
        here.note(unknown("instrument", id, INSTRUMENTS))
    values: dict[str, Value] = {}
    for name, c in here.entries("values"):
        values[name] = c.value(INSTRUMENT_VALUES.get(name, ""), reading.sources, low=0.0)
    unit = here.text("unit")
    if unit not in INSTRUMENT_UNITS:
        here.note(unknown("unit", unit, INSTRUMENT_UNITS), "unit")
    reading.instruments[id] = Instrument(
        id=id,
        title=here.text("title"),
        kit=here.word("kit", KITS),
        unit=unit,
        values=values,
        beginner=here.text("beginner"),
        trade=here.text("trade"),
        cautions=here.texts("cautions"),
        mark=here.own_key_mark,
    )


def _history(reading: _Reading, here: Cursor, id: str) -> None:
    here.is_mapping(("question", "factors", "source"), ("why",))
    tags = {tag for kind in reading.kinds.values() for mode in kind.modes for tag in mode.tags}
    factors: dict[str, float] = {}
    for tag, c in here.entries("factors"):
        if tag not in tags:
            c.problems.append(c.own_key_mark.problem(unknown("tag", tag, tags)))
        factors[tag] = here.at("factors").number(tag, "1", 1.0, low=0.0)
    source = here.word("source", reading.sources)
    if source == "estimate" and not here.text("why"):
        here.note(f"{id} is an estimate without a reason; expected why: a few words")
    reading.history[id] = HistoryFact(
        id, here.text("question"), factors, source, here.text("why"), here.own_key_mark
    )
