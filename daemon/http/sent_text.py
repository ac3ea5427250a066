"""What of a page file's text is sent: no comments, no indentation, every line still on its own line. Pure text.

It looks at whole lines only and knows no grammar, so it is right only for files that are written for it; `unfit` names the
lines that are not. tests/unit/daemon/test_sent_page.py holds it over every file of the page.
"""

import re

COMMENTED = {".js", ".mjs", ".css"}
INDENTED = COMMENTED | {".html"}
_SCRIPTS = {".js", ".mjs"}


def sent_text(text: str, kind: str) -> str:
    """The text with comment-only lines empty and leading white space dropped; `kind` is the file's suffix.

    Line numbers stay true. A file of a kind that is not listed above is sent as it is.
    """
    if kind not in INDENTED:
        return text
    lines = [line.lstrip(" \t") for line in text.split("\n")]
    if kind in COMMENTED:
        lines = ["" if comment else line for line, comment in zip(lines, _comments(lines, kind), strict=True)]
    return "\n".join(lines)


def unfit(text: str, kind: str) -> list[str]:
    """The lines that `sent_text` might misread: where strings or templates go on over a line's end, or comments begin or
    end beside code. Cautious: it refuses some that are harmless."""
    if kind not in INDENTED:
        return []
    lines = [line.lstrip(" \t") for line in text.split("\n")]
    comments = _comments(lines, kind)
    return [line for line, comment in zip(lines, comments, strict=True) if not _is_fit(line, kind, comment=comment)]


def _comments(lines: list[str], kind: str) -> list[bool]:
    """Whether each line is nothing but comment, or part of a block that begins a line."""
    found, inside = [], False
    for line in lines:
        begins = not inside and line.startswith("/*")
        found.append(inside or begins or (kind in _SCRIPTS and line.startswith("//")))
        inside = (inside or begins) and "*/" not in line[2 * begins :]
    return found


def _is_fit(line: str, kind: str, *, comment: bool) -> bool:
    if re.search("[\r\u2028\u2029]", line):
        return False
    if kind == ".html":
        return line.count('"') % 2 == 0 and not re.search(r"<(pre|textarea|style|script(?![^>]*></script>))\b", line)
    if comment:
        return "*/" not in line or line.index("*/") == len(line.rstrip()) - 2
    closed = line.count("`") % 2 == 0 and "\\`" not in line and not line.endswith("\\")
    return closed and "/*" not in line and "*/" not in line
