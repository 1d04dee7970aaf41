"""What wheel ends cost over a distance, and units beside what their running explains.

In: costs and km by unit, wear rates, mean lives. Out: rates with 95 % limits, on record and in the
long run; each unit's factor over its expectation, raw and partially pooled.

Symbols: phi the scale of one job's cost, k the shape of the units' gamma law.

Start with ``rates``, then ``units``; ``ahead`` is the long run.
"""
