"""The one look of everything drawn: colours, dashes, shapes and the charts' configuration.

Every colour pair that must be told apart also differs in lightness by 15 points of CIE L* or in
dash or shape, so that a grey print and colour-blind eyes lose nothing.
"""

from typing import Any

INK = "#1c2a2e"
SOFT = "#56656a"
RULE = "#ddd8cc"
PAPER = "#fffdf8"
DEEP = "#0c5460"  # estimates
PALE = "#a8cfd1"  # their intervals
RUST = "#a83f16"  # what needs a hand
SAND = "#ecc08d"  # its lighter half
CLAY = "#c56a33"  # between the two, where three must be told apart
HAZE = "#ece7db"  # bands and limits in force

SHAPES = ("circle", "diamond", "square", "triangle-up", "cross")

FONT = "'Liberation Sans', 'Helvetica Neue', Arial, sans-serif"

CONFIG: dict[str, Any] = {
    "background": None,
    "aria": False,
    "font": FONT,
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK,
        "titleColor": SOFT,
        "labelFontSize": 12,
        "titleFontSize": 12,
        "titleFontWeight": "normal",
        "domainColor": SOFT,
        "tickColor": SOFT,
        "gridColor": RULE,
        "labelLimit": 230,
        "titlePadding": 8,
    },
    "axisX": {"grid": False, "labelFlush": False, "labelOverlap": True, "labelSeparation": 6},
    "axisY": {"titleAngle": 0, "titleAlign": "left", "titleAnchor": "end", "titleY": -14},
    "axisXQuantitative": {"tickCount": 7},
    "axisYQuantitative": {"tickCount": 5},
    "legend": {
        "orient": "top",
        "title": None,
        "labelColor": INK,
        "labelFontSize": 12,
        "symbolStrokeWidth": 2,
        "labelLimit": 260,
    },
    "bar": {"fill": DEEP},
    "rule": {"stroke": DEEP},
    "point": {"filled": True, "fill": DEEP, "size": 70, "opacity": 1},
    "line": {"stroke": DEEP, "strokeWidth": 2},
    "area": {"fill": PALE, "opacity": 0.75},
    "tick": {"color": DEEP, "thickness": 3, "opacity": 1},
    "text": {"fill": INK, "fontSize": 12},
}

# Numbers on axes as in the text: a thin space between thousands.
NUMBER_FORMAT: dict[str, Any] = {
    "decimal": ".",
    "thousands": "\u202f",
    "grouping": [3],
    "currency": ["", ""],
    "minus": "\u2212",
}

# What the state is called on the page; the contract's name is kept for the fleet's own SQL.
STATE_WORDS = {
    "worn_out": "lining at its minimum",
    "stuck": "no take-up at all",
    "slackening": "not keeping up",
    "tightening": "taking up too much",
    "set_wrong": "set wrong",
    "uneven": "left and right apart",
    "not_seen": "not read lately",
    "in_band": "in band",
}
