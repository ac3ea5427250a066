"""What is sent of the page's files: right for every file that is there, and small enough."""

import re
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
        *("", "", "", "export function half(x){", "", "const one=`${x}`", "return one", "}", ""),
    ]


def test_a_style_sheets_addresses_are_no_comments() -> None:
    assert sent_text("/* a\n b */\n  //c\n", ".css") == "\n\n//c\n"


@pytest.mark.parametrize(
    ("line", "sent"),
    [
        ("const a = b / c - -1 + +d;", "const a=b/c - -1 + +d;"),
        ("for (const [a, b] of c) if (a < b) d = { ...d, [a]: b };", "for(const[a,b]of c)if(a<b)d={...d,[a]:b};"),
        ('return "a , b" + `${a ? "b" : c} : d`;', 'return"a , b"+`${a ? "b" : c} : d`;'),
        ("if (/[.?!/] = /.test(a)) b('c = d', /\\/ \"e = /);", "if(/[.?!/] = /.test(a))b('c = d',/\\/ \"e = /);"),
        ('a = "b\\" = c"; // d = "', 'a="b\\" = c";'),
        ("case 'a b': return 'c' in d;", "case'a b':return'c'in d;"),
        ("const a = async (b) => (await b) ?? 1;", "const a=async(b)=>(await b)??1;"),
    ],
)
def test_spaces_go_beside_signs_and_never_within_a_string_a_template_or_an_expression(line: str, sent: str) -> None:
    assert unfit(line, ".js") == []
    assert sent_text(line, ".js") == sent


@pytest.mark.parametrize(
    ("line", "sent"),
    [
        ('.a > .b :is(h1, p)::before { content: "a : b"; }', '.a > .b :is(h1,p)::before{content:"a : b"}'),
        ("grid-area: 1 / 2 / 3 / -1;", "grid-area:1/2/3/-1;"),
        ("width: calc(1px - 2 * (3vh + 4px));", "width:calc(1px - 2 * (3vh + 4px));"),
        ("@media (max-width: 9px) and (hover: none) {", "@media (max-width:9px) and (hover:none){"),
    ],
)
def test_a_style_sheet_keeps_the_spaces_that_part_selectors_and_sums(line: str, sent: str) -> None:
    assert sent_text(line, ".css") == sent


@pytest.mark.parametrize("file", [file for file in FILES if file.suffix in (".js", ".css")], ids=lambda file: file.name)
def test_nothing_but_spaces_and_comments_is_left_out_of_a_file(file: Path) -> None:
    lines = file.read_text(encoding="utf-8").split("\n")
    sent = sent_content(file).decode().split("\n")
    assert len(sent) == len(lines)
    for before, after in zip(lines, sent, strict=True):
        told = re.sub(r"\s|;(?=\s*\})", "", before if after else "")
        assert told.startswith(re.sub(r"\s", "", after)), before
        assert re.fullmatch(r";?(//.*)?", told[len(re.sub(r"\s", "", after)) :]), before


def test_an_attribute_goes_without_quotes_where_it_can() -> None:
    line = '  <rect class="a b" width="9" d="M1 2" data-x=""><rect height="9"/>'
    assert sent_text(line, ".html") == '<rect class="a b" width=9 d="M1 2" data-x=""><rect height="9"/>'


@pytest.mark.parametrize("after", ["(b);", "[b] = c;", "`b`;", "/b/.test(c);", "+b;", "in b;", "*b() {}", ""])
def test_a_semicolon_stays_where_the_next_line_might_go_on_with_its_own(after: str) -> None:
    assert sent_text(f"a;\n\n{after}", ".js").startswith("a;\n\n")


@pytest.mark.parametrize("after", ["b();", "}", "const b = 1;", "$b.c;", "index();"])
def test_a_semicolon_goes_where_the_next_line_cannot_go_on_with_its_own(after: str) -> None:
    assert sent_text(f"a;\n\n{after}", ".js").startswith("a\n\n")


def test_what_ends_with_the_next_one_or_its_parent_is_not_ended_twice() -> None:
    line = "<ul><li>a</li><li><p>b</p></li></ul><select><option>c</option></select>"
    assert sent_text(line, ".html") == "<ul><li>a<li><p>b</p></ul><select><option>c</select>"


@pytest.mark.parametrize("kind", [".svg", ".json", ".png"])
def test_other_kinds_are_sent_as_they_are(kind: str) -> None:
    assert sent_text(SOURCE, kind) == SOURCE


@given(st.lists(st.sampled_from(["  a;", "// b", "/* c", " * d", "*/", "/* e */", "", "\tf(`g`)"])))
def test_what_is_sent_is_every_line_or_nothing_in_its_place(lines: list[str]) -> None:
    sent = sent_text("\n".join(lines), ".js").split("\n")
    assert len(sent) == max(1, len(lines))
    assert all(
        line in ("", before.strip(), before.strip().rstrip(";"), "*d")
        for line, before in zip(sent, lines or [""], strict=True)
    )


@pytest.mark.parametrize(
    ("kind", "text"),
    [
        (".js", "const a = `one\n  // two`;"),
        (".js", "const a = 'one\\\n  two';"),
        (".js", "while (a(b));\nc();"),
        (".js", "if (a) b();\nelse;\nc();"),
        (".js", "a(); /* one\n  // two */ b();"),
        (".js", "/* one */ a();"),
        (".js", "/* one\n// two */ a();"),
        (".js", "const a = `\\``;"),
        (".js", "const a = `b ${c ? `d` : e}`;"),
        (".js", "const a = 'it\\'s\" b;"),
        (".js", "// one\u2028  a();"),
        (".css", "a { color: red; /* one\n b */ }"),
        (".html", "<pre>\n  a</pre>"),
        (".html", '<p title="one\n  two">'),
        (".html", "<script>"),
        (".html", '<p>a="b" is no attribute'),
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


def test_the_files_of_all_views_together_weigh_less_than_176_kb() -> None:
    """A phone that only trims gets a good part less than 150 kB (tests/system/page/test_page_sent.py counts it): the other
    views are fetched when they are opened. With these the page weighs more than 150 kB; this keeps it from growing."""
    assert 100_000 < sum(len(sent_content(file)) for file in FILES) < 176_000
