"""Pattern pieces as parts for boards, one by one or two at once.

In two layers cut together (right sides together, as cloth is folded) a piece comes out with its mirror image. So the
two pieces of a pair, or two copies of a piece that is its own mirror image, may be a single part there. Where doubled
and single cloth lie side by side, some of these *twins* are cut together and the others one by one from single cloth;
`lays` gives the ways to try, those with most cut together first.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

from shapely import affinity
from shapely.geometry import Polygon

from flatmeasure.enough.boards import Board, Face, LayRules, separate_layers
from flatmeasure.enough.parts import Part, Stance, make_stance
from flatmeasure.enough.pattern import PatternPiece, Turns

ANY_TILTS_DEG = (0.0, 45.0, 22.5, 67.5)  # beside quarter turns, of a piece that may lie anyhow
BETWEEN_QUARTERS_DEG = 45.0
TILT_SHARES = (0.0, 1.0, -1.0)  # of the grain's tolerance, that are tried
MIRROR_MM = 0.1  # a piece is its own mirror image when on the whole its outline is no farther from it
FULLEST = 0.92  # of the cloth's area: fuller layouts are not hoped for
MOST_LAYS = 4  # ways of dividing twins between doubled and single cloth
ALL_DIVISIONS = 8  # up to so many twins every division is looked at


@dataclass(frozen=True, eq=False)
class Unit:
    """A piece to cut, or the two of a pair.

    Attributes
    ----------
    piece : PatternPiece
    copies : tuple of int
        One or two, from 1 on.
    hands : tuple of bool
        Of each copy, whether it is the mirror image.
    """

    piece: PatternPiece
    copies: tuple[int, ...]
    hands: tuple[bool, ...]

    @property
    def twins(self) -> bool:
        """Whether two layers cut together give both."""
        return len(self.hands) == 2

    @property
    def name(self) -> str:
        """Of both together."""
        numbers = " and ".join(str(copy) for copy in dict.fromkeys(self.copies))
        return f"{self.piece.name} {numbers}" if self.piece.count > 1 else self.piece.name


@dataclass(frozen=True, eq=False)
class Lay:
    """Boards, and the units that are cut from two layers at once.

    Attributes
    ----------
    boards : tuple of Board
    together : frozenset of int
        Indices into `units_of` the pieces.
    """

    boards: tuple[Board, ...]
    together: frozenset[int] = frozenset()


def units_of(pieces: Sequence[PatternPiece]) -> tuple[Unit, ...]:
    """Every copy of every piece; twins as one."""
    units: list[Unit] = []
    for piece in pieces:
        copies = range(1, piece.count + 1)
        if piece.pair:
            units += [Unit(piece, (copy, copy), (False, True)) for copy in copies]
        elif piece.count > 1 and _is_own_mirror(piece):
            twos = [tuple(copies[k : k + 2]) for k in range(0, piece.count, 2)]
            units += [Unit(piece, two, (False,) * len(two)) for two in twos]
        else:
            units += [Unit(piece, (copy,), (False,)) for copy in copies]
    return tuple(units)


def lays(pieces: Sequence[PatternPiece], boards: Sequence[Board]) -> Iterator[Lay]:
    """Ways to cut pieces from boards: layers together as far as can be, and at last every layer by itself.

    The last allows all that the others do, so a proof that it is not enough is one for all.
    """
    doubled = [board for board in boards if board.layers == 2]
    if doubled:
        single = [board for board in boards if board.layers == 1]
        rooms = [sum(board.cloth.area for board in some) for some in (doubled, single)]
        for together in _divisions(units_of(pieces), rooms[0], rooms[1]):
            yield Lay(tuple(boards), together)
    yield Lay(separate_layers(boards))


def _divisions(units: Sequence[Unit], doubled_mm2: float, single_mm2: float) -> list[frozenset[int]]:
    """Twins to cut together, most first; of as many, the set that fills both kinds of cloth most evenly."""
    twins = sorted((i for i, unit in enumerate(units) if unit.twins), key=lambda i: (-units[i].piece.cut.area, i))
    if not twins:
        return [frozenset()]
    areas = {i: units[i].piece.cut.area for i in twins}

    def fullness(together: Sequence[int]) -> float:
        apart = sum(2.0 * areas[i] for i in twins if i not in together)
        return max(sum(areas[i] for i in together) / doubled_mm2, apart / single_mm2)

    found = [frozenset(twins)]
    for count in range(len(twins) - 1, -1, -1) if single_mm2 else []:
        every = combinations(twins, count) if len(twins) <= ALL_DIVISIONS else iter([twins[:count], twins[-count:]])
        best = min((tuple(one) for one in every), key=lambda one: (fullness(one), one))
        if fullness(best) <= FULLEST:
            found.append(frozenset(best))
    return found[:MOST_LAYS]


def make_parts(pieces: Sequence[PatternPiece], lay: Lay, rules: LayRules) -> tuple[Part, ...]:
    """Every copy of every piece as a part.

    Twins cut together are a single part, for boards of two layers only; other twins are two parts, for single boards
    only where there are any of two layers. A piece without a twin may be cut from either.
    """
    parts: list[Part] = []
    stances = {id(piece): [_stances(piece, hand, rules) for hand in (False, True)] for piece in pieces}
    has_doubled = any(board.layers == 2 for board in lay.boards)
    for i, unit in enumerate(units_of(pieces)):
        piece, hands = unit.piece, stances[id(unit.piece)]
        tilt = BETWEEN_QUARTERS_DEG if piece.turns is Turns.ANY else rules.tolerance_deg
        only = (2 if i in lay.together else 1) if unit.twins and has_doubled else None
        value = float(piece.cut.area) / 100.0 if piece.value is None else piece.value
        for copy, mirrored in list(zip(unit.copies, unit.hands, strict=True))[: 1 if i in lay.together else None]:
            choices, further = (
                tuple(_choices(board, used, len(hands[0]), only) for board in lay.boards)
                for used in (len(piece.turns_deg()), len(hands[0]))
            )
            parts.append(
                Part(
                    name=unit.name if i in lay.together else _name(piece, copy, mirrored),
                    stances=hands[mirrored] + hands[not mirrored],
                    value=value * (2.0 if i in lay.together else 1.0),
                    choices=choices,
                    further=further,
                    tilt_deg=tilt,
                    kind=piece.name,
                    copy=copy,
                    hands=unit.hands if i in lay.together else (mirrored,),
                )
            )
    return tuple(parts)


def _choices(board: Board, used: int, count: int, only_layers: int | None) -> tuple[int, ...]:
    """Stances on a board: those of the part's own hand, and of the other where the cloth has no wrong side."""
    if only_layers is not None and board.layers != only_layers:
        return ()
    own, turned_over = tuple(range(used)), tuple(range(count, count + used))
    return own + turned_over if board.layers == 2 or board.face is Face.BOTH else own


