"""What of a page file's text is sent: no comments, no spaces that mean nothing, every line still on its own line. Pure text.

It looks at single lines, and at how the next one begins, and knows no grammar, so it is right only for files that are
written for it; `unfit` names the lines that are not. tests/unit/daemon/test_sent_page.py holds it over every file of the
page.
"""

import re
from functools import lru_cache

COMMENTED = {".js", ".mjs", ".css"}
INDENTED = COMMENTED | {".html"}
_SCRIPTS = {".js", ".mjs"}

# What is left as it is: strings, templates, regular expressions (a division has a space after its sign), comments beside code.
_LITERAL = re.compile(
    r"""("(?:[^"\\]|\\.)*"|'(?:[^'\\]|\\.)*'|`(?:[^`\\]|\\.)*`|//.*|/(?![ *])(?:[^/\\\[]|\\.|\[(?:[^\]\\]|\\.)*\])+/)"""
)
# Signs beside which spaces mean nothing: + and - where no other one stands beside ("a - -b" is not "a--b"), in CSS no sign
# that is a selector's.
_SCRIPT_SIGN = re.compile(r" *([=,;{}()?:<>&|*%!\[\]]) *|(?<![+-]) ([+/-]) (?![+-])")
_STYLE_SIGN = re.compile(r" *([,;{}/]) *|(?<=:) ")
# A semicolon that a browser puts there by itself: before a line that begins with a word or ends a block.
_ENDED = re.compile(r";(?=\n+(?!in\b|instanceof\b)[\w$}])")
# The head of a statement, whose semicolon would be all of its body.
_HEAD = re.compile(r"(?:\} *)?(?:else *)?(?:for|if|while)\b|(?:\} *)?else *;|;")
# Quotes that an attribute's value can do without, and ends of elements that the next one or the parent's ends as well.
_NEEDLESS = re.compile(r'(=)"([\w-]+)"(?=[ >])|</(?:li|dt|dd|option)>')


@lru_cache(maxsize=128)
def sent_text(text: str, kind: str) -> str:
    """The text without comments, indentation and the spaces beside signs; `kind` is the file's suffix.

    Line numbers stay true. A file of a kind that is not listed above is sent as it is. What was made is kept: the page is
    asked for again with every reload, and making it takes a tenth of a second.
    """
    if kind not in INDENTED:
        return text
    lines = [line.lstrip(" \t") for line in text.split("\n")]
    if kind in COMMENTED:
        pairs = zip(lines, _comments(lines, kind), strict=True)
        lines = ["" if comment else _squeezed(line, kind) for line, comment in pairs]
    else:
        lines = [_NEEDLESS.sub(r"\1\2", line) for line in lines]
    text = "\n".join(lines)
    return _ENDED.sub("", text) if kind in _SCRIPTS else text


def unfit(text: str, kind: str) -> list[str]:
    """The lines that `sent_text` might misread: where strings or templates go on over a line's end or lie in each other, or
    comments begin or end beside code. Cautious: it refuses some that are harmless."""
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


def _squeezed(line: str, kind: str) -> str:
    """The line without what means nothing to a browser: literals and code lie in it by turns."""
    code, literals = _parts(line, kind)
    if kind == ".css":
        code = [_STYLE_SIGN.sub(r"\1", part).replace(";}", "}") for part in code]
    else:
        code = [_SCRIPT_SIGN.sub(r"\1\2", part) for part in code]
        literals = ["" if literal.startswith("//") else literal for literal in literals]
        for n, literal in enumerate(literals):
            if literal[:1] in ('"', "'", "`"):
                code[n : n + 2] = code[n].rstrip(" "), code[n + 1].lstrip(" ")
    return "".join(part for pair in zip(code, [*literals, ""], strict=True) for part in pair).rstrip()


def _parts(line: str, kind: str) -> tuple[list[str], list[str]]:
    """The code of a line, and the literals that lie between its pieces."""
    parts = (_LITERAL if kind in _SCRIPTS else re.compile('("[^"]*")')).split(line)
    return parts[::2], parts[1::2]


def _is_fit(line: str, kind: str, *, comment: bool) -> bool:
    if re.search("[\r\u2028\u2029]", line):
        return False
    if kind == ".html":
        wrong = re.search(r"<(pre|textarea|style|script(?![^>]*></script>))\b", line)
        return line.count('"') % 2 == 0 and not wrong and '="' not in re.sub("<[^>]*>", "", line)
    if comment:
        return "*/" not in line or line.index("*/") == len(line.rstrip()) - 2
    code, literals = _parts(line, kind)
    closed = not re.search("[\"'`]", "".join(code)) and not line.endswith("\\") and "\\`" not in line
    flat = all(literal.count("{") == literal.count("}") for literal in literals if literal[0] == "`")
    return closed and flat and "/*" not in line and "*/" not in line and not _is_bodiless("".join(code).strip())


def _is_bodiless(line: str) -> bool:
    """Whether a line of code may be a statement without a body, such as `while (next());`."""
    if not line.endswith(";") or not (head := _HEAD.match(line)):
        return False
    depth = 0
    for at, sign in enumerate(line):
        depth += (sign == "(") - (sign == ")")
        if sign == ")" and depth == 0:
            return line[at + 1 :].strip() == ";"
    return head.end() == len(line)
