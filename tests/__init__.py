"""Tests in the same rooms as what they test; helpers that several rooms share stand here."""

from pathlib import Path

ROOT = Path(__file__).parents[1]
