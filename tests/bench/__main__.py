"""`python -m tests.bench [NAME …] [--json]`: each benchmark prints its figure, its yardstick and their ratio from one run."""

import argparse
import json
import sys
from importlib import import_module
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "helpers"))

BENCHMARKS = (
    "book",
    "fuzz",
    "kills",
    "line",
    "live",
    "load",
    "marks",
    "measure",
    "page",
    "profile",
    "reconnects",
    "soak",
    "start",
    "transfer",
    "truth",
)
LONG = ("book", "fuzz", "kills", "line", "load", "marks", "page", "profile", "reconnects", "soak", "start", "truth")
"""Run when named only: minutes, or a browser."""


def as_text(name: str, found: object) -> str:
    """Rows as a table, single figures a line each."""
    if isinstance(found, list) and found and isinstance(found[0], dict):
        table = [list(found[0]), *([str(value) for value in row.values()] for row in found)]
        widths = [max(len(cell) for cell in column) for column in zip(*table, strict=True)]
        lines = ["  ".join(f"{cell:>{width}}" for cell, width in zip(row, widths, strict=True)) for row in table]
        return "\n".join([name, *lines])
    if isinstance(found, dict):
        return "\n".join([name, *(f"  {key}: {value}" for key, value in found.items())])
    return f"{name}: {found}"


def main() -> None:
    """Run the benchmarks named, or all that are quick."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"of {', '.join(BENCHMARKS)}; by default all but {', '.join(LONG)}"
    )
    parser.add_argument("--all", action="store_true", help="every one of them: many hours, of which soak takes most")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of text")
    parser.add_argument("--small", action="store_true", help="truth at the size of CI, book at a twentieth")
    parser.add_argument("--seed", type=int, default=1, help="fuzz: which mutations; kills: when; soak: of the scope")
    parser.add_argument(
        "--count", type=int, help="how many; fuzz: mutations, soak: readings, a million by default; kills: 500"
    )
    parser.add_argument("--minutes", type=float, help="soak: end after so long, however many readings there were")
    arguments = parser.parse_args()
    unknown = [name for name in arguments.names if name not in BENCHMARKS]
    if unknown:
        parser.error(f"no benchmark '{unknown[0]}'; there are {', '.join(BENCHMARKS)}")
    counted = {"seed": arguments.seed} | ({} if arguments.count is None else {"count": arguments.count})
    options: dict[str, dict[str, float]] = {
        "book": {"small": arguments.small},
        "fuzz": counted,
        "kills": counted,
        "soak": counted | ({} if arguments.minutes is None else {"minutes": arguments.minutes}),
        "truth": {"small": arguments.small},
    }
    results: dict[str, object] = {}
    quick = [name for name in BENCHMARKS if arguments.all or name not in LONG]
    for name in arguments.names or quick:
        found = import_module(f"tests.bench.{name}").run(**options.get(name, {}))
        results.update(found)
        if not arguments.json:
            for key, value in found.items():
                print(as_text(key, value), flush=True)
    if arguments.json:
        print(json.dumps(results))


if __name__ == "__main__":
    main()
