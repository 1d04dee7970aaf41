"""What a workshop plans by: checks, hours, stock and visits.

In: forecasts, lives and habits. Out: how often to check, hours and parts by month, visits.

Start with ``visits``, then ``stock``, ``hours`` and ``checks``.
"""
