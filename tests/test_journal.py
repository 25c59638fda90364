"""The journal: what was acknowledged is on the disk, whatever happens next."""

from __future__ import annotations

import errno
import json
import os
import stat
import subprocess
import sys

import pytest

from diagnose import journal
from diagnose.errors import JournalError, UsageError


def clock():
    return "2026-11-25T10:00:00Z"


@pytest.fixture
def started(tmp_path):
    with journal.create(
        tmp_path, "bench_lamp", {"complaints": ["no_spark"]}, about="no_spark", clock=clock
    ) as j:
        yield j


def lines(path):
    return path.read_bytes().splitlines(keepends=True)


def test_a_job_gets_a_readable_id_that_is_free(tmp_path):
    ids = []
    for _ in range(2):
        with journal.create(tmp_path, "b", {}, about="no_spark", clock=clock) as j:
            ids.append(j.record.job)
    with journal.create(tmp_path, "b", {}, clock=clock) as j:
        ids.append(j.record.job)
    assert ids == ["2026-11-25-no-spark-1", "2026-11-25-no-spark-2", "2026-11-25-job-1"]


def test_the_file_is_private_and_says_its_version_in_the_first_line(started):
    assert stat.S_IMODE(os.stat(started.path).st_mode) == 0o600
    head = json.loads(lines(started.path)[0])
    assert (head["journal"], head["protocol"], head["bike"]) == (1, 1, "bench_lamp")


def test_what_was_appended_is_read_back_in_order(started):
    started.append("message", {"answer": "12.4 V", "question": "q"})
    started.append("told", {"event": "advice"})
    started.append("message", {"note": "lone \ud800 surrogate and ümlaut"})
    record = journal.read(started.path)
    assert record.messages == (
        {"answer": "12.4 V", "question": "q"},
        {"note": "lone \ud800 surrogate and ümlaut"},
    )
    assert record.told == ({"event": "advice"},)
    assert [e.number for e in record.entries] == [1, 2, 3]
    assert record.options == {"complaints": ["no_spark"]}


def test_each_append_is_synced_before_it_returns(started, monkeypatch):
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(os.fstat(fd).st_size), real(fd)))
    before = started.path.stat().st_size
    started.append("message", {"answer": "1"})
    assert synced == [started.path.stat().st_size] and synced[0] > before


def test_the_descriptor_only_appends(started):
    import fcntl

    assert fcntl.fcntl(started._descriptor, fcntl.F_GETFL) & os.O_APPEND


def test_a_torn_last_line_is_left_out_with_a_notice_and_cut_off_when_going_on(started):
    started.append("message", {"answer": "1"})
    whole = started.path.read_bytes()
    started.close()
    for cut in (1, 10, 30):
        started.path.write_bytes(whole + b'{"n":2,"at":"2026","message":{"answer":"2"}}\n'[:cut])
        record = journal.read(started.path)
        assert record.messages == ({"answer": "1"},)
        assert f"{started.path}:3: the last line was cut short" in record.notices[0]
        with journal.open_journal(started.path) as again:
            again.append("message", {"answer": "3"})
        assert journal.read(started.path).messages == ({"answer": "1"}, {"answer": "3"})
        assert journal.read(started.path).notices == ()


def test_a_last_line_that_only_lacks_its_line_end_is_kept(started):
    started.append("message", {"answer": "1"})
    started.close()
    started.path.write_bytes(started.path.read_bytes().rstrip(b"\n"))
    with journal.open_journal(started.path) as again:
        again.append("message", {"answer": "2"})
    assert journal.read(started.path).messages == ({"answer": "1"}, {"answer": "2"})


