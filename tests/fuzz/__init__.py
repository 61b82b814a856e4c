"""Fuzzing of everything that reads what a stranger wrote."""
