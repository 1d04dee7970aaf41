"""The fleet drawn: who is in it, what wears and fails, what is done and read; and its truth.

In: `FleetParameters` and a seed. Out: a `SimulatedFleet`: records as people left them, and frames
of the truth. Start with `simulator`, which lets every unit's visits happen in order.
"""
