"""Benchmarks: python -m bench.NAME prints figures."""
