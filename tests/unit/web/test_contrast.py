"""The page's colours against each other, by the contrast ratio of WCAG 2.2 (1.4.3 and 1.4.11), in both schemes."""

import re
from importlib.resources import files
from pathlib import Path

import pytest

PAGE = Path(str(files("peakwhite.web"))) / "static"
TEXT = (
    ("ink", "ground"), ("ink", "plate"), ("ink", "steel"), ("ink", "leaf"),
    ("soft", "ground"), ("soft", "plate"), ("on-alarm", "alarm"), ("ground", "ink"), ("plate", "ink"),
    ("trace-red", "plate"), ("trace-green", "plate"), ("trace-blue", "plate"), ("trace-chroma", "plate"),
)  # fmt: skip
SHAPES = (
    ("over", "plate"),
    ("on-target", "plate"),
    ("dim", "plate"),
    ("too-low", "plate"),
    ("clamp", "plate"),
)
DIMMED = 0.55


def variables() -> dict[str, dict[str, str]]:
    """Names and values of the variables, light, and dark with what stays as it is."""
    found: dict[str, dict[str, str]] = {"light": {}, "dark": {}}
    for name in ("look.css", "line.css"):
        text = (PAGE / name).read_text(encoding="utf-8")
        for block in re.finditer(r"(@media \(prefers-color-scheme: dark\) \{\s*)?:root \{([^}]*)\}", text):
            found["dark" if block[1] else "light"] |= dict(
                re.findall(r"--([\w-]+): (#\w{6}|var\(--[\w-]+\));", block[2])
            )
    return {"light": resolved(found["light"]), "dark": resolved(found["light"] | found["dark"])}


def resolved(values: dict[str, str]) -> dict[str, str]:
    """With the value of the other in place of each that names another."""
    return {name: values[value[6:-1]] if value.startswith("var(") else value for name, value in values.items()}


def channels(colour: str) -> list[float]:
    return [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]


def luminance(colour: list[float]) -> float:
    """Relative luminance of an sRGB colour."""
    red, green, blue = (v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: list[float], other: list[float]) -> float:
    """Contrast ratio, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_on_its_ground_and_shapes_beside_it_have_enough_contrast(scheme: str) -> None:
    colours = variables()[scheme]
    ratios = {pair: contrast(*(channels(colours[name]) for name in pair)) for pair in (*TEXT, *SHAPES)}
    assert {pair: ratio for pair, ratio in ratios.items() if ratio < (4.5 if pair in TEXT else 3.0)} == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_number_that_is_dimmed_can_still_be_read_as_large_text(scheme: str) -> None:
    colours = variables()[scheme]
    ink, plate = channels(colours["ink"]), channels(colours["plate"])
    assert f"opacity: {DIMMED};" in (PAGE / "look.css").read_text(encoding="utf-8")
    assert contrast([DIMMED * i + (1 - DIMMED) * p for i, p in zip(ink, plate, strict=True)], plate) >= 3.0
