"""Accuracy, coverage of the stated uncertainty, speed and memory: ``python -m tests.benchmarks``."""
