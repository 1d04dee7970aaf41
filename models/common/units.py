"""Units that several rooms count in."""

KM_PER_UNIT = 10_000.0
"""km to a unit of distance: rates are mm per 10,000 km."""
