"""What wear and adjusters have cost, unit by unit, and what they will cost.

In: jobs with their costs, km and rates, in the fleet's currency. Out: rates per distance and money
ahead, with intervals.

Start with ``rates``, then ``units`` and ``ahead``.
"""
