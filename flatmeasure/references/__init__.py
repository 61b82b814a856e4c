"""Squares and sheets of known size: found, checked, and located below a pixel."""
