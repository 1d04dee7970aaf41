"""The records written as a fleet's files: each depot's own layout, and errors put in on purpose.

In: a `SimulatedFleet`. Out: a folder of files, and a list of every error put in. Start with
`lake`.
"""
