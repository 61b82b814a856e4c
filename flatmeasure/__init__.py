"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

from flatmeasure.cloth import find_cloth
from flatmeasure.hints import Hints
from flatmeasure.regions import ClothRegion

__version__ = "0.1.0"

__all__ = ["ClothRegion", "Hints", "find_cloth"]
