"""Fleets whose every habit is known and can be switched: what forecasts are judged against.

Nothing is shared with the sample lake's simulator but the contract's column names. ``lived`` draws
a fleet, ``write_lake`` writes what its workshop wrote down, and the fleet itself is asked for the
truth: every reline, every lining and stroke on any day, every failure.

All numbers are invented; where they resemble a real fleet's that is common practice, no source.
"""
