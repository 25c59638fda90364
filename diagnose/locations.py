"""Where things lie: the knowledge that ships with the program, the user's own folders, the cache.

Knows only paths. Shipped knowledge is read-only: in an installed wheel it lies in the package, in a
checkout (editable install) at its top.
"""

from __future__ import annotations

import os
from pathlib import Path

from diagnose.errors import DiagnoseError

APP = "diagnose"
CACHE_VARIABLE = "DIAGNOSE_CACHE"
HOME_VARIABLE = "DIAGNOSE_HOME"  # one folder for everything of the user's; tests and portable use


def knowledge_folder() -> Path:
    """The knowledge folder of this installation; raises DiagnoseError if it is missing."""
    package = Path(__file__).resolve().parent
    for folder in (package / "_shipped", package.parent / "knowledge"):
        if (folder / "sources.yaml").is_file():
            return folder
    raise DiagnoseError(
        f"no knowledge beside {package}: neither _shipped/ in the package nor knowledge/ next to it; "
        "try installing the program again"
    )


def user_data() -> Path:
    """Folder of the user's own bikes, rules and jobs (not made here)."""
    return _folder("data")


def user_bikes() -> Path:
    """Folder in which the user keeps bike files of his own."""
    return user_data() / "bikes"


def user_cache() -> Path:
    """Folder of things that can be computed again; DIAGNOSE_CACHE names another."""
    named = os.environ.get(CACHE_VARIABLE)
    return Path(named).expanduser() if named else _folder("cache")


def user_knowledge() -> tuple[Path, ...]:
    """The user's own knowledge folder, if there is anything in it, to go on top of the shipped one."""
    folder = user_data()
    names = ("bikes", "components", "sections", "rules", "complaints.yaml", "sources.yaml")
    return (folder,) if any((folder / name).exists() for name in names) else ()


def bike_names(knowledge: str | Path | None = None) -> list[str]:
    """Ids of the bikes there are, sorted: the names of their files.

    knowledge  a knowledge folder; None: the shipped one and the user's own
    """
    folders = (Path(knowledge),) if knowledge else (knowledge_folder(), *user_knowledge())
    return sorted({file.stem for folder in folders for file in (folder / "bikes").glob("*.yaml")})


def _folder(kind: str) -> Path:
    home = os.environ.get(HOME_VARIABLE)
    if home:
        return Path(home).expanduser() / kind
    import platformdirs

    find = platformdirs.user_data_path if kind == "data" else platformdirs.user_cache_path
    return find(APP, appauthor=False)
