"""A library out of the cache equals the one that is read, and a damaged cache is harmless."""

from __future__ import annotations

import os

import pytest

from diagnose.catalogue import cache
from diagnose.catalogue.cache import KEPT, content_key, knowledge_files, load_library_cached
from diagnose.catalogue.read import load_library
from diagnose.errors import KnowledgeError


@pytest.fixture
def reads(monkeypatch):
    """How often the library was read from YAML."""
    calls = []
    real = cache.load_library

    def counted(*args):
        calls.append(args)
        return real(*args)

    monkeypatch.setattr(cache, "load_library", counted)
    return calls


def test_the_second_start_does_not_read_yaml_and_gets_an_equal_library(tiny_knowledge, tmp_path, reads):
    first = load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    second = load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    assert len(reads) == 1
    assert first == second == load_library(tiny_knowledge)
    # marks do not take part in equality
    assert second.kinds["wire"].mark == first.kinds["wire"].mark and first.kinds["wire"].mark.line > 1


@pytest.mark.parametrize("file", ["sources.yaml", "components/all.yaml", "bikes/tiny.yaml", "history.yaml"])
def test_a_changed_file_is_read_again(tiny_knowledge, tmp_path, reads, file):
    load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    with open(tiny_knowledge / file, "a") as stream:
        stream.write("# changed\n")
    load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    assert len(reads) == 2


def test_a_new_bike_is_seen(tiny_knowledge, tmp_path):
    load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    (tiny_knowledge / "bikes/more.yaml").write_text("bike: more\n")
    assert "more" in load_library_cached(tiny_knowledge, folder=tmp_path / "c").bike_files
    (tmp_path / "own.yaml").write_text("bike: own\n")
    assert "own" in load_library_cached(tiny_knowledge, [tmp_path / "own.yaml"], tmp_path / "c").bike_files


@pytest.mark.parametrize("at", [0, 20, 500, -1])
def test_a_damaged_cache_is_read_again(tiny_knowledge, tmp_path, reads, at):
    good = load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    (file,) = (tmp_path / "c").iterdir()
    raw = bytearray(file.read_bytes())
    raw[at] ^= 0x40
    file.write_bytes(raw)
    assert load_library_cached(tiny_knowledge, folder=tmp_path / "c") == good
    file.write_bytes(b"")
    assert load_library_cached(tiny_knowledge, folder=tmp_path / "c") == good
    assert len(reads) == 3


def test_a_cache_sealed_by_other_code_is_read_again(tiny_knowledge, tmp_path, reads):
    """Sealed rightly, but not a library: what an older program might have left."""
    good = load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    (file,) = (tmp_path / "c").iterdir()
    file.write_bytes(cache._seal(b"\x81\xa1a\x01") + b"\x81\xa1a\x01")
    assert load_library_cached(tiny_knowledge, folder=tmp_path / "c") == good
    assert len(reads) == 2


def test_a_cache_that_cannot_be_written_is_no_error(tiny_knowledge, tmp_path, reads):
    (tmp_path / "file").write_text("in the way")
    for _ in range(2):
        assert load_library_cached(tiny_knowledge, folder=tmp_path / "file" / "c").kinds
    assert len(reads) == 2


def test_problems_are_told_each_time_and_never_cached(tiny_knowledge, tmp_path):
    (tiny_knowledge / "history.yaml").write_text("history: 7\n")
    for _ in range(2):
        with pytest.raises(KnowledgeError, match="history is a number; expected a mapping of ids"):
            load_library_cached(tiny_knowledge, folder=tmp_path / "c")
    assert not (tmp_path / "c").exists()


def test_a_folder_that_is_not_there_is_told_as_by_reading(tmp_path):
    with pytest.raises(KnowledgeError, match="is not a knowledge folder"):
        load_library_cached(tmp_path / "none", folder=tmp_path / "c")


def test_an_unreadable_file_is_told_as_by_reading(tiny_knowledge, tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError("no")

    monkeypatch.setattr(cache, "content_key", refuse)
    assert load_library_cached(tiny_knowledge, folder=tmp_path / "c") == load_library(tiny_knowledge)
    assert not (tmp_path / "c").exists()


def test_old_cache_files_are_cleared_away(tiny_knowledge, tmp_path):
    folder = tmp_path / "c"
    folder.mkdir()
    for i in range(KEPT + 3):
        old = folder / f"library-{i:02}.msgpack"
        old.write_bytes(b"")
        os.utime(old, (i, i))
    load_library_cached(tiny_knowledge, folder=folder)
    left = sorted(f.name for f in folder.iterdir())
    assert len(left) == KEPT
    assert f"library-{content_key(tiny_knowledge)}.msgpack" in left and "library-00.msgpack" not in left


def test_the_key_covers_every_file_that_is_read(tiny_knowledge):
    names = {str(f.relative_to(tiny_knowledge)) for f in knowledge_files(tiny_knowledge)}
    assert names == {str(f.relative_to(tiny_knowledge)) for f in tiny_knowledge.rglob("*.yaml")}
    assert len(names) == 7
    assert content_key(tiny_knowledge) == content_key(tiny_knowledge)
