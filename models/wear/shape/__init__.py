"""Whether linings wear in a straight line, and a scale of thickness on which they do.

In: single readings of some units with km by duty, new linings and minima. Out: departures from the
line with their tests (``linearity``), how much faster linings wear at their minimum than new
(``thinning``), and thicknesses there and back (``scale``).
"""
