"""Corners of an outline and the fitted edges between them."""
