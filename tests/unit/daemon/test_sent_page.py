"""What is sent of the page's files: right for every file that is there, and small enough."""

from pathlib import Path

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st

from peakwhite.daemon.http.pages import MEDIA_TYPES, PAGE, page_routes, sent_content
from peakwhite.daemon.http.sent_text import sent_text, unfit

FILES = sorted(file for file in PAGE.rglob("*") if file.suffix in MEDIA_TYPES)
SOURCE = """/**
 * What it gives.
 */
export function half(x) {
  // why
  const one = `${x}`; // beside code
  return one;
}
"""


@pytest.mark.parametrize("file", FILES, ids=lambda file: file.name)
def test_every_file_of_the_page_is_written_so_that_it_is_sent_right(file: Path) -> None:
    assert unfit(file.read_text(encoding="utf-8"), file.suffix) == []


def test_comments_and_indentation_are_left_out_and_every_line_stays_where_it_was() -> None:
    assert sent_text(SOURCE, ".js").split("\n") == [
        *("", "", "", "export function half(x) {", "", "const one = `${x}`; // beside code", "return one;", "}", ""),
    ]


def test_a_style_sheets_addresses_are_no_comments() -> None:
    assert sent_text("/* a\n b */\n  //c\n", ".css") == "\n\n//c\n"


@pytest.mark.parametrize("kind", [".svg", ".json", ".png"])
def test_other_kinds_are_sent_as_they_are(kind: str) -> None:
    assert sent_text(SOURCE, kind) == SOURCE


@given(st.lists(st.sampled_from(["  a;", "// b", "/* c", " * d", "*/", "/* e */", "", "\tf(`g`)"])))
def test_what_is_sent_is_every_line_without_its_indentation_or_nothing(lines: list[str]) -> None:
    sent = sent_text("\n".join(lines), ".js").split("\n")
    assert len(sent) == max(1, len(lines))
    assert all(line in ("", before.lstrip()) for line, before in zip(sent, lines or [""], strict=True))


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (".js", "const a = `one\n  // two`;"),
        (".js", "const a = 'one\\\n  two';"),
        (".js", "a(); /* one\n  // two */ b();"),
        (".js", "/* one */ a();"),
        (".js", "/* one\n// two */ a();"),
        (".js", "const a = `\\``;"),
        (".js", "// one\u2028  a();"),
        (".css", "a { color: red; /* one\n b */ }"),
        (".html", "<pre>\n  a</pre>"),
        (".html", '<p title="one\n  two">'),
        (".html", "<script>"),
    ],
)
def test_a_file_that_might_be_misread_is_named(kind: str, text: str) -> None:
    assert unfit(text, kind)


def test_the_tag_of_a_file_is_that_of_what_is_sent(tmp_path: Path) -> None:
    app = FastAPI()
    app.include_router(page_routes(tmp_path))
    file = tmp_path / "a.js"
    with TestClient(app) as client:
        file.write_text("// one\n  a();\n")
        first = client.get("/a.js")
        assert first.text == "\na();\n"
        file.write_text("// another word\n    a();\n")
        assert client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).status_code == 304
        file.write_text("// one\n  b();\n")
        assert client.get("/a.js", headers={"If-None-Match": first.headers["etag"]}).text == "\nb();\n"


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


def test_all_that_is_sent_weighs_less_than_150_kb() -> None:
    assert 10_000 < sum(len(sent_content(file)) for file in FILES) < 150_000