@pytest.mark.parametrize(
    ("spoil", "text"),
    [
        (lambda ls: [ls[0], b'{"n":1,"at"\n', *ls[2:]], ":2: not a line of JSON"),
        (lambda ls: [ls[0], b"\xff\xfe\n", *ls[2:]], ":2: not a line of JSON"),
        (lambda ls: [ls[0], b"[1]\n", *ls[2:]], ":2: a JSON list; expected an object"),
        (lambda ls: [ls[0], *ls[2:]], ":2: n=2 is out of order; expected 1"),
        (lambda ls: [ls[0], b'{"n":1,"at":"x","message":3}\n'], ":2: message=3; expected an object"),
        (lambda ls: [ls[0], b'{"n":1,"at":5,"message":{}}\n'], ":2: at=5; expected a time"),
        (lambda ls: [b'{"hello":1}\n', *ls[1:]], ":1: not the head of a journal"),
        (lambda ls: [b'{"journal":9}\n', *ls[1:]], ":1: journal=9 is a version this program does not know"),
        (lambda ls: [b'{"journal":1,"job":4}\n', *ls[1:]], ":1: job=4 in the head; expected text"),
        (
            lambda ls: [b'{"journal":1,"job":"j","bike":"b","started":"s","options":[]}\n'],
            ":1: options=[] in the head; expected an object",
        ),
        (lambda ls: [b'"' + b"x" * (1 << 20) + b'"\n'], ":1: a line of 1048579 bytes is too long"),
        (lambda ls: [b"[" * 100_000 + b"\n"], ":1: not a line of JSON"),
        (lambda ls: [], ":1: the file is empty"),
    ],
)
def test_a_broken_or_foreign_file_is_refused_with_file_and_line(started, spoil, text):
    started.append("message", {"answer": "1"})
    started.append("message", {"answer": "2"})
    started.close()
    started.path.write_bytes(b"".join(spoil(lines(started.path))))
    with pytest.raises(JournalError) as caught:
        journal.read(started.path)
    assert f"{started.path}{text}" in str(caught.value)
    with pytest.raises(JournalError):
        journal.open_journal(started.path)


def test_a_file_beyond_any_job_is_refused(started, monkeypatch):
    monkeypatch.setattr(journal, "FILE_LIMIT", 10)
    with pytest.raises(JournalError, match="bytes is too large for a journal; expected at most 10"):
        journal.read(started.path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(JournalError, match=r"none.jsonl: cannot be read \(no such file or directory\)"):
        journal.read(tmp_path / "none.jsonl")
    with pytest.raises(JournalError, match="cannot be written"):
        journal.open_journal(tmp_path / "none.jsonl")


def test_a_second_program_is_refused_and_told_which_journal(started):
    code = (
        "import sys, pathlib; from diagnose import journal; journal.open_journal(pathlib.Path(sys.argv[1]))"
    )
    done = subprocess.run([sys.executable, "-c", code, started.path], capture_output=True, text=True)
    assert f"{started.path}: another program is working on this job" in done.stderr
    with pytest.raises(JournalError, match="another program is working on this job"):
        journal.open_journal(started.path)
    started.close()
    journal.open_journal(started.path).close()


def test_a_full_disk_loses_nothing_and_leaves_no_half_line(started, monkeypatch):
    started.append("message", {"answer": "1"})
    before = started.path.read_bytes()
    real = os.write

    def full(fd, data):
        if len(data) > 12:
            return real(fd, data[:12])
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", full)
    with pytest.raises(
        JournalError, match=r"cannot be written \(the disk is full\); nothing recorded before is lost"
    ):
        started.append("message", {"answer": "2"})
    assert started.path.read_bytes() == before
    monkeypatch.setattr(os, "write", real)
    started.append("message", {"answer": "2"})
    assert journal.read(started.path).messages == ({"answer": "1"}, {"answer": "2"})


def test_a_write_done_in_pieces_is_still_one_line(started, monkeypatch):
    real = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real(fd, data[:5]))
    started.append("message", {"answer": "in small pieces"})
    assert journal.read(started.path).messages == ({"answer": "in small pieces"},)


def test_a_read_only_folder_is_named_with_what_to_try(tmp_path, monkeypatch):
    def refused(*_):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(os, "open", refused)
    with pytest.raises(
        JournalError, match=r"the folder or file is read-only.*try another folder with DIAGNOSE_HOME"
    ):
        journal.create(tmp_path, "b", {})


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(JournalError, match=r"file/jobs: cannot be written"):
        journal.create(tmp_path / "file" / "jobs", "b", {})


def test_a_job_that_could_not_be_begun_leaves_no_file(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda fd: (_ for _ in ()).throw(OSError(errno.EIO, "I/O error")))
    with pytest.raises(JournalError, match=r"cannot be written \(i/o error\)"):
        journal.create(tmp_path, "b", {})
    assert list(tmp_path.iterdir()) == []


