"""Sequences: steps, loading, and their review against panel and bench."""
