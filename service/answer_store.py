"""Answers to the question whether cloth is enough."""

import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import delete, insert, select

from service.database import Database, now
from service.problems import missing
from service.tables import answers


@dataclass(frozen=True)
class StoredAnswer:
    """An answer.

    Attributes
    ----------
    document : dict
        Verdict, sentences, layout, and the ids of the cloth.
    placed : dict
        By the cloth's id, what is cut from it, in pixels of its photo.
    """

    id: str
    created: str
    document: dict[str, Any]
    placed: dict[str, list[dict[str, Any]]]


class AnswerStore:
    """Answers in the database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, answer: str, document: dict[str, Any], placed: dict[str, Any]) -> None:
        """Keep an answer."""
        row = {"id": answer, "created": now(), "document": json.dumps(document), "placed": json.dumps(placed)}
        with self._database.writing() as connection:
            connection.execute(insert(answers).values(**row))

    def get(self, answer: str) -> StoredAnswer:
        """One answer.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.reading() as connection:
            row = connection.execute(select(answers).where(answers.c.id == answer)).one_or_none()
        if row is None:
            raise missing("answer")
        return StoredAnswer(row.id, row.created, json.loads(row.document), json.loads(row.placed))

    def delete(self, answer: str) -> None:
        """Delete an answer.

        Raises
        ------
        Problem
            404 when there is none.
        """
        with self._database.writing() as connection:
            if connection.execute(delete(answers).where(answers.c.id == answer)).rowcount == 0:
                raise missing("answer")
