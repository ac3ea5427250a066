"""What is sent of the page's files: it means what stands on disk, and is small enough."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from peakwhite.daemon.http import sent_text as lean
from peakwhite.daemon.http.joined import joined
from peakwhite.daemon.http.pages import PAGE, page_routes, sent
from peakwhite.daemon.http.sent_text import TEXTS, sent_text

SENT = sent(PAGE)
SCRIPTS = sorted(PAGE.glob("*.js"))
SOURCE = """/**
 * What it gives.
 */
export function half(x) {
  // why
  const one = `${x}`;
  return one;
}
"""
PARSED = """
const [{ readFileSync }, { basename }, { SourceTextModule }] = ["fs", "path", "vm"].map(require);
for (const file of process.argv.slice(1)) {
  new SourceTextModule(readFileSync(file, "utf8"), { identifier: file });
  console.log(basename(file));
}
"""
NAMES = re.compile(r"\bexport\s*(?:async\s+)?(?:class|function|const|let)\s+(\w+)|\bexport\s*\{([^}]*)\}")


def exported(script: str) -> list[str]:
    """The names that a module exports, by its text."""
    found = [name for one, more in NAMES.findall(script) for name in (one, *more.split(",")) if name.strip()]
    return sorted(name.split(" as ")[-1].strip() for name in found)


def test_a_script_is_sent_without_comments_and_with_its_exported_names() -> None:
    assert sent_text(SOURCE, ".js") == "export function half(e){const t=`${e}`;return t}"


SHEET_OF_SETTINGS = {"settings.js", "settingsdata.js", "settings.css"}
"""Fetched only when the operator opens it, and counted by itself."""


def test_all_views_of_the_page_as_they_are_sent_weigh_less_than_150_kb() -> None:
    assert 100_000 < sum(len(file.content) for name, file in SENT.items() if name not in SHEET_OF_SETTINGS) < 150_000


def test_the_sheet_of_settings_as_it_is_sent_weighs_less_than_9_kb() -> None:
    assert 5_000 < sum(len(SENT[name].content) for name in SHEET_OF_SETTINGS) < 9_000


def test_every_name_that_a_module_exports_on_disk_is_exported_by_what_is_sent() -> None:
    on_disk = [name for file in SCRIPTS for name in exported(file.read_text(encoding="utf-8"))]
    names = [name for path, file in SENT.items() if path.endswith(".js") for name in exported(file.content.decode())]
    assert sorted(names) == sorted(on_disk)
    assert len(names) > 100


def test_every_module_is_understood_as_it_is_sent(tmp_path: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: it was not checked that the modules are understood")
    names = [path for path in SENT if path.endswith(".js")]
    for name in names:
        (tmp_path / name).write_bytes(SENT[name].content)
    told = subprocess.run(
        [node, "--experimental-vm-modules", "-e", PARSED, *(str(tmp_path / name) for name in names)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.stdout.split() == names, told.stderr


def test_the_modules_of_the_first_load_go_as_one_and_each_of_them_once() -> None:
    texts = {
        "main.js": 'import { a } from "./a.js";\nimport { b } from "./b.js";\nimport("./later.js");\na(b);\n',
        "a.js": 'import { b } from "./b.js";\nexport const a = (x) => b + x;\n',
        "b.js": "export const b = 1;\n",
        "later.js": 'import { b } from "./b.js";\nimport { c } from "./c.js";\n',
        "c.js": "export const c = 1;\n",
    }
    assert joined(texts, "main.js") == {
        "main.js": 'export const b = 1;\nexport const a = (x) => b + x;\nimport("./later.js");\na(b);\n',
        "later.js": 'import { b } from "./main.js";\nimport { c } from "./c.js";\n',
        "c.js": "export const c = 1;\n",
    }


def test_every_module_that_is_imported_is_sent() -> None:
    texts = [file.content.decode() for path, file in SENT.items() if path.endswith(".js")]
    wanted = {name for text in texts for name in re.findall(r'(?:from|import\()"\./([^"]+)"', text)}
    assert {"main.js", "line.js", "words.js"} & wanted == {"main.js", "line.js"}
    assert wanted <= set(SENT)


def test_a_file_that_cannot_be_parsed_is_sent_as_it_is() -> None:
    assert sent_text("a ) (", ".js") == "a ) ("


def test_without_the_library_a_file_is_sent_as_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lean, "minify", None)
    assert [sent_text(SOURCE, kind) for kind in TEXTS] == [SOURCE] * len(TEXTS)


def test_the_tag_of_a_file_is_that_of_what_is_sent(tmp_path: Path) -> None:
    app = FastAPI()
    app.include_router(page_routes(tmp_path))
    file = tmp_path / "a.js"
    with TestClient(app) as client:
        file.write_text("// one\n  a();\n")
        first = client.get("/a.js")
        assert first.text == "a()"
        file.write_text("// another word\n    a();\n")
        assert client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).status_code == 304
        file.write_text("// one\n  b();\n")
        assert client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).text == "b()"
