"""The lengths of memory of the older Siglent dialect, by the words that set them."""

DEPTHS = {"14K": 14_000, "140K": 140_000, "1.4M": 1_400_000, "14M": 14_000_000}
SHARED_DEPTHS = {"7K": 7_000, "70K": 70_000, "700K": 700_000, "7M": 7_000_000}
"""Memory; the latter where both channels of a pair are on, 1 with 2 or 3 with 4."""


def depth_for(points: int, channels_on: set[int]) -> str:
    """The smallest memory that holds `points`, or the largest there is."""
    depths = SHARED_DEPTHS if {1, 2} <= channels_on or {3, 4} <= channels_on else DEPTHS
    return next((word for word, depth in depths.items() if depth >= points), list(depths)[-1])
