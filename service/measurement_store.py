"""Measurements with their revisions."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from service.database import Database, new_id, now
from service.paging import after, matching
from service.piece_store import piece_words, write_pieces
from service.problems import Problem, changed_meanwhile, missing
from service.tables import measurements, revisions


@dataclass(frozen=True)
class Revision:
    """One state of a measurement.

    Attributes
    ----------
    what : str
        What made it, in a few words.
    request : dict
        All that leads from the photo to it: options, hints, references, corner corrections.
    document : dict
        The measurement with the notes on its pieces.
    """

    what: str
    request: dict[str, Any]
    document: dict[str, Any]


@dataclass(frozen=True)
class Stored:
    """A measurement at one of its revisions.

    Attributes
    ----------
    photo : str
        Digest of the photo.
    revision, latest : int
    version : int
        Grows with every change of any kind.
    history : tuple of dict
        Of all revisions: number, time and what made it.
    """

    id: str
    photo: str
    name: str
    created: str
    revision: int
    latest: int
    version: int
    history: tuple[dict[str, Any], ...]
    request: dict[str, Any]
    document: dict[str, Any]


class MeasurementStore:
    """Measurements in the database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def find(self, key: str) -> str | None:
        """The measurement of this photo and these options, if there is one."""
        with self._database.reading() as connection:
            return connection.scalar(select(measurements.c.id).where(measurements.c.key == key))

    def add(self, key: str, photo: str, name: str, first: Revision) -> str:
        """Keep a new measurement; the one there is already when another was faster."""
        row = {"id": new_id(), "key": key, "photo": photo, "name": name, "created": now()}
        try:
            with self._database.writing() as connection:
                connection.execute(
                    insert(measurements).values(**row, revision=1, version=1, **_described(name, first.document))
                )
                self._write_revision(connection, row["id"], 1, first)
                write_pieces(connection, row, first.document)
        except IntegrityError:
            found = self.find(key)
            if found is None:
                raise
            return found
        return row["id"]

    def add_revision(self, measurement: str, base: int, new: Revision) -> int:
        """Keep a new revision made from the latest one.

        Raises
        ------
        Problem
            409 when ``base`` is not the latest any more, 404 when the measurement is gone.
        """
        with self._database.writing() as connection:
            row = (
                connection.execute(select(measurements).where(measurements.c.id == measurement))
                .mappings()
                .one_or_none()
            )
            if row is None:
                raise missing("measurement")
            changed = connection.execute(
                update(measurements)
                .where(measurements.c.id == measurement, measurements.c.revision == base)
                .values(revision=base + 1, version=measurements.c.version + 1, **_described(row["name"], new.document))
            )
            if changed.rowcount == 0:
                raise outdated()
            self._write_revision(connection, measurement, base + 1, new)
            write_pieces(connection, dict(row), new.document)
        return base + 1

    def get(self, measurement: str, revision: int | None = None) -> Stored:
        """A measurement at a revision, the latest when None.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.reading() as connection:
            row = connection.execute(select(measurements).where(measurements.c.id == measurement)).one_or_none()
            if row is None:
                raise missing("measurement")
            number = row.revision if revision is None else revision
            of_it = revisions.c.measurement == measurement
            state = connection.execute(select(revisions).where(of_it, revisions.c.revision == number)).one_or_none()
            if state is None:
                raise missing("revision of this measurement")
            listed = select(revisions.c.revision, revisions.c.created, revisions.c.what)
            history = connection.execute(listed.where(of_it).order_by(revisions.c.revision)).mappings().all()
        return Stored(
            id=row.id,
            photo=row.photo,
            name=row.name,
            created=row.created,
            revision=number,
            latest=row.revision,
            version=row.version,
            history=tuple(dict(one) for one in history),
            request=json.loads(state.request),
            document=json.loads(state.document),
        )

    def page(self, words: str | None, limit: int, cursor: str | None) -> list[Mapping[str, Any]]:
        """Up to ``limit`` measurements, newest first."""
        c = measurements.c
        query = select(c.id, c.name, c.created, c.revision, c.summary)
        query = after(matching(query, c.search, words), (c.created, c.id), cursor).limit(limit)
        with self._database.reading() as connection:
            return [dict(row) for row in connection.execute(query).mappings()]

    def rename(self, seen: Stored, name: str) -> None:
        """Give a measurement another name.

        Raises
        ------
        Problem
            412 when it was changed since it was seen.
        """
        with self._database.writing() as connection:
            done = connection.execute(
                update(measurements)
                .where(measurements.c.id == seen.id, measurements.c.version == seen.version)
                .values(name=name, version=seen.version + 1, search=_searchable(name, seen.document))
            )
            if done.rowcount == 0:
                raise changed_meanwhile()
            write_pieces(connection, {"id": seen.id, "name": name, "created": seen.created}, seen.document)

    def uses(self, photo: str) -> bool:
        """Whether a measurement is of this photo."""
        query = select(measurements.c.id).where(measurements.c.photo == photo).limit(1)
        with self._database.reading() as connection:
            return connection.scalar(query) is not None

    def delete(self, measurement: str) -> str:
        """Delete a measurement and give its photo's digest.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.writing() as connection:
            photo = connection.scalar(select(measurements.c.photo).where(measurements.c.id == measurement))
            if photo is None:
                raise missing("measurement")
            connection.execute(delete(measurements).where(measurements.c.id == measurement))
        return str(photo)

    @staticmethod
    def _write_revision(connection: Connection, measurement: str, number: int, new: Revision) -> None:
        connection.execute(
            insert(revisions).values(
                measurement=measurement,
                revision=number,
                created=now(),
                what=new.what,
                request=json.dumps(new.request),
                document=json.dumps(new.document),
            )
        )


def outdated() -> Problem:
    """A revision made from one that is not the latest."""
    return Problem(
        409, "revision-outdated", "The measurement was corrected meanwhile: fetch it again, then correct that."
    )


def _described(name: str, document: dict[str, Any]) -> dict[str, str]:
    listed = [
        {"id": piece["id"], "name": piece.get("name"), "area": piece["area"], "complete": piece["complete"]}
        for piece in document["pieces"]
    ]
    summary = {"pieces": listed, "warnings": len(document["warnings"])}
    return {"search": _searchable(name, document), "summary": json.dumps(summary)}


def _searchable(name: str, document: dict[str, Any]) -> str:
    return " ".join([name, *(piece_words(piece) for piece in document["pieces"])]).lower()
