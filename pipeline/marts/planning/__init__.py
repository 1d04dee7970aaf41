"""Marts to plan from: parts, costs, changes, visits, stock and hours.

In: ``stage`` and ``reduce`` tables, fits and futures. Out: their rows of schema ``mart``, in mm, km
and the fleet's currency.

Start with ``schemas``, then ``parts``.
"""
