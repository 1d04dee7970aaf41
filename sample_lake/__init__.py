"""A seeded simulator of an invented fleet."""

from sample_lake.lake import LakeOptions, write_lake
from sample_lake.parameters import FleetParameters
from sample_lake.records import SimulatedFleet
from sample_lake.simulator import simulate, simulate_chunks

__all__ = [
    "FleetParameters",
    "LakeOptions",
    "SimulatedFleet",
    "simulate",
    "simulate_chunks",
    "write_lake",
]
