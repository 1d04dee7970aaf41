"""Exports of one simulated fleet in forms that fleets keep, each beside its contract's form."""
