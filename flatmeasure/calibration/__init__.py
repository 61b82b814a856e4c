"""Squares to print, and the calibration of a lens."""