def test_a_message_too_long_for_a_line_is_refused(started):
    with pytest.raises(JournalError, match="bytes is too long; expected at most 1048576"):
        started.append("message", {"note": "x" * (1 << 20)})
    assert journal.read(started.path).messages == ()


def test_a_closed_journal_takes_nothing(started):
    started.close()
    started.close()
    with pytest.raises(JournalError, match="the journal is closed"):
        started.append("message", {})


def test_no_free_id_is_said(tmp_path, monkeypatch):
    def exists(*_):
        raise FileExistsError

    monkeypatch.setattr(os, "open", exists)
    with pytest.raises(JournalError, match="no free job id left for 'job' today"):
        journal.create(tmp_path, "b", {})


def test_without_locks_a_job_is_refused_rather_than_shared(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)
    with pytest.raises(JournalError, match="files cannot be locked on this system"):
        journal.create(tmp_path, "b", {})


def test_the_folder_follows_option_then_environment_then_system(tmp_path, monkeypatch):
    monkeypatch.setenv("DIAGNOSE_HOME", str(tmp_path / "env"))
    assert journal.home(tmp_path / "option") == tmp_path / "option"
    assert journal.jobs_folder() == tmp_path / "env" / "data" / "jobs"
    monkeypatch.delenv("DIAGNOSE_HOME")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "xdg"))
    assert journal.home().name == "diagnose"


def test_jobs_are_listed_newest_first_and_broken_ones_named(tmp_path):
    for time in ("2026-11-25T10:00:00Z", "2026-11-26T10:00:00Z"):
        journal.create(tmp_path, "b", {}, about="horn_dead", clock=lambda t=time: t).close()
    (tmp_path / "bad.jsonl").write_text("nonsense\n")
    (tmp_path / "notes.txt").write_text("not a journal")
    records, troubles = journal.list_jobs(tmp_path)
    assert [r.job for r in records] == ["2026-11-26-horn-dead-1", "2026-11-25-horn-dead-1"]
    assert len(troubles) == 1 and "bad.jsonl:1" in troubles[0]
    assert journal.list_jobs(tmp_path / "nowhere") == ((), ())


def test_a_job_is_found_by_id_by_part_of_it_or_by_file(tmp_path):
    with journal.create(tmp_path, "b", {}, about="no_spark", clock=clock) as one:
        pass
    journal.create(tmp_path, "b", {}, about="horn_dead", clock=clock).close()
    assert journal.find_job(tmp_path, "2026-11-25-no-spark-1") == one.path
    assert journal.find_job(tmp_path, "no-spark") == one.path
    assert journal.find_job(tmp_path, str(one.path)) == one.path
    with pytest.raises(UsageError, match="job '2026' could be 2026-11-25-horn-dead-1, 2026-11-25-no-spark-1"):
        journal.find_job(tmp_path, "2026")
    with pytest.raises(UsageError, match=r"unknown job 'no-sprak-1'; .*`diagnose jobs` lists them"):
        journal.find_job(tmp_path, "no-sprak-1")
    with pytest.raises(UsageError, match="unknown job ''"):
        journal.find_job(tmp_path / "nowhere", "")


def test_the_outcome_is_the_last_ending_unless_the_user_went_on(started):
    assert journal.read(started.path).outcome == "open"
    started.append("told", {"event": "closed", "outcome": "paused"})
    assert journal.read(started.path).outcome == "paused"
    started.append("message", {"answer": "1"})
    started.append("told", {"event": "advice"})
    assert journal.read(started.path).outcome == "open"
    started.append("told", {"event": "closed", "outcome": "repaired"})
    assert journal.read(started.path).outcome == "repaired"


def test_a_journal_is_a_case_without_truth_and_expectation(started):
    started.append("message", {"answer": "12.4 V", "question": "q"})
    case = journal.as_case(journal.read(started.path))
    assert case == {
        "case": "job_2026_11_25_no_spark_1",
        "bike": "bench_lamp",
        "complaints": ["no_spark"],
        "messages": [{"answer": "12.4 V", "question": "q"}],
    }


def test_the_clock_gives_the_time_of_day_in_utc():
    import datetime

    then = datetime.datetime.strptime(journal.now(), "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=datetime.UTC)
    assert abs((datetime.datetime.now(datetime.UTC) - then).total_seconds()) < 5
