"""Readings from photos of a piece on the mat."""
