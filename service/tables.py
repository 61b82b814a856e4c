"""The database's tables, for SQLite and PostgreSQL alike.

JSON is kept as text and times as RFC 3339 text in UTC with microseconds, which sorts as it should; both databases then
give back to the letter what they were given.
"""

from sqlalchemy import Boolean, Column, ForeignKey, Index, Integer, MetaData, String, Table, Text

metadata = MetaData()

_ID, _TIME, _DIGEST = String(16), String(27), String(64)

measurements = Table(
    "measurements",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("key", _DIGEST, nullable=False, unique=True),  # of photo and options
    Column("photo", _DIGEST, nullable=False, index=True),
    Column("name", Text, nullable=False),
    Column("created", _TIME, nullable=False),
    Column("revision", Integer, nullable=False),  # the latest
    Column("version", Integer, nullable=False),  # grows with every change
    Column("search", Text, nullable=False),
    Column("summary", Text, nullable=False),
    Index("measurements_newest", "created", "id"),
)

revisions = Table(
    "revisions",
    metadata,
    Column("measurement", _ID, ForeignKey("measurements.id", ondelete="CASCADE"), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("created", _TIME, nullable=False),
    Column("what", Text, nullable=False),
    Column("request", Text, nullable=False),  # all that leads from the photo to this revision
    Column("document", Text, nullable=False),
)

pieces = Table(
    "pieces",
    metadata,
    Column("measurement", _ID, ForeignKey("measurements.id", ondelete="CASCADE"), primary_key=True),
    Column("piece", String(16), primary_key=True),
    Column("created", _TIME, nullable=False),
    Column("hidden", Boolean, nullable=False),
    Column("search", Text, nullable=False),
    Column("summary", Text, nullable=False),
    Index("pieces_newest", "created", "measurement", "piece"),
)

jobs = Table(
    "jobs",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("kind", String(16), nullable=False),
    Column("key", _DIGEST, nullable=True, index=True),
    Column("state", String(8), nullable=False, index=True),
    Column("created", _TIME, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("request", Text, nullable=False),
    Column("result", _ID, nullable=True),
    Column("problem", Text, nullable=True),
)

answers = Table(
    "answers",
    metadata,
    Column("id", _ID, primary_key=True),
    Column("created", _TIME, nullable=False),
    Column("document", Text, nullable=False),
    Column("placed", Text, nullable=False),
)
