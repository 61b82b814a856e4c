"""What was found on pieces, in words and small tables for the terminal."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from flatmeasure.pieces.allowance import Seamed
from flatmeasure.pieces.darts import Cut
from flatmeasure.pieces.division import Division
from flatmeasure.pieces.edge_shapes import EdgeShape
from flatmeasure.pieces.levels import Level
from flatmeasure.pieces.matches import Match
from flatmeasure.pieces.mirror import Comparison, Fold
from flatmeasure.pieces.panel import Panel
from flatmeasure.pieces.rectangles import CutRectangle
from flatmeasure.pieces.strips import Strips
from flatmeasure.pieces.totals import Totals
from flatmeasure.quantity import Quantity
from flatmeasure.units import LengthUnit, format_length, format_quantity

MEANING = "± holds the true value in about 95 of 100 cases."
SURE = 2.0  # a deviation below so many u is no more than the measurement's own

Lines = Iterator[str]


@dataclass(frozen=True)
class Side:
    """Lengths of a piece's two sides between two levels."""

    from_mm: float
    to_mm: float
    start: Quantity
    end: Quantity


def piece_lines(
    panel: Panel,
    shapes: Sequence[EdgeShape],
    cuts: Sequence[Cut],
    sizes: tuple[Quantity, Quantity] | None,
    unit: LengthUnit,
) -> Lines:
    """A piece as it is."""
    area = format_quantity(panel.area, unit)
    yield f"Piece {panel.id}: {area}" + (f", {panel.layers} layers" if panel.layers > 1 else "")
    yield _table(
        ("edge", "name", "runs", "length", "chord", "depth", "tightest radius"),
        [
            (
                shape.id,
                shape.label,
                "straight" if shape.kind == "straight" else f"curve, {shape.bends}",
                format_quantity(shape.length, unit),
                *(("", "") if shape.kind == "straight" else (_q(shape.chord, unit), _q(shape.depth, unit))),
                _radius(shape, unit),
            )
            for shape in shapes
        ],
    )
    for cut in cuts:
        yield (
            f"{cut.kind.capitalize()} {'+'.join(cut.edges)} between {cut.beside[0]} and {cut.beside[1]}: "
            f"{_q(cut.intake, unit)} wide, {_q(cut.depth, unit)} deep, legs {_q(cut.legs[0], unit)} and "
            f"{_q(cut.legs[1], unit)}"
        )
    if panel.grain is None or sizes is None:
        yield "Grain: unknown (tell it with `flatmeasure piece note`)"
    else:
        yield (
            f"Grain from {panel.grain.source}: {_q(sizes[0], unit)} along, {_q(sizes[1], unit)} across"
            + ("" if panel.grain.confidence == 1.0 else f" (confidence {panel.grain.confidence:.0%})")
        )


def seamed_lines(panel: Panel, seamed: Seamed, unit: LengthUnit) -> Lines:
    """A piece with its allowances."""
    yield f"Piece {panel.id}: {_q(panel.area, unit)} before, {_q(seamed.area, unit)} at the new line"
    yield _table(
        ("edge", "name", "moved in by", "length", "new length"),
        [
            (
                edge.id,
                edge.label,
                format_length(edge.allowance_mm, unit),
                _q(edge.length, unit),
                _q(edge.new_length, unit) if edge.lines_mm else "none left",
            )
            for edge in seamed.edges
        ],
    )
    for eaten in seamed.eaten:
        yield f"Note: the allowances of {eaten.edges[0]} and {eaten.edges[1]} meet: the piece is too narrow there."
    if len(seamed.outlines_mm) != 1:
        yield f"Note: the allowances leave {len(seamed.outlines_mm) or 'no'} separate parts."


def level_lines(
    edge: str, found: tuple[Quantity, Sequence[Level], tuple[Level, Level]], sides: Sequence[Side], unit: LengthUnit
) -> Lines:
    """Height, widths at levels, and the widest and narrowest; lengths of the sides between levels."""
    height, levels, extremes = found
    yield f"From {edge} the piece reaches {_q(height, unit)}"
    rows = [(format_length(level.distance_mm, unit), *_level(level, unit), "") for level in levels]
    for level, word in zip(extremes, ("widest", "narrowest"), strict=True):
        rows.append((format_length(level.distance_mm, unit), *_level(level, unit), word))
    yield _table((f"from {edge}", "width", "cloth", ""), rows)
    for side in sides:
        yield (
            f"Sides from {format_length(side.from_mm, unit)} to {format_length(side.to_mm, unit)}: "
            f"{_q(side.start, unit)} at the start of {edge}, {_q(side.end, unit)} at its end"
        )


