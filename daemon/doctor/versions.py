"""Versions: of Python, of this package, and of what it needs, against the bounds that the package itself declares."""

import platform
import re
import sys
from collections.abc import Callable, Iterator, Sequence
from importlib.metadata import PackageNotFoundError, requires, version

from .finding import Finding, in_the_way, note, well

PACKAGE = "peakwhite"
OLDEST_PYTHON = (3, 11)
_BOUND = re.compile(r"(>=|<=|==|!=|~=|<|>)\s*([0-9][0-9.]*)")
_NUMBER = re.compile(r"\d+")


def python_and_packages(
    declared: Callable[[str], Sequence[str] | None] = requires,
    installed: Callable[[str], str] = version,
    python: tuple[int, ...] = sys.version_info[:3],
) -> Iterator[Finding]:
    """Looks at all versions. `declared` and `installed` raise PackageNotFoundError."""
    if python[:2] < OLDEST_PYTHON:
        yield in_the_way("python", f"Python {platform.python_version()} is too old", "install Python 3.11 or newer")
    else:
        yield well("python", f"Python {'.'.join(map(str, python))}")
    try:
        own, needed = installed(PACKAGE), declared(PACKAGE) or ()
    except PackageNotFoundError:
        yield note("peakwhite", "it runs from a folder and is not installed, so that its needs cannot be looked up")
        return
    yield well("peakwhite", f"Peakwhite {own}")
    wrong = [told for line in needed if ";" not in line and (told := _what_is_wrong(line, installed))]
    if wrong:
        do = "install Peakwhite again, with pip or pipx, into an environment of its own"
        yield in_the_way("packages", ", ".join(wrong), do)
    else:
        yield well("packages", "all that it needs is there, in versions that it can use")


def _what_is_wrong(line: str, installed: Callable[[str], str]) -> str | None:
    """What is wrong with one need, such as `numpy>=2.0`; None where nothing is. Needs of extras are not looked at."""
    name = re.split(r"[^A-Za-z0-9._-]", line, maxsplit=1)[0]
    try:
        found = installed(name)
    except PackageNotFoundError:
        return f"{name} is missing"
    for sign, bound in _BOUND.findall(line):
        if not _holds(sign, _numbers(found), _numbers(bound)):
            return f"{name} is {found} and has to be {sign}{bound}"
    return None


def _holds(sign: str, found: tuple[int, ...], bound: tuple[int, ...]) -> bool:
    length = max(len(found), len(bound))
    left, right = (one + (0,) * (length - len(one)) for one in (found, bound))
    if sign == "~=":
        return left >= right and left[: len(bound) - 1] == right[: len(bound) - 1]
    return {
        ">=": left >= right,
        ">": left > right,
        "<": left < right,
        "<=": left <= right,
        "==": left == right,
        "!=": left != right,
    }[sign]


def _numbers(version: str) -> tuple[int, ...]:
    """`2.0.36` and the like; what follows a letter (`2.1rc1`) counts as reached, which is near enough for advice."""
    whole = re.match(r"[0-9.]*", version)
    return tuple(int(part) for part in _NUMBER.findall(whole[0] if whole else ""))
