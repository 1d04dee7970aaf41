"""The words and ranges of the lake's columns that more than its schemas go by.

They stand apart from ``contract``, so that settings, and with them every command, start without the
library of schemas.
"""

SIDES = ("L", "R")
RETURN_TESTS = ("pass", "fail")
CAP_STATES = ("seated", "open", "missing")
ACTIONS = ("reline", "adjuster_replaced", "adjuster_set", "greased", "drum_replaced", "other")
REASONS = ("failed", "worn", "planned", "damaged", "other")

# No axle load, arm or vehicle outgrows these; they catch wrong columns and wrong units.
MAX_ARM_MM = 400.0
MIN_ARM_MM = 50.0
MAX_ODOMETER_KM = 10_000_000.0
MAX_LINING_NEW_MM = 60.0
MIN_LINING_NEW_MM = 4.0


def counted(n: int, one: str) -> str:
    """
    >>> counted(1, "row"), counted(1536, "row"), counted(0, "file")
    ('1 row', '1,536 rows', '0 files')
    """
    return f"{n:,} {one}{'' if n == 1 else 's'}"
