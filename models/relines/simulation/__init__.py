"""Whole fleets drawn on through the months: totals, and scenarios in the same futures.

In: what is known of the fleet (``models.relines.fleet``), a scenario, a seed. Out: relines, money
and crossings of the minimum counted by draw, month and cell (depot x axle type x duty).

Shapes: draws x wheel ends in batches; what is shared is drawn once (fixed effects and policy per
fleet, use per unit), so a total's spread is right; the same random numbers serve every scenario.

Of a fleet above 4,000 wheel ends a part is simulated, another for every batch (``sampling``).

Start with ``simulate``; then ``draws``, ``state``, ``decide`` in the order of a month.
"""
