"""The month's page and its charts: frames in, one self-contained file out."""

from dashboards.drawing.svg import charts_svg
from dashboards.page_data import Fleet, PageData

__all__ = ["Fleet", "PageData", "charts_svg"]
