"""Measured pieces kept in files, and what is worked out from them."""