def _stances(piece: PatternPiece, mirrored: bool, rules: LayRules) -> tuple[Stance, ...]:
    within = tuple(share * rules.tolerance_deg for share in TILT_SHARES) if rules.tolerance_deg else (0.0,)
    tilts = ANY_TILTS_DEG if piece.turns is Turns.ANY else within
    return tuple(
        make_stance(piece.cut, turn + tilt, mirrored, rules.clearance_mm, piece.finished)
        for tilt in tilts
        for turn in piece.turns_deg()
    )


def _is_own_mirror(piece: PatternPiece) -> bool:
    """Whether its mirror image is the same piece, in some turn it may have."""
    cut = piece.cut
    turns = dict.fromkeys((turn - piece.turns_deg()[0]) % 360.0 for turn in piece.turns_deg())
    return any(
        cut.symmetric_difference(_centred_on(cut, affinity.rotate(affinity.scale(cut, -1.0, 1.0), turn))).area
        < MIRROR_MM * cut.length
        for turn in turns
    )


def _centred_on(place: Polygon, shape: Polygon) -> Polygon:
    (x, y), (x0, y0) = place.centroid.coords[0], shape.centroid.coords[0]
    return affinity.translate(shape, x - x0, y - y0)


def _name(piece: PatternPiece, copy: int, mirrored: bool) -> str:
    number = f" {copy}" if piece.count > 1 else ""
    return piece.name + number + (", mirrored" if mirrored else "")
