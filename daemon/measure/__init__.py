"""Pure functions over arrays: from a capture's codes to levels with their uncertainty. No I/O, no clock, no thread."""
