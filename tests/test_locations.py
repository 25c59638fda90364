"""Shipped knowledge is found in a wheel and in a checkout, and the user's folders where he wants them."""

from __future__ import annotations

from pathlib import Path

import pytest

from diagnose import locations
from diagnose.errors import DiagnoseError


def pretend(monkeypatch, folder: Path) -> Path:
    """Let the package lie in `folder`; returns the package."""
    package = folder / "diagnose"
    package.mkdir(parents=True)
    monkeypatch.setattr(locations, "__file__", str(package / "locations.py"))
    return package


def test_an_editable_install_finds_the_knowledge_at_the_top():
    folder = locations.knowledge_folder()
    assert folder == Path(__file__).resolve().parent.parent / "knowledge"


def test_a_wheel_finds_the_knowledge_in_the_package(monkeypatch, tmp_path):
    package = pretend(monkeypatch, tmp_path)
    for folder in (package / "_shipped", tmp_path / "knowledge"):
        folder.mkdir()
        (folder / "sources.yaml").write_text("")
    assert locations.knowledge_folder() == package / "_shipped"


def test_an_installation_without_knowledge_says_so(monkeypatch, tmp_path):
    pretend(monkeypatch, tmp_path)
    with pytest.raises(DiagnoseError, match=r"no knowledge beside .*; try installing the program again"):
        locations.knowledge_folder()


def test_the_users_folders_can_be_put_in_one_place(monkeypatch, tmp_path):
    monkeypatch.setenv(locations.HOME_VARIABLE, str(tmp_path))
    monkeypatch.delenv(locations.CACHE_VARIABLE, raising=False)
    assert locations.user_bikes() == tmp_path / "data/bikes"
    assert locations.user_cache() == tmp_path / "cache"
    assert locations.user_knowledge() == ()
    locations.user_bikes().mkdir(parents=True)
    assert locations.user_knowledge() == (tmp_path / "data",)


def test_without_a_wish_the_users_folders_are_those_of_the_system(monkeypatch):
    import platformdirs

    monkeypatch.delenv(locations.HOME_VARIABLE, raising=False)
    monkeypatch.delenv(locations.CACHE_VARIABLE, raising=False)
    assert locations.user_data() == Path(platformdirs.user_data_dir("diagnose", appauthor=False))
    assert locations.user_cache() == Path(platformdirs.user_cache_dir("diagnose", appauthor=False))
