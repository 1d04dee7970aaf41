"""The month's charts as SVG files, for reports."""

import vl_convert

from dashboards.page_data import PageData
from dashboards.sections import sections
from dashboards.theme import NUMBER_FORMAT


def charts_svg(data: PageData) -> dict[str, bytes]:
    """Every chart of the page with its title in it, by file name (``wear-rates.svg``)."""
    return {
        f"{figure.key}.svg": vl_convert.vegalite_to_svg(
            figure.svg_spec(), format_locale=NUMBER_FORMAT
        ).encode()
        for section in sections(data)
        for figure in section.figures
    }
