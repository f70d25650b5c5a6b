"""Benchmarks: goals of speed live here, never in a timed test."""
