"""Put the present output of demonstration and composing into the README: `python tests/refresh_readme.py`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from test_readme import ROOT, composing_texts, demo_text


def main() -> None:
    """Replace what stands between each two markers."""
    with tempfile.TemporaryDirectory() as home:
        texts = {"session": demo_text(), **composing_texts(Path(home))}
    path = ROOT / "README.md"
    readme = path.read_text(encoding="utf-8")
    for name, text in texts.items():
        before, rest = readme.split(f"<!-- {name} begins -->\n", 1)
        after = rest.split(f"<!-- {name} ends -->", 1)[1]
        block = f"<!-- {name} begins -->\n```text\n{text.strip()}\n```\n<!-- {name} ends -->"
        readme = before + block + after
    path.write_text(readme, encoding="utf-8")


if __name__ == "__main__":
    main()
