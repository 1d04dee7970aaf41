"""How the use of all units went together: changes that last, stretches of other use that ended,
and what forecasts take of them.

In: rows of ``reduce.unit_usage`` and the as-of day. Out: ``UseChange`` (``change``), ``UseStretch``
(``stretch``), and both as a factor by day, ``UseCourse`` (``factor``). Start reading at ``found``.
"""
