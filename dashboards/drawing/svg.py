"""The month's charts as SVG files, for reports.

A second process draws them: nothing here brings the library that charts are described with.
"""

from collections.abc import Mapping
from typing import Any

import vl_convert

from dashboards.drawing.embedding import drawing_library
from dashboards.drawing.theme import NUMBER_FORMAT


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