def division_lines(panel: Panel, division: Division, unit: LengthUnit) -> Lines:
    """A piece cut in parts."""
    cuts = ", ".join(_q(cut, unit) for cut in division.cuts)
    yield f"Piece {panel.id} cut over {cuts}"
    rows = [
        (part.id, _q(part.area, unit), ", ".join(f"{edge.id} {_q(edge.length, unit)}" for edge in part.edges))
        for part in division.parts
    ]
    yield _table(("part", "area", "edges"), rows)


def rectangle_line(panel: Panel, found: CutRectangle | None, unit: LengthUnit) -> Lines:
    """The largest rectangle of a piece."""
    if found is None:
        yield f"Piece {panel.id} has no usable cloth."
        return
    way = {"along": "along the grain", "across": "across the grain", "bias": "on the bias"}[found.direction]
    yield f"Piece {panel.id}: {_q(found.length, unit)} {way} by {_q(found.width, unit)}, {_q(found.area, unit)}"


def strip_lines(found: Strips, unit: LengthUnit) -> Lines:
    """Strips and the binding they make."""
    plan = found.plan
    yield f"{len(found.strips)} strips of {format_length(plan.width_mm, unit)} ({found.sure_count} for sure)"
    yield _table(("piece", "length"), [(strip.panel, _q(strip.length, unit)) for strip in found.strips])
    yield (
        f"Together {_q(found.total, unit)}; sewn end to end {_q(found.joined, unit)}; "
        f"area over width would say {_q(found.estimate, unit)}"
    )
    yield f"As double-fold binding {format_length(found.double_fold_mm, unit)} wide"


def fold_line(panel: Panel, fold: Fold, unit: LengthUnit) -> Lines:
    """How nearly a piece is symmetric."""
    own = fold.deviation.value <= SURE * fold.deviation.u
    verdict = "symmetric, as far as the measurement can tell" if own else f"symmetric within {_q(fold.deviation, unit)}"
    yield f"Piece {panel.id}: {verdict}; half of it, cut on the fold, has {_q(fold.half.area, unit)}"


def comparison_lines(first: Panel, second: Panel, found: Comparison, unit: LengthUnit) -> Lines:
    """One piece against another."""
    turned = " turned over" if found.mirrored else ""
    yield f"Piece {second.id}{turned} on piece {first.id}: at most {_q(found.deviation, unit)} apart"
    yield _table(
        ("edge", "name", f"{first.id} larger by", "at most by"),
        [(edge.id, edge.label, _q(edge.mean, unit), _q(edge.most, unit)) for edge in found.edges],
    )
    yield f"{first.id} has {_q(found.area, unit)} more than {second.id}"


def match_lines(matches: Sequence[Match], unit: LengthUnit) -> Lines:
    """Edges that may be sewn to each other."""
    if not matches:
        yield "No two edges of different pieces are near enough in length."
        return
    yield _table(
        ("edge", "of", "edge", "of", "longer by", ""),
        [
            (
                match.first.name,
                match.first.panel,
                match.second.name,
                match.second.panel,
                _q(match.difference, unit),
                f"ease {match.ease:.1%}" if match.ease else "same length",
            )
            for match in matches
        ],
    )


def total_lines(names: Sequence[str], totals: Totals, unit: LengthUnit) -> Lines:
    """How much cloth."""
    rows = [
        (
            name,
            piece.id,
            str(piece.layers),
            _q(piece.layer_area, unit),
            _q(piece.area, unit),
            "" if piece.complete else "cut off",
        )
        for name, photo in zip(names, totals.photos, strict=True)
        for piece in photo
    ]
    yield _table(("file", "piece", "layers", "one layer", "all layers", ""), rows)
    if len(names) > 1:
        for name, area in zip(names, totals.photo_areas, strict=True):
            yield f"{name}: {_q(area, unit)}"
    square_metres = f"{totals.area.value / 1e6:.4f} ± {2e-6 * totals.area.u:.4f} m²"
    yield f"Cloth in all: {_q(totals.area, unit)}, that is {square_metres}"
    yield (
        f"As much as {_q(totals.roll_length, unit)} of cloth {format_length(totals.roll_width_mm, unit)} wide "
        "(an amount: pieces laid out leave gaps)"
    )


def _q(quantity: Quantity, unit: LengthUnit) -> str:
    return format_quantity(quantity, unit)


def _radius(shape: EdgeShape, unit: LengthUnit) -> str:
    return "" if shape.radius_min is None else _q(shape.radius_min, unit)


def _level(level: Level, unit: LengthUnit) -> tuple[str, str]:
    spans = " + ".join(_q(span, unit) for span in level.spans) if len(level.spans) > 1 else ""
    return _q(level.width, unit), spans


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Rows in columns, those left out that are empty all through."""
    used = [k for k in range(len(head)) if any(row[k] for row in rows)]
    cells = [[row[k] for k in used] for row in (head, *rows)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return "\n".join("  ".join(map(str.ljust, row, widths)).rstrip() for row in cells)
