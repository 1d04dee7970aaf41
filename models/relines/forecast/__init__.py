"""Dates in closed form: when each lining reaches its minimum, and when it will be relined.

In: wear lines, km per day, days between visits, the fleet's policy. Out: probabilities by day and
their quantiles, per wheel end.

    L(x) = m - r x,  (m, r) = (m^, r^) + k (u - u^) + e

m in mm, x and r per 10,000 km, u the unit's effect shared by its linings; days from the as-of day.

Start with ``lines``, then ``minimum``, then ``relining``; ``from_wear`` makes lines of a wear fit.
"""
