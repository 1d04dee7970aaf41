"""The month's charts as SVG files, for reports."""

from collections.abc import Sequence

import vl_convert

from dashboards.page_data import PageData
from dashboards.sections import Section, sections
from dashboards.theme import NUMBER_FORMAT


def charts_svg(data: PageData, parts: Sequence[Section] | None = None) -> dict[str, bytes]:
    """Every chart of the page with its title in it, by file name (``wear-rates.svg``).

    ``parts`` are the page's sections where they have been made already.
    """
    return {
        f"{figure.key}.svg": vl_convert.vegalite_to_svg(
            figure.svg_spec(), format_locale=NUMBER_FORMAT
        ).encode()
        for section in (sections(data) if parts is None else parts)
        for figure in section.figures
    }
