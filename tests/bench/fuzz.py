"""Fuzzing of the parsers, of a socket link and of the live socket of a whole demo, with a seed and a count: what was accepted, what was refused, how fast.

Ends with the input of the first defect of each parser, made as short as it goes, and with exit status 1.
"""

import random
import sys
import tempfile
import time
import warnings
from collections import Counter

from tests.bench.live import started

from fuzz_peer import Peer, converse, random_answers
from fuzzing import PARSERS, Defect, fuzz
from live_fuzz import fuzzed_live

COUNT = 1_000_000
CONVERSATIONS_PER_MILLION = 3_000


def run(seed: int = 1, count: int = COUNT) -> dict[str, object]:
    """So many mutations over all parsers, and for every 1,000 of them 3 conversations with a link and 3 with the live socket."""
    warnings.simplefilter("error")
    defects: list[str] = []
    rows = [_parsed(name, seed, round(count * parser.part), defects) for name, parser in PARSERS.items()]
    conversations = max(1, count * CONVERSATIONS_PER_MILLION // 1_000_000)
    rows.append(_conversed(seed, conversations, defects))
    rows.append(_live(seed, conversations, defects))
    for defect in defects:
        print(f"defect: {defect}", file=sys.stderr)
    if defects:
        raise SystemExit(1)
    return {f"fuzz with seed {seed}": rows}


def _parsed(name: str, seed: int, count: int, defects: list[str]) -> dict[str, object]:
    began_s = time.perf_counter()
    try:
        tally = fuzz(name, seed, count)
    except Defect as defect:
        defects.append(str(defect))
        return {"what": name, "inputs": count, "values": "", "refused": "", "s": "defect"}
    took_s = time.perf_counter() - began_s
    return {"what": name, "inputs": count, "values": tally.accepted, "refused": tally.refused, "s": f"{took_s:.1f}"}


def _conversed(seed: int, count: int, defects: list[str]) -> dict[str, object]:
    rng = random.Random(seed)
    peer = Peer()
    began_s, asked, values = time.perf_counter(), 0, 0
    try:
        for number in range(count):
            answers = random_answers(rng)
            try:
                values += converse(peer, answers)
            except AssertionError as error:
                defects.append(f"conversation {number} with seed {seed}: {answers!r}: {error!r}")
                break
            asked += len(answers)
    finally:
        peer.close()
    took_s = time.perf_counter() - began_s
    return {
        "what": "socket answers",
        "inputs": asked,
        "values": values,
        "refused": asked - values,
        "s": f"{took_s:.1f}",
    }


def _live(seed: int, count: int, defects: list[str]) -> dict[str, object]:
    began_s, codes = time.perf_counter(), Counter[int | None]()
    with (
        tempfile.TemporaryDirectory() as folder,
        started("peakwhite.daemon", "demo", "--port", "0", "--no-browser", state=folder) as (_, url),
    ):
        try:
            codes = fuzzed_live(url.strip(), seed, count)
        except AssertionError as error:
            defects.append(f"live socket with seed {seed}: {error!r} {getattr(error, '__notes__', '')}")
    return {
        "what": "live socket",
        "inputs": count,
        "values": "",
        "refused": codes.total(),
        "s": f"{time.perf_counter() - began_s:.1f}",
    }
