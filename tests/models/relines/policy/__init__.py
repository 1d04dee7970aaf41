"""Tests of the fleet's policy that need drawn fleets: relines for the lining's age.

In: fleets drawn with and without such a rule. Out: whether it is found, and forecasts are right.
Start with ``test_ages``.
"""
