"""The month's charts as SVG files, for reports."""

from collections.abc import Mapping, Sequence
from typing import Any

import vl_convert

from dashboards.drawing.embedding import drawing_library
from dashboards.drawing.theme import NUMBER_FORMAT
from dashboards.page_data import PageData
from dashboards.sections import Section, sections


def charts_svg(data: PageData) -> dict[str, bytes]:
    """Every chart of the page with its title in it, by file name (``wear-rates.svg``)."""
    return drawn(svg_specs(sections(data)))


def svg_specs(parts: Sequence[Section]) -> dict[str, dict[str, Any]]:
    """The specification of every chart of the page's sections, by file name."""
    return {f"{figure.key}.svg": figure.svg_spec() for part in parts for figure in part.figures}


def start_drawing() -> str:
    """Start what draws before it is wanted, which takes seconds; returns the drawing library."""
    drawn({"": {"mark": "point", "data": {"values": [{}]}}})
    return drawing_library()


def drawn(specs: Mapping[str, dict[str, Any]]) -> dict[str, bytes]:
    """Charts drawn from their specifications."""
    return {
        name: vl_convert.vegalite_to_svg(spec, format_locale=NUMBER_FORMAT).encode()
        for name, spec in specs.items()
    }
