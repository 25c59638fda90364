"""Every case in cases/: played from its complaint to its end, and what must come out comes out."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose.errors import KnowledgeError
from diagnose.means import open_knowledge
from diagnose.replay import read_case, replay_files

ROOT = Path(__file__).resolve().parent.parent
CASES = sorted((ROOT / "cases").glob("*.yaml"))
FEWEST = 6


@pytest.fixture(scope="module")
def opened():
    return open_knowledge()


def test_there_are_cases_to_replay():
    assert len(CASES) >= FEWEST


@pytest.mark.parametrize("path", CASES, ids=lambda p: p.stem)
def test_a_case_comes_out_as_it_says(path, opened):
    (result,) = replay_files([str(path)], opened)
    assert result["same"], result["text"]


def test_a_case_with_an_unknown_key_is_refused_with_its_line(tmp_path):
    path = tmp_path / "odd.yaml"
    path.write_text("case: odd\nbike: custom_single\ncomplaints: [no_spark]\ntruht: []\n")
    with pytest.raises(KnowledgeError, match=r"odd\.yaml:4:.*unknown key 'truht'"):
        read_case(path)


def test_a_case_that_lacks_its_bike_is_refused(tmp_path):
    path = tmp_path / "bare.yaml"
    path.write_text("case: bare\ncomplaints: [no_spark]\n")
    with pytest.raises(KnowledgeError, match="key 'bike' is missing"):
        read_case(path)


def test_a_case_must_bear_the_name_of_its_file(tmp_path):
    path = tmp_path / "here.yaml"
    path.write_text("case: there\nbike: custom_single\ncomplaints: [no_spark]\n")
    with pytest.raises(KnowledgeError, match="differs from the file name; expected 'here'"):
        read_case(path)
