"""Looks into the log beside an SQLite book: SQLite itself takes what follows a damaged place for never written.

Layout and checksum: section "The WAL File Format" of SQLite's documentation. Nothing is written, no lock is taken.
"""

import struct
from pathlib import Path
from typing import Any

import numpy as np

HEADER = struct.Struct(">8I")
"""Magic, version, page size, checkpoint, two salts, two sums."""
FRAME_BYTES = 24
"""Of a frame before its page: page, pages after a commit (0 within a transaction), two salts, two sums."""
MAGIC = 0x377F0682
"""Sums are of little-endian words; one more where they are of big-endian ones."""
PAGE_SIZES = frozenset(1 << power for power in range(9, 17))
MASK = 0xFFFF_FFFF


def log_of(book: Path) -> Path:
    """Where the log of a book is, while there is one."""
    return book.with_name(f"{book.name}-wal")


def log_is_there(book: Path) -> bool:
    """Whether there is a log that holds anything. Raises OSError."""
    try:
        return log_of(book).stat().st_size > 0
    except FileNotFoundError:
        return False


def log_damage(book: Path) -> str | None:
    """What is wrong with the log of a book, a clause; None where nothing is, or where there is none. Raises OSError.

    A log that is torn at its end is sound: what was written last was not acknowledged yet. But a transaction begins only
    once the one before is on the disk: where two were committed from a wrong frame on, the first of them was kept.
    """
    content = _content(log_of(book))
    if not any(content[: HEADER.size]):
        return None
    name = log_of(book).name
    magic, _, page_bytes, _, *salts_and_sums = HEADER.unpack(content[: HEADER.size].ljust(HEADER.size, b"\0"))
    if magic & ~1 != MAGIC or page_bytes not in PAGE_SIZES:
        return f"its log {name} cannot be read"
    count = (len(content) - HEADER.size) // (FRAME_BYTES + page_bytes)
    if count < 2:
        return None
    frames = np.frombuffer(content, np.uint8, count * (FRAME_BYTES + page_bytes), HEADER.size).reshape(count, -1)
    heads = np.ascontiguousarray(frames[:, :FRAME_BYTES]).view(">u4")
    is_ours = (heads[:, 2:4] == salts_and_sums[:2]).all(axis=1)
    order = ">u4" if magic & 1 else "<u4"
    header = np.frombuffer(content, order, (HEADER.size - 8) // 4).reshape(1, -1)
    sums = salts_and_sums[2:]
    sound = _agreeing(header, np.array([sums]), [0, 0])
    if sound:
        summed = np.concatenate((frames[:, :8], frames[:, FRAME_BYTES:]), axis=1).view(order)
        sound = _agreeing(summed, np.where(is_ours[:, None], heads[:, 4:6], -1), sums)
    if np.count_nonzero(is_ours[sound:] & (heads[sound:, 1] != 0)) < 2:
        return None
    return f"its log {name} is damaged at frame {sound + 1} of {count}: what was kept from there on cannot be read"


def _content(log: Path) -> bytes:
    """All of a log, nothing where there is none; one that was begun anew while it was read is read anew."""
    try:
        while True:
            content = log.read_bytes()
            with log.open("rb") as file:
                if file.read(HEADER.size) == content[: HEADER.size]:
                    return content
    except FileNotFoundError:
        return b""


def _agreeing(rows: Any, told: Any, sums: list[int]) -> int:
    """How many rows agree, up to the first that does not, with the sums that are `told`; each goes on from the one before.

    Words w0, w1 change the sums a, b to a + b + w0 and a + 2 b + w0 + w1 (modulo 2^32): after all m words of a row, word i
    counts F(m-1-i) times in a and F(m-i) times in b, with Fibonacci's numbers F.
    """
    words = rows.shape[1]
    fibonacci = [0, 1]
    while len(fibonacci) < words + 2:
        fibonacci.append((fibonacci[-1] + fibonacci[-2]) & MASK)
    counts = np.array([fibonacci[words - 1 :: -1][:words], fibonacci[words:0:-1]], np.uint32)
    added = rows.astype(np.uint32) @ counts.T
    below, at, above = fibonacci[words - 1 : words + 2]
    a, b = sums
    for number, ((add_a, add_b), wanted) in enumerate(zip(added.tolist(), told.tolist(), strict=True)):
        a, b = (below * a + at * b + add_a) & MASK, (at * a + above * b + add_b) & MASK
        if [a, b] != wanted:
            return number
    return len(rows)
