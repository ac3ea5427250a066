"""The page's modules as they are sent: each that is fetched by itself as one with all that it needs. Pure text.

A request takes a browser and the daemon some milliseconds each, and the first level waits for all of them. So the module
that the page asks for goes as one with all that it imports; and so does every other one that no module imports, but which
is fetched by `import("./a.js")`, with what the first does not carry already. Their bodies stand in one function, those
first that others need: there the minifier shortens the names of their top level too (see sent_text.py). What is exported
is what the fetched module exports itself, and of the first what those fetched later import.

No two modules that go together may have the same name at their top level, and none may be in two of what is sent, which
tests/unit/daemon/test_sent_page.py holds. Each import is written as `import { a, b } from "./other.js";` and each export as
`export const`, `export function` or `export class`, at a line's beginning.
"""

import re
from collections.abc import Iterable, Mapping

_IMPORT = re.compile(r'^import \{([^}]*)\} from "\./([^"]+)";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:const|function|class) (\w+))", re.MULTILINE)


def joined(texts: Mapping[str, str], first: str) -> dict[str, str]:
    """What is sent under each module's name, of these texts by name, where `first` is what the page asks for.

    Nothing is sent any more under the name of a module that another one carries.
    """
    at_first = _needed(texts, first, [])
    imported = {name for text in texts.values() for _, name in _IMPORT.findall(text)}
    fetched = [name for name in texts if name not in imported and name != first]
    later = {name: [part for part in _needed(texts, name, []) if part not in at_first] for name in fetched}
    asked = {name for parts in later.values() for name in _imported(texts, parts, of=at_first)}
    wholes = {name: _whole(texts, parts, at_first, first, _exported(texts[name])) for name, parts in later.items()}
    if at_first:
        wholes[first] = _whole(texts, at_first, [], first, asked)
    return wholes


def _needed(texts: Mapping[str, str], name: str, found: list[str]) -> list[str]:
    """The names of the modules that this one needs, and at last its own, put to those found already."""
    if name in texts:
        for _, needed in _IMPORT.findall(texts[name]):
            if needed not in found:
                _needed(texts, needed, found)
        found.append(name)
    return found


def _whole(texts: Mapping[str, str], parts: list[str], at_first: list[str], first: str, exported: Iterable[str]) -> str:
    """One module of all these, which has the names that they import of what goes at first, and exports those."""
    names = ", ".join(sorted(exported))
    needed = ", ".join(sorted(_imported(texts, parts, of=at_first)))
    start = f'import {{ {needed} }} from "./{first}";\n' if needed else ""
    body = "".join(_EXPORT.sub("", _IMPORT.sub("", texts[name])) for name in parts)
    return f"{start}export const {{ {names} }} = (() => {{\n{body}return {{ {names} }};\n}})();\n"


def _imported(texts: Mapping[str, str], parts: list[str], *, of: list[str]) -> set[str]:
    found = (names for part in parts for names, name in _IMPORT.findall(texts[part]) if name in of)
    return {name.strip() for names in found for name in names.split(",") if name.strip()}


def _exported(text: str) -> list[str]:
    return _EXPORT.findall(text)
