"""The records written as a fleet's files: each depot's own layout, and errors put in on purpose.

In comes a `SimulatedFleet`; out comes a folder of files, and a list of every error put in. Begin
with `lake`.
"""
