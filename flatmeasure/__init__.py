"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatmeasure.cloth import find_cloth
    from flatmeasure.errors import (
        ClothNotFound,
        FlatMeasureError,
        Note,
        OptionInvalid,
        PhotoUnreadable,
        PhotoUnusable,
        ReferenceImplausible,
        ReferenceNotFound,
    )
    from flatmeasure.figures import Rectangle, Square
    from flatmeasure.hints import Hints
    from flatmeasure.measurement import Corner, Edge, Measurement, Piece
    from flatmeasure.overlay import draw_overlay
    from flatmeasure.photo import Photo, load_photo
    from flatmeasure.pipeline import measure
    from flatmeasure.quantity import Quantity
    from flatmeasure.rectification import Rectification, rectify
    from flatmeasure.regions import ClothRegion

__version__ = "0.1.0"

# Public names and the module each lives in: loaded when first asked for (PEP 562), so that `flatmeasure --help` does
# not wait for the numerical libraries.
_HOME = {
    "ClothNotFound": "errors",
    "ClothRegion": "regions",
    "Corner": "measurement",
    "Edge": "measurement",
    "FlatMeasureError": "errors",
    "Hints": "hints",
    "Measurement": "measurement",
    "Note": "errors",
    "OptionInvalid": "errors",
    "Photo": "photo",
    "PhotoUnreadable": "errors",
    "PhotoUnusable": "errors",
    "Piece": "measurement",
    "Quantity": "quantity",
    "Rectangle": "figures",
    "Rectification": "rectification",
    "ReferenceImplausible": "errors",
    "ReferenceNotFound": "errors",
    "Square": "figures",
    "draw_overlay": "overlay",
    "find_cloth": "cloth",
    "load_photo": "photo",
    "measure": "pipeline",
    "rectify": "rectification",
}

__all__ = [
    "ClothNotFound",
    "ClothRegion",
    "Corner",
    "Edge",
    "FlatMeasureError",
    "Hints",
    "Measurement",
    "Note",
    "OptionInvalid",
    "Photo",
    "PhotoUnreadable",
    "PhotoUnusable",
    "Piece",
    "Quantity",
    "Rectangle",
    "Rectification",
    "ReferenceImplausible",
    "ReferenceNotFound",
    "Square",
    "draw_overlay",
    "find_cloth",
    "load_photo",
    "measure",
    "rectify",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'flatmeasure' has no attribute {name!r}")
    return getattr(import_module(f"flatmeasure.{_HOME[name]}"), name)
