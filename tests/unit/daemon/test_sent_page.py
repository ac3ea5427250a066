"""What is sent of the page's files: it means what stands on disk, and is small enough."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient

from peakwhite.daemon.http import sent_text as lean
from peakwhite.daemon.http.pages import MEDIA_TYPES, PAGE, modules, page_routes, sent
from peakwhite.daemon.http.sent_text import TEXTS, sent_text

FILES = sorted(file for file in PAGE.rglob("*") if file.suffix in MEDIA_TYPES)
SCRIPTS = [file for file in FILES if file.suffix == ".js"]
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


def test_all_files_of_the_page_together_weigh_less_than_150_kb() -> None:
    assert 100_000 < sum(len(sent(file).content) for file in FILES) < 150_000


@pytest.mark.parametrize("file", SCRIPTS, ids=lambda file: file.name)
def test_what_a_module_exports_is_what_it_exports_on_disk(file: Path) -> None:
    names = exported(file.read_text(encoding="utf-8"))
    assert exported(sent(file).content.decode()) == names
    assert names or file.name == "main.js"


def test_every_module_is_understood_as_it_is_sent(tmp_path: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: it was not checked that the modules are understood")
    for file in SCRIPTS:
        (tmp_path / file.name).write_bytes(sent(file).content)
    modules_in = [str(tmp_path / file.name) for file in SCRIPTS]
    told = subprocess.run(
        [node, "--experimental-vm-modules", "-e", PARSED, *modules_in], capture_output=True, text=True, check=False
    )
    assert told.stdout.split() == [file.name for file in SCRIPTS], told.stderr


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


def test_with_the_page_goes_a_list_of_all_modules_that_it_will_need(tmp_path: Path) -> None:
    app = FastAPI()
    app.include_router(page_routes(tmp_path))
    texts = {
        "index.html": "<p>page",
        "main.js": 'import { a } from "./a.js";\nconst later = () => import("./later.js");',
        "a.js": 'import {\n  b,\n} from "./b.js";\nexport const a = b;',
        "b.js": 'import "./a.js";\nexport const b = 1;',
        "later.js": "",
    }
    for name, text in texts.items():
        (tmp_path / name).write_text(text)
    with TestClient(app) as client:
        preloaded = client.get("/").headers["link"]
        assert preloaded == ", ".join(f"<{name}>; rel=modulepreload" for name in ("main.js", "a.js", "b.js"))
        assert "link" not in client.get("/a.js").headers


def test_every_module_that_is_imported_is_there() -> None:
    wanted = {
        name for file in SCRIPTS for name in re.findall(r'(?:from |import\(|^import )"\./([^"]+)"', file.read_text())
    }
    assert wanted <= {file.name for file in SCRIPTS}
    assert set(modules(PAGE, *wanted)) == wanted
