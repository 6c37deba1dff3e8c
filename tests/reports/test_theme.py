"""Contrast after WCAG 2.2 (text 4.5:1, graphics 3:1), distance of colours for every kind of colour vision."""

import itertools
import re
from importlib.resources import files

import numpy as np
import pytest
import wcag_contrast_ratio
from colorspacious import cspace_convert

from reports import theme

# Okabe and Ito 2002, as R's palette.colors(palette = "Okabe-Ito") prints them
OKABE_ITO = ["#000000", "#E69F00", "#56B4E9", "#009E73", "#F0E442", "#0072B2", "#D55E00", "#CC79A7"]
KINDS = [None, "deuteranomaly", "protanomaly", "tritanomaly"]


def _rgb(colour: str) -> tuple[float, ...]:
    return tuple(int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))


def _contrast(one: str, other: str) -> float:
    return float(wcag_contrast_ratio.rgb(_rgb(one), _rgb(other)))


def test_contrast_is_reckoned_as_wcag_does() -> None:
    # WCAG glossary's formula; greys either side of both limits
    assert _contrast("#767676", "#FFFFFF") == pytest.approx(4.542, abs=5e-4)
    assert _contrast("#949494", "#FFFFFF") == pytest.approx(3.033, abs=5e-4)


@pytest.mark.parametrize("colour", theme.LINES)
def test_lines_are_okabe_ito_and_reach_three_to_one(colour: str) -> None:
    assert colour in OKABE_ITO
    assert _contrast(colour, theme.PAPER) >= 3


@pytest.mark.parametrize("colour", [theme.INK, theme.INK_SOFT])
def test_text_reaches_four_and_a_half_to_one(colour: str) -> None:
    assert _contrast(colour, theme.PAPER) >= 4.5


def _palettes() -> dict[str, dict[str, str]]:
    """Named colours of the page by day and in the dark."""
    style = files("reports.templates").joinpath("page.css").read_text(encoding="utf-8")
    found = [dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block)) for block in re.findall(r":root \{([^}]*)\}", style)]
    return dict(zip(("light", "dark"), found, strict=True))


def test_page_names_all_its_colours() -> None:
    style = files("reports.templates").joinpath("page.css").read_text(encoding="utf-8")
    rules = re.sub(r":root \{[^}]*\}", "", style)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b(?=[ ;,)])", rules) == []
    assert _palettes()["light"].keys() == _palettes()["dark"].keys()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_colours_of_the_page_reach_their_contrast_on_its_grounds(scheme: str) -> None:
    # WCAG 2.2: 4.5 for text, 3 for marks and the edges of fields
    named = _palettes()[scheme]
    for ground in (named["paper"], named["tint"]):
        for name in ("ink", "soft", "link"):
            assert _contrast(named[name], ground) >= 4.5, (name, ground)
    for name in ("blue", "vermilion", "purple", "edge"):
        assert _contrast(named[name], named["paper"]) >= 3, name


def _in_the_dark(colour: str) -> str:
    """What the page's filter makes of a chart's colour: inverted, then hue turned by 180 degrees.

    Source of the matrix: W3C Filter Effects Module Level 1, 9.6 (from memory).
    """
    turned = np.array([[-0.574, 1.430, 0.144], [0.426, 0.430, 0.144], [0.426, 1.430, -0.856]])
    seen = np.clip(turned @ (1 - np.array(_rgb(colour))), 0, 1)
    return "#" + "".join(f"{round(255 * part):02X}" for part in seen)


def test_charts_keep_their_contrast_in_the_dark() -> None:
    ground = _in_the_dark(theme.PAPER)
    assert ground == "#000000"
    for colour in theme.LINES:
        assert _contrast(_in_the_dark(colour), ground) >= 3, colour
    for colour in (theme.INK, theme.INK_SOFT):
        assert _contrast(_in_the_dark(colour), ground) >= 4.5


@pytest.mark.parametrize("kind", KINDS)
def test_colours_stay_apart_for_every_colour_vision(kind: str | None) -> None:
    # Machado et al. 2009 at full severity, distance in CAM02-UCS; ten is plainly different
    space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100} if kind else "sRGB1"
    seen = [cspace_convert(np.clip(cspace_convert(_rgb(c), space, "sRGB1"), 0, 1), "sRGB1", "CAM02-UCS")
            for c in theme.LINES]  # fmt: skip
    distances = [float(np.linalg.norm(a - b)) for a, b in itertools.combinations(seen, 2)]
    assert min(distances) >= 10


def test_signals_differ_in_colour_shape_and_sign() -> None:
    marks = theme.SIGNALS.values()
    for what in ("colour", "shape", "sign"):
        assert len({getattr(mark, what) for mark in marks}) == len(theme.SIGNALS)
