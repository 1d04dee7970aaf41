"""What a dated change did, and slow changes that nobody announced.

In: amounts over distances (or chances), by unit before and after a day, or by month. Out: what a
change multiplied a rate by, with interval and p; a chart with a stated rate of false alarms.

Symbols: a amounts, x distances, rho a ratio of rates.

Start with ``interrupted``, then ``course``.
"""
