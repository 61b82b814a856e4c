"""The outline of the cloth, below a pixel, on the original pixels."""
