"""Visits to come, drawn: each unit's for itself, and what a depot's units have in common."""
