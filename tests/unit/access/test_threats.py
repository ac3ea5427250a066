"""The threat model in DEVELOPERS.md: every line has a test that holds it, and tests/unit/test_docs.py finds each of them."""

import re
from pathlib import Path

DEVELOPERS = (Path(__file__).resolve().parents[3] / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_every_threat_says_what_stands_against_it_and_names_a_test() -> None:
    table = DEVELOPERS.split("| threat | what stands against it | test |\n|---|---|---|\n")[1].split("\n\n")[0]
    rows = table.splitlines()
    assert len(rows) > 15
    for row in rows:
        assert re.fullmatch(r"\| [^|]+ \| [^|]+ \| `test_\w+`(, `test_\w+`)* \|", row), row
