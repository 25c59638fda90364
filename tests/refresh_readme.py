"""Put the demonstration's present output into the README: `python tests/refresh_readme.py`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from test_readme import ROOT, demo_text


def main() -> None:
    """Replace what stands between the two markers."""
    with tempfile.TemporaryDirectory() as folder:
        text = demo_text(Path(folder)).strip()
    path = ROOT / "README.md"
    readme = path.read_text(encoding="utf-8")
    before, rest = readme.split("<!-- session begins -->\n", 1)
    after = rest.split("<!-- session ends -->", 1)[1]
    block = f"<!-- session begins -->\n```text\n{text}\n```\n<!-- session ends -->"
    path.write_text(before + block + after, encoding="utf-8")


if __name__ == "__main__":
    main()
