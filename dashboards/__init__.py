"""The month's page and its charts: frames in, one self-contained file out."""

from dashboards.page_data import Fleet, PageData
from dashboards.svg import charts_svg

__all__ = ["Fleet", "PageData", "charts_svg"]
