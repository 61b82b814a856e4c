"""The stash: the pieces of measurements in the database."""

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, and_, delete, insert, select, update

from service.database import Database
from service.paging import after, matching
from service.problems import missing
from service.tables import measurements, pieces


class PieceStore:
    """The stash: pieces of the latest revision of every measurement, those left out that a person took away."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def page(self, words: str | None, limit: int, cursor: str | None) -> list[Mapping[str, Any]]:
        """Up to ``limit`` pieces, those of the newest measurements first."""
        c = pieces.c
        query = select(pieces, measurements.c.name.label("measurement_name")).join(measurements)
        query = matching(query.where(c.hidden.is_(False)), c.search, words)
        query = after(query, (c.created, c.measurement, c.piece), cursor).limit(limit)
        with self._database.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def get(self, measurement: str, piece: str) -> Mapping[str, Any]:
        """One piece.

        Raises
        ------
        Problem
            404 when there is none, or it was taken away.
        """
        query = select(pieces, measurements.c.name.label("measurement_name")).join(measurements)
        query = query.where(_is(measurement, piece), pieces.c.hidden.is_(False))
        with self._database.reading() as connection:
            row = connection.execute(query).mappings().one_or_none()
        if row is None:
            raise missing("piece")
        return dict(row)

    def hide(self, measurement: str, piece: str) -> None:
        """Take a piece away from the stash; its measurement keeps it.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.writing() as connection:
            done = connection.execute(
                update(pieces).where(_is(measurement, piece), pieces.c.hidden.is_(False)).values(hidden=True)
            )
            if done.rowcount == 0:
                raise missing("piece")


def piece_words(piece: dict[str, Any]) -> str:
    """What a piece is found by: its name and its edges' labels."""
    return " ".join([piece.get("name") or "", *piece.get("labels", {}).values()])


def write_pieces(connection: Connection, measurement: Mapping[str, Any], document: dict[str, Any]) -> None:
    """Put the pieces of a measurement (``id``, ``name``, ``created``) in place of the old ones; hidden ones stay so."""
    of_it = pieces.c.measurement == measurement["id"]
    hidden = set(connection.scalars(select(pieces.c.piece).where(of_it, pieces.c.hidden)))
    connection.execute(delete(pieces).where(of_it))
    rows: Sequence[dict[str, Any]] = [
        {
            "measurement": measurement["id"],
            "piece": piece["id"],
            "created": measurement["created"],
            "hidden": piece["id"] in hidden,
            "search": f"{measurement['name']} {piece_words(piece)}".lower(),
            "summary": json.dumps(_summary(piece)),
        }
        for piece in document["pieces"]
    ]
    if rows:
        connection.execute(insert(pieces), rows)


def _is(measurement: str, piece: str) -> ColumnElement[bool]:
    return and_(pieces.c.measurement == measurement, pieces.c.piece == piece)


def _summary(piece: dict[str, Any]) -> dict[str, Any]:
    wanted = ("name", "area", "perimeter", "along", "across", "complete", "outline_mm", "holes_mm", "layers", "grain")
    return {field: piece.get(field) for field in wanted}
