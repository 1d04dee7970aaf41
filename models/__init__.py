"""Pure statistics: arrays or polars frames in, frozen dataclasses or frames out.

No files, no clock, no warehouse, no global randomness: what is drawn takes a generator or a seed.
Km are km and days are days; where a module works in 10,000 km or in fractions of the arm's length,
it says so. Each room says what it is for, what goes in and comes out, and where to start reading.
Rooms import downwards only, from ``common`` up; DEVELOPERS.md draws who may import whom.
"""
