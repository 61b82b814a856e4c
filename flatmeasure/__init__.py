"""Areas and edge lengths of cloth from one photo, each with its uncertainty."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flatmeasure.allowance import apply_allowance, changed_panel
    from flatmeasure.cloth import find_cloth
    from flatmeasure.darts import find_cuts
    from flatmeasure.division import cut_parallel, divide
    from flatmeasure.edge_shapes import describe_edges
    from flatmeasure.errors import (
        ClothNotFound,
        FlatMeasureError,
        Note,
        OptionInvalid,
        PhotoUnreadable,
        PhotoUnusable,
        PieceUnreadable,
        ReferenceImplausible,
        ReferenceNotFound,
    )
    from flatmeasure.figures import Rectangle, Square
    from flatmeasure.grain import grain_from_edge, grain_sizes, see_grain
    from flatmeasure.hints import Hints
    from flatmeasure.levels import extreme_widths, width_at
    from flatmeasure.matches import edge_matches
    from flatmeasure.measurement import Corner, Edge, Measurement, Piece
    from flatmeasure.mirror import best_fold, compare
    from flatmeasure.overlay import draw_overlay
    from flatmeasure.panel import Grain, OutlineError, Panel
    from flatmeasure.panel_file import panel_from_outline, panels_from_dict, read_panels
    from flatmeasure.photo import Photo, load_photo
    from flatmeasure.piece_drawing import draw_pieces
    from flatmeasure.pipeline import measure
    from flatmeasure.quantity import Quantity
    from flatmeasure.rectangles import largest_rectangle
    from flatmeasure.rectification import Rectification, rectify
    from flatmeasure.regions import ClothRegion
    from flatmeasure.strips import StripPlan, place_strips
    from flatmeasure.totals import total_cloth

__version__ = "0.1.0"

# Public names and the module each lives in: loaded when first asked for (PEP 562), so that `flatmeasure --help` does
# not wait for the numerical libraries.
_HOME = {
    "ClothNotFound": "errors",
    "ClothRegion": "regions",
    "Corner": "measurement",
    "Edge": "measurement",
    "FlatMeasureError": "errors",
    "Grain": "panel",
    "Hints": "hints",
    "Measurement": "measurement",
    "Note": "errors",
    "OptionInvalid": "errors",
    "OutlineError": "panel",
    "Panel": "panel",
    "Photo": "photo",
    "PhotoUnreadable": "errors",
    "PhotoUnusable": "errors",
    "Piece": "measurement",
    "PieceUnreadable": "errors",
    "Quantity": "quantity",
    "Rectangle": "figures",
    "Rectification": "rectification",
    "ReferenceImplausible": "errors",
    "ReferenceNotFound": "errors",
    "Square": "figures",
    "StripPlan": "strips",
    "apply_allowance": "allowance",
    "best_fold": "mirror",
    "changed_panel": "allowance",
    "compare": "mirror",
    "cut_parallel": "division",
    "describe_edges": "edge_shapes",
    "divide": "division",
    "draw_overlay": "overlay",
    "draw_pieces": "piece_drawing",
    "edge_matches": "matches",
    "extreme_widths": "levels",
    "find_cloth": "cloth",
    "find_cuts": "darts",
    "grain_from_edge": "grain",
    "grain_sizes": "grain",
    "largest_rectangle": "rectangles",
    "load_photo": "photo",
    "measure": "pipeline",
    "panel_from_outline": "panel_file",
    "panels_from_dict": "panel_file",
    "place_strips": "strips",
    "read_panels": "panel_file",
    "rectify": "rectification",
    "see_grain": "grain",
    "total_cloth": "totals",
    "width_at": "levels",
}

__all__ = [
    "ClothNotFound",
    "ClothRegion",
    "Corner",
    "Edge",
    "FlatMeasureError",
    "Grain",
    "Hints",
    "Measurement",
    "Note",
    "OptionInvalid",
    "OutlineError",
    "Panel",
    "Photo",
    "PhotoUnreadable",
    "PhotoUnusable",
    "Piece",
    "PieceUnreadable",
    "Quantity",
    "Rectangle",
    "Rectification",
    "ReferenceImplausible",
    "ReferenceNotFound",
    "Square",
    "StripPlan",
    "apply_allowance",
    "best_fold",
    "changed_panel",
    "compare",
    "cut_parallel",
    "describe_edges",
    "divide",
    "draw_overlay",
    "draw_pieces",
    "edge_matches",
    "extreme_widths",
    "find_cloth",
    "find_cuts",
    "grain_from_edge",
    "grain_sizes",
    "largest_rectangle",
    "load_photo",
    "measure",
    "panel_from_outline",
    "panels_from_dict",
    "place_strips",
    "read_panels",
    "rectify",
    "see_grain",
    "total_cloth",
    "width_at",
]


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module 'flatmeasure' has no attribute {name!r}")
    return getattr(import_module(f"flatmeasure.{_HOME[name]}"), name)
