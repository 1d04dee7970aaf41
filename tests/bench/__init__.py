"""Benchmarks: ratios against general-purpose libraries and coverage tables, too slow for a test."""
