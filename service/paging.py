"""Lists page by page, newest first: a cursor names the last row that was seen."""

import base64
import json
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import ColumnElement, Select, tuple_

from service.problems import invalid

LARGEST_PAGE = 100


def after(query: Select[Any], columns: Sequence[ColumnElement[Any]], cursor: str | None) -> Select[Any]:
    """A query with its rows in descending order of columns, those up to the cursor left out."""
    ordered = query.order_by(*(column.desc() for column in columns))
    return ordered if cursor is None else ordered.where(tuple_(*columns) < tuple_(*_decode(cursor, len(columns))))


def matching(query: Select[Any], column: ColumnElement[str], words: str | None) -> Select[Any]:
    """A query whose rows hold all the words, whatever their case."""
    for word in (words or "").lower().split():
        query = query.where(column.contains(word, autoescape=True))
    return query


def next_link(path: str, last: Sequence[str], **wanted: str | int | None) -> str:
    """Where the next page is."""
    cursor = base64.urlsafe_b64encode(json.dumps(list(last)).encode()).decode()
    given = {name: value for name, value in wanted.items() if value is not None}
    return f"{path}?{urlencode({**given, 'cursor': cursor})}"


def _decode(cursor: str, length: int) -> list[str]:
    try:
        values = json.loads(base64.b64decode(cursor, altchars=b"-_", validate=True))
    except (ValueError, RecursionError):
        values = None
    if not isinstance(values, list) or len(values) != length or not all(_is_plain(value) for value in values):
        raise invalid("The cursor is none that this service gave: begin again without it.")
    return values


def _is_plain(value: Any) -> bool:
    return isinstance(value, str) and value.isascii() and value.isprintable()
