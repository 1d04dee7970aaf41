"""Invented fleets drawn with known truth, and how well judgements of them hit it."""
