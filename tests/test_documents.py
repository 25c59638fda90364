"""YAML is read strictly, and every value knows its file, line and column.

What YAML itself says is in the YAML 1.1 specification; what is refused beyond it is this program's choice.
Positions are counted by hand.
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from diagnose import documents
from diagnose.documents import KEY, LARGEST_BYTES, parse_document, read_document
from diagnose.errors import DiagnoseError, KnowledgeError, Mark, Problem

TEXT = """\
lamp:
  title: "tail lamp"
  ends: [feed, ground]
wires:
- {from: a, to: b}
"""


def problems_of(text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(KnowledgeError) as err:
        parse_document(text, "f.yaml")
    return err.value.problems


def test_a_document_is_plain_data():
    assert parse_document(TEXT, "f.yaml").data == {
        "lamp": {"title": "tail lamp", "ends": ["feed", "ground"]},
        "wires": [{"from": "a", "to": "b"}],
    }


@pytest.mark.parametrize(
    ("path", "line", "column"),
    [
        ((), 1, 1),
        ((KEY, "lamp"), 1, 1),
        (("lamp",), 2, 3),
        (("lamp", KEY, "title"), 2, 3),
        (("lamp", "title"), 2, 10),
        (("lamp", "ends"), 3, 9),
        (("lamp", "ends", 1), 3, 16),
        (("wires", 0), 5, 3),
        (("wires", 0, "to"), 5, 17),
    ],
)
def test_every_value_and_key_knows_its_line_and_column(path, line, column):
    assert parse_document(TEXT, "f.yaml").mark(path) == Mark("f.yaml", line, column)


def test_a_value_that_is_not_there_is_placed_where_it_would_belong():
    document = parse_document(TEXT, "f.yaml")
    assert document.mark(("lamp", "watts")) == document.mark(("lamp",))
    assert parse_document("", "f.yaml").mark(("lamp",)) == Mark("f.yaml", 1, 1)


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("on", "on"),
        ("off", "off"),
        ("yes", "yes"),
        ("No", "No"),
        ("True", "True"),
        ("true", True),
        ("false", False),
        ("null", None),
        ("~", None),
        ("", None),
        ("7", 7),
        ("-7", -7),
        ("0", 0),
        ("0.5", 0.5),
        ("010", "010"),
        ("0x10", "0x10"),
        ("12:30", "12:30"),
        ("1e5", "1e5"),
        ("1_000", "1_000"),
        (".5", ".5"),
        (".inf", ".inf"),
        ("2024-01-02", "2024-01-02"),
        ("1" * 16, "1" * 16),
        ("=", "="),
        ("'7'", "7"),
        ('"true"', "true"),
        ("|\n  a\n  b\n", "a\nb\n"),
    ],
)
def test_only_plain_numbers_true_false_and_null_are_not_text(written, value):
    found = parse_document(f"key: {written}", "f.yaml").data["key"]
    assert found == value and type(found) is type(value)


def test_a_key_that_appears_twice_is_refused_with_both_places():
    assert problems_of("a: 1\nb: 2\na: 3\n") == (
        Problem("f.yaml", 3, 1, "key 'a' appears twice (first at line 1)"),
    )


def test_all_problems_of_a_file_come_at_once():
    found = problems_of("a: 1\na: 2\nb: {7: x}\nc: !!set {x}\n<<: {d: 1}\n")
    assert [(p.line, p.column) for p in found] == [(2, 1), (3, 5), (4, 4), (5, 1)]
    assert "key '7' is not text; expected a word (quote a number)" in found[1].message
    assert "tag 'tag:yaml.org,2002:set' is refused; expected plain YAML without tags" in found[2].message
    assert "merge key '<<' is refused; expected every key to be written out" in found[3].message


@pytest.mark.parametrize("key", ["7", "true", "null", "~", "[a]", "{a: b}", "? [a]\n", "1.5"])
def test_a_key_that_is_not_text_is_refused(key):
    (problem,) = problems_of(f"{key}: x\n")
    assert "is not text; expected a word (quote a number)" in problem.message


def test_a_quoted_number_and_a_quoted_merge_sign_may_be_keys():
    assert parse_document("'7': x\n'<<': y\n", "f.yaml").data == {"7": "x", "<<": "y"}


@pytest.mark.parametrize(
    "text",
    [
        "a: !!int '3'",
        "a: !!str 3",
        "a: !thing x",
        "!!python/object:os.system {}",
        "a: !!seq {b: c}",
    ],
)
def test_tags_are_refused(text):
    assert any("is refused; expected plain YAML without tags" in p.message for p in problems_of(text))


def test_a_second_document_is_refused():
    (problem,) = problems_of("a: 1\n---\nb: 2\n")
    assert problem == Problem("f.yaml", 2, 1, "holds a second document; expected one document a file")


def test_broken_yaml_names_its_place():
    (problem,) = problems_of("a: 1\nb: [1, 2\nc: 3\n")
    assert (problem.line, problem.column) == (3, 2)  # the colon: a key may not follow an item
    assert (
        "is not valid YAML: while parsing a flow sequence did not find expected ',' or ']'" in problem.message
    )


def test_bytes_that_are_not_utf8_are_placed():
    (problem,) = problems_of(b"a: 1\nb: \xff\n")
    assert problem == Problem("f.yaml", 2, 4, "byte 0xff is not UTF-8; expected a text file saved as UTF-8")


def test_characters_that_yaml_forbids_are_refused():
    (problem,) = problems_of("a: 1\nb: \x07\n")
    assert "is not valid YAML: control characters are not allowed" in problem.message


def test_a_byte_order_mark_is_no_part_of_the_first_key():
    assert parse_document(b"\xef\xbb\xbfa: 1\n", "f.yaml").data == {"a": 1}


def test_a_file_over_a_megabyte_is_refused_before_it_is_parsed():
    (problem,) = problems_of(b"#" * (LARGEST_BYTES + 1))
    assert problem.message == "is larger than 1000000 bytes; try splitting it into several files"
    assert parse_document(b"#" * LARGEST_BYTES, "f.yaml").data is None


def test_anchors_may_repeat_a_little():
    assert parse_document("a: &x [1, 2]\nb: *x\n", "f.yaml").data == {"a": [1, 2], "b": [1, 2]}


def test_anchors_that_multiply_are_stopped():
    """Eight levels of ten: a hundred million values out of half a kilobyte."""
    lines = ["a: &a [x, x, x, x, x, x, x, x, x, x]"]
    for one, other in zip("abcdefgh", "bcdefghi", strict=True):
        lines.append(f"{other}: &{other} [{', '.join(['*' + one] * 10)}]")
    (problem,) = problems_of("\n".join(lines))
    assert problem.message == "holds more than 200000 values once its anchors are expanded"


def test_an_anchor_inside_itself_is_stopped():
    (problem,) = problems_of("a: &a [*a]")
    assert problem.message == "is nested too deeply; expected at most 24 levels"


@pytest.mark.parametrize(
    "text", ["[" * 50_000, "{a: " * 50_000, "- " * 50_000, "? " * 50_000, "[" * 30 + "]" * 30]
)
def test_deep_nesting_is_an_error_and_no_crash(text):
    (problem,) = problems_of(text)
    assert "nest" in problem.message


def test_a_file_is_read_by_its_path(tmp_path):
    path = tmp_path / "a.yaml"
    path.write_text("a: [1]\n", encoding="utf-8")
    document = read_document(path)
    assert document.data == {"a": [1]}
    assert document.mark(("a", 0)) == Mark(str(path), 1, 5)


def test_a_file_that_cannot_be_read_is_a_problem(tmp_path):
    for path, reason in ((tmp_path / "none.yaml", "No such file"), (tmp_path, "Is a directory")):
        with pytest.raises(KnowledgeError, match=f"cannot be read: {reason}") as err:
            read_document(path)
        assert err.value.problems[0].file == str(path)


def test_yaml_built_without_its_c_library_is_said_plainly(monkeypatch):
    import yaml

    monkeypatch.delattr(yaml, "CSafeLoader")
    documents._loader_class.cache_clear()
    try:
        with pytest.raises(DiagnoseError, match="PyYAML was built without libyaml; try installing"):
            parse_document("a: 1", "f.yaml")
    finally:
        documents._loader_class.cache_clear()


@settings(max_examples=200)
@given(st.binary(max_size=200))
@example(b"\xff\xfea\x00:\x00")
@example(b"\x00")
@example(b"a: \xed\xa0\x80")
@example(b"%YAML 9.9\n---\na")
@example(b"a: &x\nb: *y")
@example(b"\xc2\x85: \xe2\x80\xa8")
def test_any_bytes_give_a_document_or_problems_with_a_place(raw):
    try:
        parse_document(raw, "f.yaml")
    except KnowledgeError as err:
        assert err.problems and all(p.file == "f.yaml" and p.message for p in err.problems)


@settings(max_examples=200)
@given(st.text(alphabet="ab:-?!&*<>{}[],|%@`'\"# \n\t01.~", max_size=60))
def test_any_yaml_like_text_gives_a_document_or_problems_with_a_place(text):
    try:
        document = parse_document(text, "f.yaml")
    except KnowledgeError as err:
        assert err.problems
        return
    assert all(mark.line >= 1 and mark.column >= 1 for mark in document.marks.values())


# YAML has no escape for half a surrogate pair, as which JSON writes what lies beyond the basic plane
WORDS = st.text(st.characters(max_codepoint=0xD7FF), max_size=8)


def _nested(inner: st.SearchStrategy) -> st.SearchStrategy:
    return st.lists(inner) | st.dictionaries(WORDS, inner)


@given(st.recursive(WORDS | st.integers(-999, 999) | st.booleans() | st.none(), _nested, max_leaves=12))
def test_json_is_read_as_json_reads_it(data):
    """JSON with every other character escaped is YAML; the standard library is the oracle."""
    text = json.dumps(data)
    assert parse_document(text, "f.json").data == json.loads(text)


def test_importing_the_readers_does_not_load_yaml():
    heavy = "{'yaml', 'quantiphy'}"
    code = f"import sys, diagnose.documents, diagnose.quantities; print(sorted({heavy} & {{*sys.modules}}))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
