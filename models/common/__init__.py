"""What every room of ``models`` may use: array types, distributions, sums by group, tests.

In and out: numbers and arrays, of whatever unit the caller has. Start with ``arrays``.
"""
