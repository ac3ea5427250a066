"""The page's modules as they are sent: the first one and all that it imports as one, the others by themselves. Pure text.

A request takes a browser and the daemon some milliseconds each, and the first level waits for all of them. Joining is no
more than writing the modules one after the other without their imports, those first that others need: so no two of them
may have the same name at their top level (what is sent would not be understood, which tests/unit/daemon/test_sent_page.py
sees), and each import is written as `import { a, b } from "./other.js";` at a line's beginning.
"""

import re
from collections.abc import Mapping

_IMPORT = re.compile(r'^import \{[^}]*\} from "\./([^"]+)";\n', re.MULTILINE)
_FROM = re.compile(r'(?<=^import )(\{[^}]*\} from )"\./([^"]+)"', re.MULTILINE)


def joined(texts: Mapping[str, str], first: str) -> dict[str, str]:
    """What is sent under each module's name, of these texts by name, where `first` is what the page asks for.

    `first` carries all that it imports, exports included, under whose names nothing is sent any more; the others import from
    it what is in there.
    """
    parts = _needed(texts, first, [])

    def from_first(match: re.Match[str]) -> str:
        return f'{match[1]}"./{first if match[2] in parts else match[2]}"'

    whole = {first: "".join(_IMPORT.sub("", texts[name]) for name in parts)} if parts else {}
    return {name: _FROM.sub(from_first, text) for name, text in texts.items() if name not in parts} | whole


def _needed(texts: Mapping[str, str], name: str, found: list[str]) -> list[str]:
    """The names of the modules that this one needs, and at last its own, put to those found already."""
    if name in texts:
        for needed in _IMPORT.findall(texts[name]):
            if needed not in found:
                _needed(texts, needed, found)
        found.append(name)
    return found
