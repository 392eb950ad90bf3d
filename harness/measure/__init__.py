"""Readings, edges and the decision: numbers and judgement, no input or output."""
