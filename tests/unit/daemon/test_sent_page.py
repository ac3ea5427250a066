"""What is sent of the page's files: it means what stands on disk, and is small enough."""

import json
import re
import shutil
import subprocess
from collections import Counter
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
LINKED = """
const [{ readFileSync }, { basename }, { SourceTextModule }] = ["fs", "path", "vm"].map(require);
const modules = Object.fromEntries(process.argv.slice(1).map((file) =>
  [basename(file), new SourceTextModule(readFileSync(file, "utf8"), { identifier: file })]));
(async () => {
  for (const one of Object.values(modules)) {
    if (one.status === "unlinked") await one.link((name) => modules[name.replace("./", "")]);
  }
  const exported = Object.entries(modules).map(([name, one]) => [name, Reflect.ownKeys(one.namespace).filter((key) => key !== Symbol.toStringTag)]);
  console.log(JSON.stringify(Object.fromEntries(exported)));
})();
"""
EXPORTED = re.compile(r"^export (?:async )?(?:class|function|const) (\w+)", re.MULTILINE)
DECLARED = re.compile(r"^(?:async )?(?:class|function|const|let) (\w+)", re.MULTILINE)
FETCHED = re.compile(r'import\("\./([^"]+)"\)')


def test_a_script_is_sent_without_comments_and_with_its_exported_names() -> None:
    assert sent_text(SOURCE, ".js") == "export function half(e){const t=`${e}`;return t}"


def test_the_page_as_it_is_sent_weighs_less_than_150_kb_with_all_that_is_fetched_later() -> None:
    assert 100_000 < sum(len(file.content) for file in SENT.values()) < 150_000


def test_every_module_is_understood_as_it_is_sent_and_has_the_names_that_it_is_asked_for(tmp_path: Path) -> None:
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: it was not checked that the modules are understood")
    names = [path for path in SENT if path.endswith(".js")]
    for name in names:
        (tmp_path / name).write_bytes(SENT[name].content)
    told = subprocess.run(
        [node, "--experimental-vm-modules", "-e", LINKED, *(str(tmp_path / name) for name in names)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 0, told.stderr
    exports = json.loads(told.stdout)
    assert list(exports) == names
    fetched = {name for script in SCRIPTS for name in FETCHED.findall(script.read_text(encoding="utf-8"))}
    assert {"line.js", "hookup.js"} < fetched
    on_disk = {name: sorted(EXPORTED.findall((PAGE / name).read_text(encoding="utf-8"))) for name in fetched}
    assert {name: sorted(exports[name]) for name in fetched} == on_disk


TEXTS_OF_MODULES = {
    "main.js": 'import { a } from "./a.js";\nimport { b } from "./b.js";\nimport("./later.js");\na(b);\n',
    "a.js": 'import { b } from "./b.js";\nexport const a = (x) => b + x;\n',
    "b.js": "export const b = 1;\n",
    "later.js": 'import { b } from "./b.js";\nimport { c } from "./c.js";\nexport const d = b + c;\n',
    "c.js": "export const c = 1;\n",
}


def test_a_module_goes_as_one_with_all_that_it_needs_and_that_was_not_sent_before_it() -> None:
    assert joined(TEXTS_OF_MODULES, "main.js") == {
        "main.js": "export const { b } = (() => {\n"
        'const b = 1;\nconst a = (x) => b + x;\nimport("./later.js");\na(b);\n'
        "return { b };\n})();\n",
        "later.js": 'import { b } from "./main.js";\n'
        "export const { d } = (() => {\nconst c = 1;\nconst d = b + c;\nreturn { d };\n})();\n",
    }


def test_every_module_of_the_page_is_sent_in_one_place() -> None:
    scripts = {file.name: file.read_text(encoding="utf-8") for file in SCRIPTS}
    marked = {name: f'{text}"mark of {name}";\n' for name, text in scripts.items()}
    whole = "".join(joined(marked, "main.js").values())
    assert {name: whole.count(f'"mark of {name}"') for name in scripts} == dict.fromkeys(scripts, 1)


def test_no_two_modules_that_go_together_have_the_same_name_at_their_top_level() -> None:
    """Of two functions of one name the later one would silently be both."""
    for name, whole in joined({file.name: file.read_text(encoding="utf-8") for file in SCRIPTS}, "main.js").items():
        declared = DECLARED.findall(whole)
        assert len(declared) > 1
        assert [one for one, count in Counter(declared).items() if count > 1] == [], name


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
        assert "a()" in first.text
        file.write_text("// another word\n    a();\n")
        assert client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).status_code == 304
        file.write_text("// one\n  b();\n")
        assert "b()" in client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).text
