"""Camshaft geometry: what lining wear does to the camshaft and to the free stroke.

Common practice, no source: the camshaft turns about 90 degrees from new to worn-out lining.
"""

import numpy as np

from sample_lake.parameters import FloatArray


def cam_degrees_per_mm(
    cam_degrees: FloatArray, lining_new_mm: FloatArray, lining_min_mm: FloatArray
) -> FloatArray:
    """Camshaft turn per mm of lining and drum worn."""
    return cam_degrees / (lining_new_mm - lining_min_mm)


def stroke_growth_per_mm(arm_length_mm: FloatArray, degrees_per_mm: FloatArray) -> FloatArray:
    """Free stroke gained per mm worn when nothing is taken up, mm per mm.

    >>> float(stroke_growth_per_mm(np.array(150.0), np.array(90 / 12)).round(2))
    19.63
    """
    return arm_length_mm * np.radians(degrees_per_mm)
