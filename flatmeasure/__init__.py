"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

__version__ = "0.1.0"
