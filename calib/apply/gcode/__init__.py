"""Corrections put into sliced G-code, block by block, in memory that does not grow with the file."""
